package report

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"tapload/fixtures/setup"
	"tapload/measure/quantity"
)

// Setup is the page of what a workshop keeps of its bench, in a file.
func Setup(s setup.Setup, file string) Document {
	d := Document{Title: "Setup", Lead: "Nothing is kept of your bench yet: tapload setup --card NAME --sense-ohm 10 --sense-tolerance 1%"}
	var t Table
	for _, v := range setupValues(s) {
		t.add(v.label, v.text)
	}
	switch {
	case s.Measures():
		d.Lead = "Ready to measure: tapload sweep --label NAME"
	case len(t.Rows) > 0:
		d.Lead = "What to measure with is not kept yet: tapload setup --card NAME"
	default:
		d.add(Words("\"tapload cards\" lists the sound cards; the value of the sense resistor is marked on it, or measured with a good meter."))
		return d
	}
	t.add("file", file)
	d.add(t)
	d.add(Words("Flags and a job override it; --forget NAME removes one of " + strings.Join(s.Given(), ", ") + "."))
	return d
}

// SetupTaken says in a line what a command has taken of a setup, which is all of s.
func SetupTaken(s setup.Setup) string {
	return "From the setup: " + inShort(s) + "; flags override it."
}

// SetupBench is what s measures with, in a line.
func SetupBench(s setup.Setup) string {
	s.Forget("shop", "address", "paper")
	return inShort(s)
}

func inShort(s setup.Setup) string {
	var parts []string
	for _, v := range setupValues(s) {
		parts = append(parts, v.label+" "+v.short)
	}
	return strings.Join(parts, ", ")
}

// setupValue is one of a Setup in words.
type setupValue struct{ name, label, text, short string }

func setupValues(s setup.Setup) (all []setupValue) {
	given := s.Given()
	add := func(name, label, text, short string) {
		if slices.Contains(given, name) {
			all = append(all, setupValue{name, label, text, short})
		}
	}
	plain := func(name, label, text string) { add(name, label, text, text) }
	card := "that the system prefers"
	if s.Card != nil && *s.Card != "" {
		card = *s.Card
	}
	plain("card", "card", card)
	add("bench", "virtual bench", s.Bench, filepath.Base(s.Bench))
	plain("player", "player", s.Player)
	if len(s.Channels) == 2 {
		plain("channels", "inputs", fmt.Sprintf("%d and %d", s.Channels[0], s.Channels[1]))
	}
	plain("rate", "sample rate", fmt.Sprintf("%d Hz", s.RateHz))
	if s.LevelDB != nil {
		plain("level", "level", quantity.Plain(*s.LevelDB)+" dB")
	}
	plain("full-scale-volt", "full scale", quantity.Plain(s.FullScaleVolt)+" V")
	sense := quantity.Plain(s.SenseOhm) + " ohm"
	if p := s.SenseTolerancePercent; p != nil {
		if s.SenseOhm > 0 {
			sense += " within " + quantity.Stated(*p/100)
		} else {
			plain("sense-tolerance", "sense tolerance", quantity.Stated(*p/100))
		}
	}
	plain("sense-ohm", "sense resistor", sense)
	if p := s.MismatchPercent; p != nil {
		plain("mismatch", "mismatch of the inputs", quantity.Stated(*p/100))
	}
	add("jig", "jig", s.Jig, filepath.Base(s.Jig))
	plain("shop", "shop", s.Shop)
	plain("address", "address", strings.ReplaceAll(s.Address, "\n", ", "))
	plain("paper", "paper", s.Paper)
	return all
}
