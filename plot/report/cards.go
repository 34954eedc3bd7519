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
	p := cardsPage{cards.BestFirst()}
	d := Document{Title: "Sound cards", Lead: "None of these has two inputs and an output, which a jig needs: connect another."}
	if best := p.cards[0]; best.Measures() {
		d.Lead = "Next: tapload check --card " + quote(portaudio.ShortName(p.cards, best, nextNameWidth))
	}
	shown := slices.DeleteFunc(slices.Clone(p.cards), func(i portaudio.Info) bool { return i.Best().Kind == portaudio.Plugin && !i.Default })
	d.Sections = []Section{
		{Pieces: append([]Piece{p.table(shown)}, p.legend(shown)...)},
		{Heading: "Interfaces and exact names", Details: true, Pieces: p.names()},
	}
	if plugins := len(p.cards) - len(shown); plugins > 0 {
		d.Sections[1].Heading += fmt.Sprintf(", %d plug-ins that convert among them", plugins)
	}
	return d
}

type cardsPage struct{ cards portaudio.Cards }

func (p cardsPage) table(shown portaudio.Cards) Table {
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
		t.add(portaudio.ShortName(p.cards, i, cardNameWidth), i.Inputs().String(), i.Outputs().String(), rate, is)
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
func (p cardsPage) legend(shown portaudio.Cards) []Piece {
	var rows [][]string
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
			rows = append(rows, []string{cardKinds[kind].short, cardKinds[kind].long})
		}
	}
	if anything {
		rows = append(rows, []string{"any", "whatever it is asked for; what the card has is not known"})
	}
	if loop {
		rows = append(rows, []string{"loop", "records what it plays itself; it has no input"})
	}
	switch defaults {
	case 0:
	case 1:
		rows = append(rows, []string{"*", `the default, --card ""`})
	default:
		rows = append(rows, []string{"*", `the defaults, --card "": one records, the other plays`})
	}
	if rows == nil {
		return nil
	}
	return []Piece{Table{Rows: rows}}
}

// names are the interfaces to each card, and for each device the exact name.
func (p cardsPage) names() []Piece {
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
	for _, i := range p.cards {
		lines := Lines{i.Name}
		for _, way := range i.Ways {
			lines = append(lines, fmt.Sprintf("  %s: %s", way.API, cardKinds[way.Kind].short))
			for _, d := range way.Devices {
				lines = append(lines, fmt.Sprintf("    %-16s\"%s\"", halves(d), p.cards.ExactName(d)))
			}
		}
		pieces = append(pieces, lines)
	}
	return pieces
}
