package portaudio

import (
	"fmt"
	"slices"
	"strings"

	"tapload/measure/card"
)

// taken are the two halves that measure, both of one interface.
type taken struct {
	in, out Device
	kind    Kind
	note    string // which they are, where Options left that open
}

// choose returns the devices that record and play for o, or the fault that
// says what there is instead.
func choose(infos []Info, o Options) (taken, error) {
	if len(infos) == 0 {
		return taken{}, &card.Fault{Cause: card.Absent, Text: "the sound system lists no sound card",
			Advice: "connect one, and start the sound server if it needs one"}
	}
	if o.Name == "" {
		return chooseDefault(infos, o)
	}
	hits := able(match(infos, o.Name, func(Device) bool { return true }), o)
	switch len(hits) {
	case 0:
		return taken{}, absent(infos, fmt.Sprintf("no sound card matches %q", o.Name), thereIs)
	case 1:
		return hits[0].take(infos, o)
	}
	return taken{}, absent(cardsOf(hits), fmt.Sprintf("%d sound cards match %q", len(hits), o.Name), "say which:")
}

// chooseDefault takes what the sound system itself prefers.
func chooseDefault(infos []Info, o Options) (taken, error) {
	in, out := defaults(infos)
	switch {
	case in == nil:
		return taken{}, absent(infos, "the sound system has no default sound card that records", thereIs)
	case out == nil && o.Output == "":
		return taken{}, absent(infos, "the sound system has no default sound card that plays", thereIs)
	}
	t := taken{in: *in}
	if o.Output != "" {
		var err error
		if t.out, _, err = player(infos, o.Output, in.API); err != nil {
			return taken{}, err
		}
	} else {
		t.out = *out
	}
	own := holding(infos, t.in)
	if err := t.enough(infos[own], o); err != nil {
		return taken{}, err
	}
	t.kind = infos[own].kindOf(t.in)
	t.say(false, o)
	if o.Output == "" && holding(infos, t.out) != own {
		t.note += "; these defaults are two cards"
	}
	return t, nil
}

// defaults returns the devices that the sound system prefers, nil where there is
// none. Windows' own choice goes through its oldest interface, which resamples;
// the best of its interfaces that has a choice for both halves replaces it.
func defaults(infos []Info) (in, out *Device) {
	var all []Device
	for _, i := range infos {
		all = append(all, i.Devices()...)
	}
	the := func(is func(Device) bool) *Device {
		if i := slices.IndexFunc(all, is); i >= 0 {
			return &all[i]
		}
		return nil
	}
	in = the(func(d Device) bool { return d.DefaultIn && d.Inputs > 0 })
	if in == nil {
		return nil, the(func(d Device) bool { return d.DefaultOut && d.Outputs > 0 })
	}
	of := func(api string) (in, out *Device) {
		return the(func(d Device) bool { return d.API == api && d.APIDefaultIn && d.Inputs > 0 }),
			the(func(d Device) bool { return d.API == api && d.APIDefaultOut && d.Outputs > 0 })
	}
	if ofWindows(in.API) {
		for _, known := range interfaces[:rank(in.API)] {
			if !ofWindows(known.api) {
				continue
			}
			if in, out := of(known.api); in != nil && out != nil {
				return in, out
			}
		}
	}
	out = the(func(d Device) bool { return d.API == in.API && d.DefaultOut && d.Outputs > 0 })
	if out == nil {
		_, out = of(in.API)
	}
	return in, out
}

func (d *Device) is(other Device) bool { return d != nil && d.Place == other.Place }

// holding returns which card d belongs to.
func holding(infos []Info, d Device) int {
	return slices.IndexFunc(infos, func(i Info) bool { return slices.ContainsFunc(i.Devices(), d.is) })
}

func (i Info) kindOf(d Device) Kind {
	return i.Ways[slices.IndexFunc(i.Ways, func(w Way) bool { return slices.ContainsFunc(w.Devices, d.is) })].Kind
}

// hit is a card that a name means, and those of its devices that it means.
type hit struct {
	Info
	devices []Device
	exact   bool // the name is not a part of a name
}

func cardsOf(hits []hit) []Info {
	infos := make([]Info, len(hits))
	for i, h := range hits {
		infos[i] = h.Info
	}
	return infos
}

// match returns what name means among the devices that keep allows: by exact
// name, by interface and name, or by a part of the name, whichever is the first
// to find any. A part means a plug-in or a stand-in only where it means no card.
func match(infos []Info, name string, keep func(Device) bool) []hit {
	no := func(Info) bool { return false }
	if hits := look(infos, keep, no, func(d Device) bool { return d.String() == name }); len(hits) > 0 {
		return whole(hits)
	}
	if hits := look(infos, keep,
		func(i Info) bool { return i.Name == name },
		func(d Device) bool { return d.Name == name }); len(hits) > 0 {
		return whole(hits)
	}
	if api, rest, ok := strings.Cut(name, ": "); ok {
		of := func(d Device) bool { return keep(d) && contains(d.API, api) }
		if hits := look(infos, of,
			func(i Info) bool { return i.Name == rest },
			func(d Device) bool { return d.Name == rest }); len(hits) > 0 {
			return hits
		}
		if hits := lookForPart(infos, of, rest); len(hits) > 0 {
			return hits
		}
	}
	return lookForPart(infos, keep, name)
}

// whole marks the hits of a name that is the whole name of what it finds.
func whole(hits []hit) []hit {
	for i := range hits {
		hits[i].exact = true
	}
	return hits
}

// look returns the cards with devices that isDevice finds, of those that keep
// allows, and with all such devices the cards that isCard finds.
func look(infos []Info, keep func(Device) bool, isCard func(Info) bool, isDevice func(Device) bool) []hit {
	var hits []hit
	for _, i := range infos {
		all := filter(i.Devices(), keep)
		devices := filter(all, isDevice)
		if len(devices) == 0 && isCard(i) {
			devices = all
		}
		if len(devices) > 0 {
			hits = append(hits, hit{Info: i, devices: devices})
		}
	}
	return hits
}

func lookForPart(infos []Info, keep func(Device) bool, part string) []hit {
	var hits []hit
	for _, i := range infos {
		devices := filter(i.Devices(), keep)
		if !contains(i.Name, part) {
			devices = filter(devices, func(d Device) bool { return contains(d.Name, part) })
		}
		if len(devices) > 0 {
			hits = append(hits, hit{Info: i, devices: devices})
		}
	}
	if cards := filter(hits, func(h hit) bool { return h.Best().Kind < StandIn }); len(cards) > 0 {
		return cards
	}
	return hits
}

// contains reports whether part is in s, in any case; with "..." in it, whether
// it is s with something left out there, as ShortName leaves it out.
func contains(s, part string) bool {
	s, part = strings.ToLower(s), strings.ToLower(part)
	head, tail, cut := strings.Cut(part, ellipsis)
	if !cut {
		return strings.Contains(s, part)
	}
	return len(s) >= len(head)+len(tail) && strings.HasPrefix(s, head) && strings.HasSuffix(s, tail)
}

const ellipsis = "..."

// ShortName returns the name of card i in at most width characters. What stands
// for a longer one finds i and no other card of infos, too.
func ShortName(infos []Info, i Info, width int) string {
	name := []rune(i.Name)
	if len(name) <= width {
		return i.Name
	}
	room := width - len(ellipsis)
	tails := []int{0}
	for tail := room / 3; tail < room; tail++ {
		tails = append(tails, tail)
	}
	for _, tail := range tails {
		short := string(name[:room-tail]) + ellipsis + string(name[len(name)-tail:])
		if hits := match(infos, short, func(Device) bool { return true }); len(hits) == 1 && hits[0].Name == i.Name {
			return short
		}
	}
	return i.Name
}

// able drops, of several hits, those that cannot do what is needed while others
// can.
func able(hits []hit, o Options) []hit {
	for _, can := range []func(Way) bool{
		func(w Way) bool { return len(w.Records) > 0 && !w.Records[0].Monitor && (w.Both() || o.Output != "") },
		func(w Way) bool { return len(w.Records) > 0 && (w.Both() || o.Output != "") },
		func(w Way) bool { return len(w.Records) > 0 },
	} {
		if some := filter(hits, func(h hit) bool { return slices.ContainsFunc(h.Ways, can) }); len(some) > 0 {
			return some
		}
	}
	return hits
}

// take returns both halves of the best way of h.
func (h hit) take(infos []Info, o Options) (taken, error) {
	var faults []error
	for _, w := range h.Ways {
		records, plays := filter(w.Records, h.means), filter(w.Plays, h.means)
		if len(records)+len(plays) == 0 {
			continue
		}
		if len(records) == 0 {
			records = w.Records
		}
		if len(plays) == 0 {
			plays = w.Plays
		}
		if len(records) == 0 {
			continue
		}
		t := taken{in: records[0], kind: w.Kind}
		if i := slices.IndexFunc(records, func(d Device) bool { return d.Inputs >= needed(o) }); i >= 0 {
			t.in = records[i]
		}
		exact := h.exact && len(h.devices) == 1 && h.means(t.in)
		switch {
		case o.Output != "":
			out, exactOut, err := player(infos, o.Output, w.API)
			if err != nil {
				faults = append(faults, err)
				continue
			}
			t.out, exact = out, exact && exactOut
		case len(plays) == 0:
			continue
		default:
			t.out = plays[0]
			if slices.ContainsFunc(plays, t.in.is) {
				t.out = t.in
			}
			exact = exact && h.means(t.out)
		}
		if err := t.enough(h.Info, o); err != nil {
			faults = append(faults, err)
			continue
		}
		t.say(exact, o)
		return t, nil
	}
	if len(faults) > 0 {
		return taken{}, faults[0]
	}
	return taken{}, h.half(infos)
}

// half says which half of h is missing, and what there is instead.
func (h hit) half(infos []Info) error {
	has := func(i Info, can func(Device) bool) bool { return slices.ContainsFunc(i.Devices(), can) }
	records := func(d Device) bool { return d.Inputs > 0 }
	plays := func(d Device) bool {
		return d.Outputs > 0 && slices.ContainsFunc(h.devices, func(own Device) bool { return own.API == d.API })
	}
	switch {
	case has(h.Info, records):
		return absent(filter(infos, func(i Info) bool { return has(i, plays) }), fmt.Sprintf("card %q only records", h.Name), "name one that plays as well:")
	case has(h.Info, plays):
		return absent(filter(infos, func(i Info) bool { return has(i, records) }), fmt.Sprintf("card %q only plays", h.Name), "name one that records:")
	}
	return absent(filter(infos, func(i Info) bool { return has(i, records) }), fmt.Sprintf("card %q neither records nor plays", h.Name), thereIs)
}

// means reports whether d is among the devices that the name means.
func (h hit) means(d Device) bool { return slices.ContainsFunc(h.devices, d.is) }

// player returns the device of the interface api that name means to play.
func player(infos []Info, name, api string) (out Device, exact bool, err error) {
	plays := func(d Device) bool { return d.API == api && d.Outputs > 0 }
	hits := match(infos, name, plays)
	switch len(hits) {
	case 1:
	case 0:
		text := fmt.Sprintf("no sound card that matches %q plays and belongs to %s", name, api)
		return Device{}, false, absent(filter(infos, func(i Info) bool { return slices.ContainsFunc(i.Devices(), plays) }), text, thereIs)
	default:
		return Device{}, false, absent(cardsOf(hits), fmt.Sprintf("%d sound cards that play match %q", len(hits), name), "say which:")
	}
	h := hits[0]
	for _, w := range h.Ways {
		if found := filter(w.Plays, h.means); len(found) > 0 {
			return found[0], h.exact && len(h.devices) == 1, nil
		}
	}
	return Device{}, false, fmt.Errorf("card %q has no way that plays by %s", h.Name, api)
}

// needed returns how many inputs o asks for.
func needed(o Options) int { return max(o.Inputs[0], o.Inputs[1]) }

// enough returns a fault where the card lacks an input that o asks for.
func (t taken) enough(i Info, o Options) error {
	if need := needed(o); need > t.in.Inputs {
		return &card.Fault{Cause: card.Absent,
			Text: fmt.Sprintf("card %q has %s; input %d is not there", i.Name, plural(t.in.Inputs, "input"), need)}
	}
	return nil
}

// say notes what was taken, unless o named it exactly, and what is odd with it.
func (t *taken) say(exact bool, o Options) {
	var parts []string
	switch {
	case exact:
	case t.out.Place == t.in.Place:
		parts = append(parts, fmt.Sprintf("%q records and plays", t.in))
	default:
		parts = append(parts, fmt.Sprintf("%q records, %q plays", t.in, t.out))
	}
	if t.in.Monitor && !exact {
		parts = append(parts, "it records what is played, there is no input")
	}
	if t.in.Uncounted() && needed(o) > 2 {
		parts = append(parts, fmt.Sprintf("%q makes as many inputs as it is asked for: input %d need not be one of the card's", t.in.Name, needed(o)))
	}
	t.note = strings.Join(parts, "; ")
}

func filter[T any](all []T, keep func(T) bool) []T {
	var kept []T
	for _, one := range all {
		if keep(one) {
			kept = append(kept, one)
		}
	}
	return kept
}

const thereIs = "there is:"

// absent returns the fault of a card that was not found; its advice is lead,
// then the cards there are, a line each. Plug-ins stand there only where there
// is nothing else.
func absent(infos []Info, text, lead string) *card.Fault {
	if cards := filter(infos, func(i Info) bool { return i.Best().Kind != Plugin }); len(cards) > 0 {
		infos = cards
	}
	if len(infos) == 0 {
		return &card.Fault{Cause: card.Absent, Text: text, Advice: strings.TrimSuffix(lead, ":") + " none"}
	}
	var b strings.Builder
	b.WriteString(lead)
	for _, i := range infos {
		fmt.Fprintf(&b, "\n  %q (%v in, %v out)", i.Name, i.Inputs(), i.Outputs())
	}
	return &card.Fault{Cause: card.Absent, Text: text, Advice: b.String()}
}
