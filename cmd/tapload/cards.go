package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"tapload/measure/card"
	"tapload/measure/card/portaudio"
)

type cardsOptions struct {
	details, json, verbose bool
}

func newCards(e env) *cobra.Command {
	var o cardsOptions
	c := &cobra.Command{
		Use:   "cards",
		Short: "List the sound cards",
		Long: `List the sound cards, the best to measure with first, and say what each is
for. "--card" takes such a name, or a part of it that no other card has, in any
case; both halves of the card are then used, through the best interface that
the sound system has to it. --details lists the interfaces, with the exact name
of each half: "API: NAME" takes that one.

Without any sound card the exit code is 1.`,
		Example: `  tapload cards
  tapload cards --details
  tapload cards --json`,
		Args: noArgs,
		RunE: func(*cobra.Command, []string) error { return cards(e, o) },
	}
	f := c.Flags()
	f.SortFlags = false
	f.BoolVar(&o.details, "details", false, "also list each card's interfaces, with their exact names")
	f.BoolVar(&o.json, "json", false, "print the list as JSON")
	f.BoolVar(&o.verbose, "verbose", false, "also print what the sound system says of itself")
	return c
}

// cardsSummary is what programs are told: what the sound system lists, and the
// cards that it makes.
type cardsSummary struct {
	Cards  []cardEntry  `json:"cards"`
	ByCard []wholeEntry `json:"by_card"`
}

// cardEntry is a device as the sound system lists it, in its order.
type cardEntry struct {
	API     string  `json:"api"`
	Name    string  `json:"name"`
	Inputs  int     `json:"inputs"`
	Outputs int     `json:"outputs"`
	RateHz  float64 `json:"rate_hz"` // the device's default
	Default bool    `json:"default"`
	Card    string  `json:"card"` // that it belongs to
	For     string  `json:"for"`  // what it is for: a code of portaudio.Kind
}

// wholeEntry is a card with the two halves that are taken for it.
type wholeEntry struct {
	Card    string   `json:"card"`
	For     string   `json:"for"`
	Inputs  *int     `json:"inputs"`  // null where nobody knows, 0 where it hears only itself
	Outputs *int     `json:"outputs"` // null where nobody knows
	RateHz  *float64 `json:"rate_hz"` // null where any is taken
	Default bool     `json:"default"`
	Records *string  `json:"records"` // the exact name for --card, null without an input
	Plays   *string  `json:"plays"`   // null without an output
}

func summarizeCards(infos []portaudio.Info) cardsSummary {
	s := cardsSummary{Cards: []cardEntry{}, ByCard: []wholeEntry{}}
	entries := map[int]cardEntry{}
	for _, i := range infos {
		for _, w := range i.Ways {
			for _, d := range w.Devices {
				entries[d.Place] = cardEntry{d.API, d.Name, d.Inputs, d.Outputs, d.DefaultRateHz, d.DefaultIn || d.DefaultOut, i.Name, w.Kind.String()}
			}
		}
		best := i.Best()
		s.ByCard = append(s.ByCard, wholeEntry{
			Card: i.Name, For: best.Kind.String(), Inputs: known(i.Inputs()), Outputs: known(i.Outputs()),
			RateHz: knownRate(i), Default: i.Default, Records: firstName(best.Records), Plays: firstName(best.Plays),
		})
	}
	for place := range len(entries) {
		s.Cards = append(s.Cards, entries[place])
	}
	return s
}

func known(c portaudio.Channels) *int {
	switch {
	case c.Uncounted:
		return nil
	case c.Monitor:
		c.Count = 0
	}
	return &c.Count
}

// knownRate returns nil where a plug-in takes any rate.
func knownRate(i portaudio.Info) *float64 {
	if i.Inputs().Uncounted || i.Outputs().Uncounted {
		return nil
	}
	hz := i.RateHz()
	return &hz
}

func firstName(devices []portaudio.Device) *string {
	if len(devices) == 0 {
		return nil
	}
	name := devices[0].String()
	return &name
}

func cards(e env, o cardsOptions) error {
	infos, chatter, err := e.sound.list()
	if o.verbose && chatter != "" {
		fmt.Fprintln(e.stderr, strings.TrimRight(chatter, "\n"))
	}
	switch {
	case err != nil:
		return err
	case o.json:
		err = writeJSON(e.stdout, summarizeCards(infos))
	case len(infos) > 0:
		printCards(e.stdout, infos, o.details)
	}
	if err != nil {
		return err
	}
	if len(infos) == 0 {
		return &card.Fault{Cause: card.Absent, Text: "the sound system lists no sound card",
			Advice: "connect one, or start its sound server; \"tapload cards --verbose\" shows what the sound system says"}
	}
	return nil
}

// kindWords say what a card is for, in the table and below it.
var kindWords = map[portaudio.Kind]struct{ short, long string }{
	portaudio.Direct:     {"the card itself: best", "nothing between it and tapload"},
	portaudio.Shared:     {"the card, shared: good", "at the rate set in the system; other sounds mix in"},
	portaudio.Studio:     {"studio's sound server", "at its card's rate; mixes only what is connected"},
	portaudio.Unknown:    {"unknown interface", "whether it resamples or mixes is not known"},
	portaudio.Server:     {"desktop's sound server", "may resample, and mixes other programs' sounds in"},
	portaudio.Resampling: {"resampled: last resort", "an interface that resamples and does not say so"},
	portaudio.StandIn:    {"whatever is default", "stands for another card, and may resample"},
	portaudio.Plugin:     {"plug-in: converts", "stands for another card, converted"},
}

// Columns of the table; all of it fits into 80.
const (
	cardNameWidth = 31
	nextNameWidth = 50 // behind "Next: tapload check --card"
	cardLine      = "%-2s%-*s  %4s  %4s  %9s  %s\n"
)

// printCards prints a line a card, the best first, what the words in it mean,
// and what to type next. With details each card's devices follow, and plug-ins,
// which are no cards, are not left out.
func printCards(w io.Writer, infos []portaudio.Info, details bool) {
	infos = bestFirst(infos)
	shown, plugins := infos, 0
	if !details {
		shown = slices.DeleteFunc(slices.Clone(infos), func(i portaudio.Info) bool { return i.Best().Kind == portaudio.Plugin && !i.Default })
		plugins = len(infos) - len(shown)
	}
	short, width := make([]string, len(shown)), len("CARD")
	for at, i := range shown {
		short[at] = portaudio.ShortName(infos, i, cardNameWidth)
		width = max(width, len([]rune(short[at])))
	}
	fmt.Fprintf(w, cardLine, "", width, "CARD", "IN", "OUT", "RATE", "WHAT IT IS")
	for at, i := range shown {
		mark := ""
		if i.Default {
			mark = "*"
		}
		rate := "any"
		if hz := knownRate(i); hz != nil {
			rate = strconv.FormatFloat(*hz, 'f', 0, 64) + " Hz"
		}
		fmt.Fprintf(w, cardLine, mark, width, short[at], i.Inputs(), i.Outputs(), rate, whatFor(i))
		if details && i.Best().Kind != portaudio.Plugin {
			printWays(w, infos, i)
		}
	}
	if plugins > 0 {
		fmt.Fprintf(w, "  plug-ins that convert, which --details lists: %d\n", plugins)
	}
	for _, part := range []string{legend(shown, details), nextWithCard(infos) + "\n"} {
		if part != "" {
			fmt.Fprintf(w, "\n%s", part)
		}
	}
}

// whatFor says it in a column of the table.
func whatFor(i portaudio.Info) string {
	switch in := i.Inputs(); {
	case in.Count == 0 || in.Monitor:
		return "only plays"
	case i.Outputs().Count == 0:
		return "only records"
	}
	return kindWords[i.Best().Kind].short
}

// canMeasure reports whether i has what a jig needs.
func canMeasure(i portaudio.Info) bool {
	in := i.Inputs()
	return in.Count >= 2 && !in.Monitor && i.Outputs().Count >= 1
}

// bestFirst returns the cards with the best to measure with first: those that
// can, the best kind, the default.
func bestFirst(infos []portaudio.Info) []portaudio.Info {
	infos = slices.Clone(infos)
	last := func(is bool) int {
		if is {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(infos, func(a, b portaudio.Info) int {
		return cmp.Or(
			cmp.Compare(last(!canMeasure(a)), last(!canMeasure(b))),
			cmp.Compare(a.Best().Kind, b.Best().Kind),
			cmp.Compare(last(!a.Default), last(!b.Default)))
	})
	return infos
}

// printWays prints the interfaces to a card, and for each device the exact name.
func printWays(w io.Writer, infos []portaudio.Info, i portaudio.Info) {
	halves := func(d portaudio.Device) string {
		var has []string
		if in := d.In(); in.Count > 0 {
			has = append(has, in.String()+" in")
		}
		if out := d.Out(); out.Count > 0 {
			has = append(has, out.String()+" out")
		}
		return strings.Join(has, " ")
	}
	width := 0
	for _, d := range i.Devices() {
		width = max(width, len(halves(d)))
	}
	for _, way := range i.Ways {
		fmt.Fprintf(w, "    %s (%s)\n", way.API, kindWords[way.Kind].short)
		for _, d := range way.Devices {
			fmt.Fprintf(w, "      %-*s  \"%s\"\n", width, halves(d), exactName(infos, d))
		}
	}
}

// exactName returns what --card must be given for d: the name of its card where
// the sound system has given that of the device twice.
func exactName(infos []portaudio.Info, d portaudio.Device) string {
	n, of := 0, ""
	for _, i := range infos {
		for _, other := range i.Devices() {
			if other.Place == d.Place {
				of = i.Name
			}
			if other.String() == d.String() && (other.Inputs > 0) == (d.Inputs > 0) {
				n++
			}
		}
	}
	if n > 1 {
		return of
	}
	return d.String()
}

// legend explains the words in the table, and only those, a line each.
func legend(shown []portaudio.Info, details bool) string {
	var b strings.Builder
	line := func(word, meaning string) { fmt.Fprintf(&b, "%-22s  %s\n", word, meaning) }
	seen := map[portaudio.Kind]bool{}
	var defaults []string
	anything, loop := false, false
	for _, i := range shown {
		best := i.Best().Kind
		seen[best] = seen[best] || whatFor(i) == kindWords[best].short
		for _, way := range i.Ways {
			seen[way.Kind] = seen[way.Kind] || details
		}
		if i.Default {
			defaults = append(defaults, i.Name)
		}
		anything = anything || i.Inputs().Uncounted || i.Outputs().Uncounted
		loop = loop || i.Inputs().String() == "loop"
	}
	for kind := range portaudio.Plugin + 1 {
		if seen[kind] {
			line(kindWords[kind].short, kindWords[kind].long)
		}
	}
	if anything {
		line("any", "whatever it is asked for; what the card has is not known")
	}
	if loop {
		line("loop", "records what it plays itself; it has no input")
	}
	switch len(defaults) {
	case 0:
	case 1:
		line("*", `the default, --card ""`)
	default:
		line("*", `the defaults, --card "": one records, the other plays`)
	}
	return b.String()
}

// quotedWord quotes a name as the shells of all systems understand it, where
// there is a way.
func quotedWord(name string) string {
	if strings.ContainsAny(name, "\"$`\\!%") {
		return shellWord(name)
	}
	return `"` + name + `"`
}

// nextWithCard says what to type next, with the first of the cards.
func nextWithCard(infos []portaudio.Info) string {
	if i := infos[0]; canMeasure(i) {
		return "Next: tapload check --card " + quotedWord(portaudio.ShortName(infos, i, nextNameWidth))
	}
	return "None of these has two inputs and an output, which a jig needs: connect another."
}
