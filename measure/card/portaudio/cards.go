package portaudio

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// Device is one entry of the sound system's own list: a card, one direction of
// it, or something that stands for it, as one interface of the system sees it.
type Device struct {
	Place           int    // in the sound system's list, from 0
	API, Name       string // the interface of the sound system, and the device's name there
	Inputs, Outputs int    // channels, as the interface counts them
	DefaultRateHz   float64
	// Whether the sound system, or this interface of it, would take the device
	// to record or to play.
	DefaultIn, DefaultOut       bool
	APIDefaultIn, APIDefaultOut bool
	// Monitor is set by Group: the input hears what the card itself plays.
	Monitor bool
}

// String returns the name under which Options finds d and no other.
func (d Device) String() string { return d.API + ": " + d.Name }

// manyChannels is the least count that says nothing of the card behind a plug-in
// of ALSA: PulseAudio's claims 32, PipeWire's 64, and those that convert claim
// any number, which PortAudio cuts to 128 (seen with Debian 12's).
const manyChannels = 32

// Uncounted reports whether the channels of d are only those that a plug-in is
// willing to make, whatever the card behind it has.
func (d Device) Uncounted() bool {
	return d.API == alsa && !hardwareName.MatchString(d.Name) && max(d.Inputs, d.Outputs) >= manyChannels
}

// Kind says what stands between a program and the converters of a card.
type Kind int

// The kinds, best first.
const (
	Direct     Kind = iota // nothing
	Shared                 // the system's mixer, at the rate that is set there
	Studio                 // a sound server that runs at the card's rate and mixes only what is connected
	Unknown                // an interface that this package does not know
	Server                 // the desktop's sound server, which resamples and mixes
	Resampling             // an interface that resamples in silence
	StandIn                // whatever card is the default
	Plugin                 // a plug-in of ALSA that converts
)

var kindCodes = [...]string{"direct", "shared", "studio-server", "unknown", "desktop-server", "resampling", "stand-in", "plug-in"}

// String returns a code that stays.
func (k Kind) String() string { return kindCodes[k] }

// Way is how one interface of the sound system reaches a card. A device with
// both halves is among those that record and those that play.
type Way struct {
	API            string
	Kind           Kind
	Devices        []Device // all, in the order of the sound system
	Records, Plays []Device // the one to take first; either may be empty
}

// Both reports whether the way has both halves.
func (w Way) Both() bool { return len(w.Records) > 0 && len(w.Plays) > 0 }

// Info is a sound card as a person sees it.
type Info struct {
	Name    string // finds it and no other
	Ways    []Way  // best first, at least one
	Default bool   // an empty name stands for it, as input, output or both
}

// Best returns the best way that has both halves, or the best there is.
func (i Info) Best() Way {
	for _, w := range i.Ways {
		if w.Both() {
			return w
		}
	}
	return i.Ways[0]
}

// Channels is how many inputs or outputs a card has for a program.
type Channels struct {
	Count     int
	Uncounted bool // Count is only what a plug-in is willing to make
	Monitor   bool // the inputs hear what the card itself plays
}

// String returns the number, "any" where it is not known, "loop" for a monitor
// and "-" for none.
func (c Channels) String() string {
	switch {
	case c.Count == 0:
		return "-"
	case c.Uncounted:
		return "any"
	case c.Monitor:
		return "loop"
	}
	return fmt.Sprint(c.Count)
}

// In returns the inputs of d.
func (d Device) In() Channels { return Channels{d.Inputs, d.Uncounted(), d.Monitor} }

// Out returns the outputs of d.
func (d Device) Out() Channels { return Channels{Count: d.Outputs, Uncounted: d.Uncounted()} }

// Inputs returns those of the device that the best way records with.
func (i Info) Inputs() Channels {
	if w := i.Best(); len(w.Records) > 0 {
		return w.Records[0].In()
	}
	return Channels{}
}

// Outputs returns those of the device that the best way plays with.
func (i Info) Outputs() Channels {
	if w := i.Best(); len(w.Plays) > 0 {
		d := w.Plays[0]
		if records := w.Records; len(records) > 0 && records[0].Outputs > 0 {
			d = records[0]
		}
		return d.Out()
	}
	return Channels{}
}

// RateHz returns the rate that the best way of the card proposes.
func (i Info) RateHz() float64 {
	w := i.Best()
	return slices.Concat(w.Records, w.Plays, w.Devices)[0].DefaultRateHz
}

// Devices returns all devices of the card in the order of the sound system.
func (i Info) Devices() []Device {
	var all []Device
	for _, w := range i.Ways {
		all = append(all, w.Devices...)
	}
	slices.SortFunc(all, func(a, b Device) int { return cmp.Compare(a.Place, b.Place) })
	return all
}

// List returns the sound cards, in the order in which the sound system first
// names them, and what that system printed on standard error meanwhile. No card
// at all is an empty list, not an error.
func List() (infos []Info, chatter string, err error) {
	var said strings.Builder
	infos, err = list(newSystem(&said))
	return infos, said.String(), err
}

func list(sys system) ([]Info, error) {
	devices, err := sys.list()
	if err != nil {
		return nil, systemFault(err)
	}
	return Group(exported(devices)), sys.close()
}

// exported returns what the model of cards knows of devices.
func exported(devices []device) []Device {
	out := make([]Device, len(devices))
	for i, d := range devices {
		out[i] = Device{
			API: d.api, Name: d.name, Inputs: d.inputs, Outputs: d.outputs, DefaultRateHz: d.rateHz,
			DefaultIn: d.defaultIn, DefaultOut: d.defaultOut, APIDefaultIn: d.apiDefaultIn, APIDefaultOut: d.apiDefaultOut,
		}
	}
	return out
}

// The names that PortAudio gives to interfaces.
const (
	alsa        = "ALSA"
	asio        = "ASIO"
	coreAudio   = "Core Audio"
	directSound = "Windows DirectSound"
	jack        = "JACK Audio Connection Kit"
	kernel      = "Windows WDM-KS"
	mme         = "MME"
	pulse       = "PulseAudio"
	wasapi      = "Windows WASAPI"
)

// interfaces are those known, the one to prefer first, with what they are where
// the device says no more. WASAPI is opened in shared mode. That WDM-KS talks to
// the driver, and that many drivers take it badly, is common practice, no source.
var interfaces = []struct {
	api  string
	kind Kind
}{
	{asio, Direct}, {alsa, Direct}, {coreAudio, Shared}, {jack, Studio},
	{wasapi, Shared}, {kernel, Direct}, {pulse, Server}, {directSound, Resampling}, {mme, Resampling},
}

// rank returns the place of api in the order of preference.
func rank(api string) int {
	for i, known := range interfaces {
		if known.api == api {
			return i
		}
	}
	return len(interfaces)
}

// rank of a plug-in of ALSA is that of a sound server.
func (w Way) rank() int {
	if w.API == alsa && w.Kind != Direct {
		return rank(pulse)
	}
	return rank(w.API)
}

func kindOf(api string) Kind {
	if r := rank(api); r < len(interfaces) {
		return interfaces[r].kind
	}
	return Unknown
}

// Group puts the devices of a sound system's list together to cards. Each
// device belongs to exactly one card, and to one way of it.
//
// Only names tell which belong together. What is known of them: PortAudio's
// sources 19.7, Debian 12 with PulseAudio 16.1 and PipeWire 0.3.65, and Wine 8
// were looked at; names of Windows and macOS are from memory.
func Group(devices []Device) []Info {
	devices = slices.Clone(devices)
	for i := range devices {
		devices[i].Place = i
	}
	l := newListing(devices)
	var infos []Info
	var belong []belonging // of each card
	places := map[string]int{}
	for i := range devices {
		b := l.belonging(&devices[i])
		at, ok := places[b.key]
		if !ok {
			at = len(infos)
			places[b.key] = at
			infos, belong = append(infos, Info{Name: b.name}), append(belong, b)
		}
		infos[at].add(devices[i], b.kind)
	}
	for i := range infos {
		infos[i].arrange()
	}
	nameApart(infos, belong)
	in, out := defaults(infos)
	for i, info := range infos {
		infos[i].Default = slices.ContainsFunc(info.Devices(), func(d Device) bool {
			return in.is(d) || out.is(d)
		})
	}
	return infos
}

// add puts d into the way of its interface and kind.
func (i *Info) add(d Device, kind Kind) {
	at := slices.IndexFunc(i.Ways, func(w Way) bool { return w.API == d.API && w.Kind == kind })
	if at < 0 {
		at = len(i.Ways)
		i.Ways = append(i.Ways, Way{API: d.API, Kind: kind})
	}
	w := &i.Ways[at]
	w.Devices = append(w.Devices, d)
	if d.Inputs > 0 {
		w.Records = append(w.Records, d)
	}
	if d.Outputs > 0 {
		w.Plays = append(w.Plays, d)
	}
}

// arrange puts the best way first, and in each the device to take.
func (i *Info) arrange() {
	slices.SortStableFunc(i.Ways, func(a, b Way) int { return cmp.Compare(a.rank(), b.rank()) })
	for _, w := range i.Ways {
		slices.SortStableFunc(w.Records, func(a, b Device) int {
			return cmp.Or(
				yesFirst(!a.Monitor, !b.Monitor), yesFirst(!digital(a), !digital(b)), yesFirst(a.Outputs > 0, b.Outputs > 0),
				yesFirst(line(a), line(b)), yesFirst(a.DefaultIn || a.APIDefaultIn, b.DefaultIn || b.APIDefaultIn))
		})
		slices.SortStableFunc(w.Plays, func(a, b Device) int {
			return cmp.Or(
				yesFirst(!digital(a), !digital(b)), yesFirst(a.Inputs > 0, b.Inputs > 0),
				yesFirst(a.DefaultOut || a.APIDefaultOut, b.DefaultOut || b.APIDefaultOut))
		})
	}
}

func yesFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// Words in the names of a card's sockets: a load is measured through line
// inputs, and never through a digital output.
var (
	lineWord    = regexp.MustCompile(`(?i)^(line|ligne|línea|linea|linha|lijn|linje)`)
	digitalWord = regexp.MustCompile(`(?i)s/?p-?dif|iec958|digital|numérique|hdmi|displayport|optical|optisch`)
)

func line(d Device) bool    { return lineWord.MatchString(d.Name) }
func digital(d Device) bool { return digitalWord.MatchString(socket(d.Name)) }

// socket returns what a name says of the card's socket, without the card.
func socket(name string) string {
	if m := hardwareName.FindStringSubmatch(name); m != nil {
		return m[2]
	}
	if card := inBrackets(name); card != "" {
		return strings.TrimSuffix(strings.TrimSuffix(name, ")"), card)
	}
	return name
}

// nameApart gives each card a name that no other card has, nor any device of
// another.
func nameApart(infos []Info, belong []belonging) {
	taken := func(i int) bool {
		for other, info := range infos {
			if other != i && (strings.EqualFold(info.Name, infos[i].Name) || info.has(infos[i].Name)) {
				return true
			}
		}
		return false
	}
	doubled := func() (at []int) {
		for i := range infos {
			if taken(i) {
				at = append(at, i)
			}
		}
		return at
	}
	for _, i := range doubled() {
		infos[i].Name = fmt.Sprintf("%s (%s)", belong[i].name, belong[i].apart)
	}
	for _, i := range doubled() {
		n := 1
		for again := true; again; again = taken(i) {
			infos[i].Name = fmt.Sprintf("%s (%d)", belong[i].name, n)
			n++
		}
	}
}

// has reports whether a device of the card has this name, with or without its
// interface.
func (i Info) has(name string) bool {
	return slices.ContainsFunc(i.Devices(), func(d Device) bool { return d.Name == name || d.String() == name })
}
