package portaudio

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf16"
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

// hardwareName is how PortAudio names the devices of a card under ALSA: the
// card, its device, and both their numbers.
var hardwareName = regexp.MustCompile(`^(.*?): (.*) \((hw:\d+),(\d+)\)$`)

// belonging says where a device belongs: devices of one key are one card.
type belonging struct {
	key, name string
	kind      Kind
	apart     string // tells this card from others of the same name
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

// listing is a list of devices with what must be known of all of them to tell
// where one belongs.
type listing struct {
	devices []Device
	servers [][2]int // inputs and outputs of the desktop's sound server under ALSA
	seen    map[string]int
}

func newListing(devices []Device) *listing {
	l := &listing{devices: devices, seen: map[string]int{}}
	for _, d := range devices {
		if d.API == alsa && serverPlugin(d.Name) {
			l.servers = append(l.servers, [2]int{d.Inputs, d.Outputs})
		}
	}
	return l
}

func serverPlugin(name string) bool { return name == "pulse" || name == "pipewire" }

func ofWindows(api string) bool {
	return api == mme || api == directSound || api == wasapi || api == kernel
}

// belonging returns where d belongs, and marks monitors.
func (l *listing) belonging(d *Device) belonging {
	switch {
	case d.API == alsa:
		return l.underALSA(*d)
	case ofWindows(d.API):
		return l.underWindows(d)
	case d.API == pulse:
		name := l.monitored(d)
		for _, other := range l.devices {
			if m := hardwareName.FindStringSubmatch(other.Name); other.API == alsa && m != nil && l.only(m[1]) && strings.HasPrefix(name, m[1]+" ") {
				return belonging{key: alsa + m[3], name: m[1], kind: Server}
			}
		}
		return belonging{key: fmt.Sprint(pulse, name, l.nth(*d, name)), name: name, kind: Server, apart: pulse}
	case d.API == jack:
		return belonging{key: jack + d.Name, name: d.Name, kind: Studio, apart: jack}
	}
	name := l.monitored(d)
	return belonging{key: fmt.Sprint(d.API, name, l.nth(*d, name)), name: name, kind: kindOf(d.API), apart: d.API}
}

// nth tells apart cards of one name, each perhaps with its halves listed apart:
// the first device that records and the first that plays are one card, and so
// on.
func (l *listing) nth(d Device, name string) (n int) {
	count := func(half string) {
		half += d.API + name
		l.seen[half]++
		n = max(n, l.seen[half])
	}
	if d.Inputs > 0 {
		count("in ")
	}
	if d.Outputs > 0 {
		count("out ")
	}
	return n
}

// only reports whether exactly one card under ALSA has this name.
func (l *listing) only(name string) bool {
	number := ""
	for _, d := range l.devices {
		if m := hardwareName.FindStringSubmatch(d.Name); d.API == alsa && m != nil && m[1] == name {
			if number != "" && number != m[3] {
				return false
			}
			number = m[3]
		}
	}
	return number != ""
}

// underALSA: hardware has numbers. The plug-ins of sound servers are known by
// name, and a default that counts channels as one of them is one. Which card any
// other plug-in stands for is in ALSA's configuration, which nothing here reads.
func (l *listing) underALSA(d Device) belonging {
	if m := hardwareName.FindStringSubmatch(d.Name); m != nil {
		return belonging{key: alsa + m[3], name: m[1], kind: Direct, apart: m[3]}
	}
	switch {
	case d.Name == "jack":
		for _, other := range l.devices {
			if other.API == jack && other.Name == "system" {
				return belonging{key: jack + other.Name, name: other.Name, kind: Studio, apart: jack}
			}
		}
		return belonging{key: alsa + "jack", name: d.Name, kind: Studio, apart: alsa}
	case serverPlugin(d.Name), d.Name == "default" && l.likeServer(d):
		return belonging{key: alsa + "server", name: l.serverName(), kind: Server, apart: alsa}
	case d.Name == "default":
		return belonging{key: alsa + "default", name: d.Name, kind: StandIn, apart: alsa}
	}
	return belonging{key: fmt.Sprint(alsa, "plug-in ", d.Place), name: d.Name, kind: Plugin, apart: alsa}
}

func (l *listing) likeServer(d Device) bool {
	is := [2]int{d.Inputs, d.Outputs}
	return slices.Contains(l.servers, is) || is == [2]int{32, 32} || is == [2]int{64, 64}
}

// serverName joins the names that the desktop's sound server has under ALSA.
func (l *listing) serverName() string {
	var first string
	var names []string
	for _, d := range l.devices {
		switch {
		case d.API != alsa || slices.Contains(names, d.Name):
		case d.Name == "default" && l.likeServer(d):
			first = d.Name
		case serverPlugin(d.Name):
			names = append(names, d.Name)
		}
	}
	switch joined := strings.Join(names, ", "); {
	case first == "":
		return joined
	case joined == "":
		return first
	default:
		return first + " (" + joined + ")"
	}
}

// underWindows: the card is what stands in the brackets, whatever the language
// of what stands before them. Interfaces do not agree on spaces, and MME cuts
// names.
func (l *listing) underWindows(d *Device) belonging {
	if l.standsIn(*d) {
		return belonging{key: "windows default", name: standInName(d.Name), kind: StandIn, apart: d.API}
	}
	if d.Name == pulse { // Wine lists the sound server's own choice under this name
		return belonging{key: "windows server default", name: d.Name, kind: StandIn, apart: d.API}
	}
	whole := *d
	whole.Name = l.complete(*d)
	name := l.monitored(&whole)
	d.Monitor = whole.Monitor
	card := inBrackets(name)
	if card == "" {
		card = name
	}
	card = strings.TrimSpace(card)
	if l.cut(*d) && whole.Name == d.Name {
		card = l.longest(card)
		return belonging{key: windowsKey(card, 1), name: card, kind: kindOf(d.API), apart: d.API}
	}
	n := 1
	if !d.Monitor {
		n = l.nth(*d, whole.Name)
	}
	return belonging{key: windowsKey(card, n), name: card, kind: kindOf(d.API), apart: d.API}
}

func windowsKey(card string, n int) string { return fmt.Sprint("windows ", strings.ToLower(card), n) }

// standsIn reports whether d is the default in disguise: the first device of
// MME, to whose name PortAudio adds its direction, and the first of DirectSound,
// which no other interface lists, each way.
func (l *listing) standsIn(d Device) bool {
	if d.API != mme && d.API != directSound {
		return false
	}
	for _, other := range l.devices {
		if other.API == d.API && (other.Inputs > 0) == (d.Inputs > 0) {
			if other.Place != d.Place {
				return false
			}
			break
		}
	}
	if d.API == mme {
		return standInName(d.Name) != d.Name
	}
	return inBrackets(d.Name) == "" && !slices.ContainsFunc(l.devices, func(other Device) bool {
		return other.API != directSound && other.Name != "" && strings.HasPrefix(d.Name, other.Name)
	})
}

func standInName(name string) string {
	return strings.TrimSuffix(strings.TrimSuffix(name, " - Input"), " - Output")
}

// cutAt is how many UTF-16 units MME has for a name (MAXPNAMELEN of mmeapi.h,
// less the zero at the end).
const cutAt = 31

func (l *listing) cut(d Device) bool {
	return d.API == mme && len(utf16.Encode([]rune(d.Name))) >= cutAt
}

// complete returns the name of d, where MME cut it as the other interfaces of
// Windows have it, if just one of their names begins so.
func (l *listing) complete(d Device) string {
	if !l.cut(d) {
		return d.Name
	}
	whole := ""
	for _, other := range l.devices {
		if other.API == mme || !ofWindows(other.API) || (other.Inputs > 0) != (d.Inputs > 0) || !strings.HasPrefix(other.Name, d.Name) {
			continue
		}
		if whole != "" && whole != other.Name {
			return d.Name
		}
		whole = other.Name
	}
	if whole == "" {
		return d.Name
	}
	return whole
}

// longest returns, for the beginning of a card's name that MME cut, the longest
// name that begins so, unless the list has two that do not begin alike.
func (l *listing) longest(card string) string {
	best := card
	for _, other := range l.devices {
		if !ofWindows(other.API) || l.standsIn(other) {
			continue
		}
		name := strings.TrimSpace(inBrackets(other.Name))
		switch {
		case !strings.HasPrefix(name, card) || strings.HasPrefix(best, name):
		case strings.HasPrefix(name, best):
			best = name
		default:
			return card
		}
	}
	return best
}

// inBrackets returns what stands in the last outermost brackets of name, or
// behind one that was never closed, or "".
func inBrackets(name string) string {
	var open []int
	end := strings.TrimRight(name, " ")
	for i, r := range end {
		switch {
		case r == '(':
			open = append(open, i)
		case r == ')' && len(open) > 0:
			start := open[len(open)-1]
			open = open[:len(open)-1]
			if len(open) == 0 && i == len(end)-1 && start > 0 {
				return name[start+1 : i]
			}
		}
	}
	if len(open) > 0 && open[0] > 0 {
		return name[open[0]+1:]
	}
	return ""
}

// monitorOf finds the card in the name of an input that hears what it plays, as
// sound servers ("Monitor of" in several languages) and PortAudio call them.
var monitorOf = regexp.MustCompile(`^(?i:monit\S* \S+ )(.+)$|^(.+) \[Loopback\]$`)

// monitored returns the name of d or, where d is an input that hears what an
// output of its interface plays, that output's name; it marks d then.
func (l *listing) monitored(d *Device) string {
	m := monitorOf.FindStringSubmatch(d.Name)
	if m == nil || d.Inputs == 0 || d.Outputs > 0 {
		return d.Name
	}
	name := m[1] + m[2]
	for _, other := range l.devices {
		if other.API == d.API && other.Outputs > 0 && other.Name == name {
			d.Monitor = true
			return name
		}
	}
	return d.Name
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
