package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// budgetEntry is what makes up the uncertainty at one place of a curve.
type budgetEntry struct {
	At    string        `json:"at"` // "minimum", "low-end" or "peak"
	Hz    float64       `json:"hz"`
	Ohm   float64       `json:"ohm"`
	U     float64       `json:"u"` // standard uncertainty (k = 1), ohm
	Parts []budgetShare `json:"parts"`
}

// budgetShare is what one cause adds.
type budgetShare struct {
	Source  string  `json:"source"` // "noise" or the kind of a shared error
	Percent float64 `json:"share_percent"`
	U       float64 `json:"u"` // standard uncertainty (k = 1), ohm
	Advice  string  `json:"advice"`
}

const (
	sourceNoise    = "noise"
	sourceChannels = "channels"
)

// budgetOf returns the budget where people read a curve: at its minimum, at
// the low end, where Re shows, and at the peak.
func budgetOf(c impedance.Curve) []budgetEntry {
	low, high := c.Extremes()
	dip, peak := c.Turns()
	if low == 0 && dip >= 0 {
		low = dip
	}
	if peak >= 0 {
		high = peak
	}
	entries := []budgetEntry{budgetAt(c, low, "minimum")}
	if low != 0 {
		entries = append(entries, budgetAt(c, 0, "low-end"))
	}
	return append(entries, budgetAt(c, high, "peak"))
}

func budgetAt(c impedance.Curve, i int, place string) budgetEntry {
	ohm, u := c.Modulus(i)
	b := budgetEntry{At: place, Hz: c.Points[i].Hz, Ohm: ohm, U: u}
	for _, s := range c.Budget(i) {
		source := sourceOf(s.ID)
		k := slices.IndexFunc(b.Parts, func(p budgetShare) bool { return p.Source == source })
		if k < 0 {
			k = len(b.Parts)
			b.Parts = append(b.Parts, budgetShare{Source: source, Advice: budgetAdvice(source)})
		}
		b.Parts[k].U = math.Hypot(b.Parts[k].U, s.U)
	}
	for k := range b.Parts {
		if u > 0 {
			b.Parts[k].Percent = 100 * (b.Parts[k].U / u) * (b.Parts[k].U / u)
		}
	}
	slices.SortStableFunc(b.Parts, func(x, y budgetShare) int { return cmp.Compare(y.U, x.U) })
	return b
}

// sourceOf returns the kind of a shared error, gain and phase of the channels
// as one, from its ID; "" is that of noise.
func sourceOf(id string) string {
	kind, _, _ := strings.Cut(id, ":")
	switch kind {
	case "":
		return sourceNoise
	case jig.ChannelGain, jig.ChannelPhase:
		return sourceChannels
	}
	return kind
}

func budgetAdvice(source string) string {
	switch source {
	case sourceNoise:
		return "raise --level, or average with --repeat"
	case sourceChannels:
		return "calibrate with \"tapload jig open\""
	case jig.SenseResistor:
		return "calibrate with \"tapload jig known\" and a closer resistor"
	case jig.KnownResistor:
		return "calibrate with a resistor of closer tolerance"
	case jig.Drift:
		return "let load and card rest or warm up, and sweep quieter"
	}
	return ""
}

func budgetText(source string) string {
	switch source {
	case sourceNoise:
		return "noise"
	case sourceChannels:
		return "mismatch of the inputs"
	}
	return limitText(source)
}

// printBudget writes tables no wider than 80 columns.
func printBudget(w io.Writer, budget []budgetEntry) {
	places := map[string]string{"minimum": "at the minimum", "low-end": "at the low end, where Re is read", "peak": "at the peak"}
	for _, b := range budget {
		fmt.Fprintf(w, "\nbudget %s: %s at %s\n", places[b.At], quantity.Of(b.Ohm, b.U).In("ohm"), quantity.Hz(b.Hz))
		for _, p := range b.Parts {
			fmt.Fprintf(w, "%5.1f %%  ± %-11s %s\n", p.Percent, quantity.Digits(2*p.U, 2)+" ohm", budgetText(p.Source))
		}
		if first := b.Parts[0]; first.Advice != "" && first.U > 0 {
			fmt.Fprintf(w, "  to do  %s\n", first.Advice)
		}
	}
}

// repeatEntry is one of several sweeps.
type repeatEntry struct {
	Minutes  float64 `json:"minutes"` // of sound before it
	LowOhm   float64 `json:"low_ohm"` // |Z| over the lowest octave
	Change   float64 `json:"change_percent"`
	UPercent float64 `json:"u_percent"` // k = 1, from noise
}

func repeatEntries(repeats []measure.Repeat) []repeatEntry {
	var list []repeatEntry
	for _, r := range repeats {
		list = append(list, repeatEntry{r.Seconds / 60, r.LowOhm, 100 * r.Change, 100 * r.ChangeU})
	}
	return list
}

func printRepeats(w io.Writer, repeats []repeatEntry) {
	if len(repeats) == 0 {
		return
	}
	fmt.Fprintf(w, "\nrepeat  minutes  |Z| low end  change since the first (± is k = 2)\n")
	for i, r := range repeats {
		fmt.Fprintf(w, "%6d  %7.1f  %7.3f ohm  ", i+1, r.Minutes, r.LowOhm)
		if i == 0 {
			fmt.Fprintln(w, "-")
			continue
		}
		fmt.Fprintf(w, "%+.3f %% ± %.3f %%\n", r.Change, 2*r.UPercent)
	}
}
