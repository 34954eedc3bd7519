package report

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tapload/measure/card/portaudio"
)

// cardKinds say what a card is for, in the table and below it.
var cardKinds = map[portaudio.Kind]struct{ short, long string }{
	portaudio.Direct:     {"the card itself: best", "nothing between it and tapload"},
	portaudio.Shared:     {"the card, shared: good", "at the rate set in the system; other sounds mix in"},
	portaudio.Studio:     {"studio's sound server", "at its card's rate; mixes only what is connected"},
	portaudio.Unknown:    {"unknown interface", "whether it resamples or mixes is not known"},
	portaudio.Server:     {"desktop's sound server", "may resample, and mixes other programs' sounds in"},
	portaudio.Resampling: {"resampled: last resort", "an interface that resamples and does not say so"},
	portaudio.StandIn:    {"whatever is default", "stands for another card, and may resample"},
	portaudio.Plugin:     {"plug-in: converts", "stands for another card, converted"},
}

// CardKind says in a few words what a card is for.
func CardKind(k portaudio.Kind) string { return cardKinds[k].short }

const (
	cardNameWidth = 31
	nextNameWidth = 50 // behind "Next: tapload check --card"
)

// Cards is the page of the sound cards that there are, at least one: what to
// type next, a row a card, the best first, and the exact names. quote is how
// shells take a name.
func Cards(cards portaudio.Cards, quote func(string) string) Document {
	cards = cards.BestFirst()
	d := Document{Title: "Sound cards", Lead: "None of these has two inputs and an output, which a jig needs: connect another."}
	if best := cards[0]; best.Measures() {
		d.Lead = "Next: tapload check --card " + quote(portaudio.ShortName(cards, best, nextNameWidth))
	}
	shown := slices.DeleteFunc(slices.Clone(cards), func(i portaudio.Info) bool { return i.Best().Kind == portaudio.Plugin && !i.Default })
	names := "Interfaces and exact names"
	if plugins := len(cards) - len(shown); plugins > 0 {
		names += fmt.Sprintf(", %d plug-ins that convert among them", plugins)
	}
	d.add(cardTable(cards, shown), cardLegend(shown))
	d.behind(names, cardNames(cards)...)
	return d
}

func cardTable(cards, shown portaudio.Cards) Table {
	t := Table{Head: []string{"card", "in", "out", "rate", "what it is"}}
	for _, i := range shown {
		rate := "any"
		if hz := i.KnownRateHz(); hz > 0 {
			rate = strconv.FormatFloat(hz, 'f', 0, 64) + " Hz"
		}
		is := cardIs(i)
		if i.Default {
			is += " *"
		}
		t.add(portaudio.ShortName(cards, i, cardNameWidth), i.Inputs().String(), i.Outputs().String(), rate, is)
	}
	return t
}

func cardIs(i portaudio.Info) string {
	switch in := i.Inputs(); {
	case in.Count == 0 || in.Monitor:
		return "only plays"
	case i.Outputs().Count == 0:
		return "only records"
	}
	return CardKind(i.Best().Kind)
}

// legend explains the words in the table, and only those.
func cardLegend(shown portaudio.Cards) Table {
	var t Table
	defaults := 0
	anything, loop := false, false
	used := map[portaudio.Kind]bool{}
	for _, i := range shown {
		kind := i.Best().Kind
		used[kind] = used[kind] || cardIs(i) == CardKind(kind)
		if i.Default {
			defaults++
		}
		anything = anything || i.Inputs().Uncounted || i.Outputs().Uncounted
		loop = loop || i.Inputs().String() == "loop"
	}
	for kind := range portaudio.Plugin + 1 {
		if used[kind] {
			t.add(cardKinds[kind].short, cardKinds[kind].long)
		}
	}
	if anything {
		t.add("any", "whatever it is asked for; what the card has is not known")
	}
	if loop {
		t.add("loop", "records what it plays itself; it has no input")
	}
	switch defaults {
	case 0:
	case 1:
		t.add("*", `the default, --card ""`)
	default:
		t.add("*", `the defaults, --card "": one records, the other plays`)
	}
	return t
}

// names are the interfaces to each card, and for each device the exact name.
func cardNames(cards portaudio.Cards) []Piece {
	halves := func(d portaudio.Device) string {
		var has []string
		if in := d.In(); in.Count > 0 {
			has = append(has, in.String()+" in")
		}
		if out := d.Out(); out.Count > 0 {
			has = append(has, out.String()+" out")
		}
		return strings.Join(has, ", ")
	}
	var pieces []Piece
	for _, i := range cards {
		lines := Lines{i.Name}
		for _, way := range i.Ways {
			lines = append(lines, fmt.Sprintf("  %s: %s", way.API, cardKinds[way.Kind].short))
			for _, d := range way.Devices {
				lines = append(lines, fmt.Sprintf("    %-16s\"%s\"", halves(d), cards.ExactName(d)))
			}
		}
		pieces = append(pieces, lines)
	}
	return pieces
}
