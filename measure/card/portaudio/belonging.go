package portaudio

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf16"
)

// hardwareName is how PortAudio names the devices of a card under ALSA: the
// card, its device, and both their numbers.
var hardwareName = regexp.MustCompile(`^(.*?): (.*) \((hw:\d+),(\d+)\)$`)

// belonging says where a device belongs: devices of one key are one card.
type belonging struct {
	key, name string
	kind      Kind
	apart     string // tells this card from others of the same name
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
