package measure

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"tapload/fixtures/jig"
	"tapload/measure/impedance"
)

// Sources of uncertainty beside those that package jig names.
const (
	SourceNoise    = "noise"
	SourceChannels = "channels"       // gain and phase of the inputs, as one
	SourceShort    = "short-standard" // what the wire has of its own, resistance and inductance as one
)

// BudgetAt is what makes up the uncertainty at one place of a curve.
type BudgetAt struct {
	At    string        `json:"at"` // "minimum", "low-end" or "peak"
	Hz    float64       `json:"hz"`
	Ohm   float64       `json:"ohm"`
	U     float64       `json:"u"` // standard uncertainty (k = 1), ohm
	Parts []BudgetShare `json:"parts"`
}

// BudgetShare is what one source adds.
type BudgetShare struct {
	Source  string  `json:"source"`
	Percent float64 `json:"share_percent"` // of the variance
	U       float64 `json:"u"`             // standard uncertainty (k = 1), ohm
	Advice  string  `json:"advice"`
}

// Budget returns what makes up the uncertainty where people read a curve: at its
// minimum, at the low end, where Re shows, and at the peak.
func Budget(c impedance.Curve) []BudgetAt {
	low, high := c.Extremes()
	dip, peak := c.Turns()
	if low == 0 && dip >= 0 {
		low = dip
	}
	if peak >= 0 {
		high = peak
	}
	places := []BudgetAt{budgetAt(c, low, "minimum")}
	if low != 0 {
		places = append(places, budgetAt(c, 0, "low-end"))
	}
	return append(places, budgetAt(c, high, "peak"))
}

func budgetAt(c impedance.Curve, i int, place string) BudgetAt {
	ohm, u := c.Modulus(i)
	b := BudgetAt{At: place, Hz: c.Points[i].Hz, Ohm: ohm, U: u}
	for _, s := range c.Budget(i) {
		source := sourceOf(s.ID)
		k := slices.IndexFunc(b.Parts, func(p BudgetShare) bool { return p.Source == source })
		if k < 0 {
			k = len(b.Parts)
			b.Parts = append(b.Parts, BudgetShare{Source: source, Advice: budgetAdvice(source)})
		}
		b.Parts[k].U = math.Hypot(b.Parts[k].U, s.U)
	}
	for k := range b.Parts {
		if u > 0 {
			b.Parts[k].Percent = 100 * (b.Parts[k].U / u) * (b.Parts[k].U / u)
		}
	}
	slices.SortStableFunc(b.Parts, func(x, y BudgetShare) int { return cmp.Compare(y.U, x.U) })
	return b
}

// sourceOf returns the kind of a shared error from its ID; "" is that of noise.
func sourceOf(id string) string {
	kind, _, _ := strings.Cut(id, ":")
	switch kind {
	case "":
		return SourceNoise
	case jig.ChannelGain, jig.ChannelPhase:
		return SourceChannels
	case jig.ShortResistance, jig.ShortInductance:
		return SourceShort
	}
	return kind
}

func budgetAdvice(source string) string {
	switch source {
	case SourceNoise:
		return "raise --level, or average with --repeat"
	case SourceChannels:
		return "calibrate with \"tapload jig open\""
	case jig.SenseResistor:
		return "calibrate with \"tapload jig known\" and a closer resistor"
	case jig.KnownResistor:
		return "calibrate with a resistor of closer tolerance"
	case SourceShort:
		return "measure a load this small with a four-wire meter"
	case jig.Drift:
		return "let load and card rest or warm up, and sweep quieter"
	}
	return ""
}
