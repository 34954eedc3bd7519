package measure

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/ratio"
)

// What a ratio cannot be when source, sense resistor, load and both inputs are
// wired as they should be. With a sense resistor of 10 ohm, loads from 30
// milliohm to 3.3 kilohm pass: a load below looks like the crosstalk of -50 dB
// that an input with its lead off may hear, one above like the input's own 10
// kilohm.
const (
	openAbove  = 1 - 3e-3 // |G|, at most points
	shortBelow = 3e-3     // |G|, at most points
	sameWithin = 1e-7     // |G - 1|: the two inputs carry the same samples

	unequalBelow = 1.1 // |G| of an open load seen by inputs of unequal gain

	follows = 5 // standard deviations of the mean ratio by which V2 must follow V1
)

// plausible returns a Fault when g shows a jig that is wired wrong, or a load
// that is open or shorted, once all is corrected that the jig knows. A negative
// resistance is that of an inverted input where the ratio says so before the short
// standard is taken off; where not, that standard had more than is connected.
func plausible(g ratio.Ratio, j jig.Jig, rec card.Recording) error {
	var open, short, same, over, inverted, negative int
	ideal := make([]complex128, len(g.Points))
	for i, p := range g.Points {
		ideal[i] = j.Ideal(p)
		m := cmplx.Abs(ideal[i])
		switch {
		case cmplx.Abs(p.G-1) < sameWithin:
			same++
		case m < shortBelow:
			short++
		case real(ideal[i]) < 0:
			negative++
			if j.Inverted(p) {
				inverted++
			}
		case m > 1/openAbove:
			over++
		case cmplx.Abs(1-ideal[i]) < 1-openAbove:
			open++
		}
	}
	most := len(g.Points) / 2
	in1, in2 := rec.Inputs[0], rec.Inputs[1]
	switch {
	case same > most:
		return &card.Fault{
			Cause:  card.SameSignal,
			Text:   fmt.Sprintf("inputs %d and %d of %s carry the same signal", in1, in2, rec.Source),
			Advice: "the card may be recording in mono, or both leads are on one side of the sense resistor, or the load is not connected",
		}
	case !follow(g):
		return &card.Fault{
			Cause:  card.DeadInput,
			Text:   fmt.Sprintf("input %d does not hear the test signal, input %d does", in2, in1),
			Advice: "check the lead at the load, and that this input is switched on and turned up",
		}
	case short > most:
		return &card.Fault{
			Cause:  card.ShortedLoad,
			Text:   fmt.Sprintf("hardly any voltage at the load (input %d): the load looks shorted, or the lead of that input is off", in2),
			Advice: "check for a short in plug, lead and box, and the lead to that input",
		}
	case inverted > most, negative > most && !j.Has(jig.Short):
		return &card.Fault{
			Cause:  card.Inverted,
			Text:   fmt.Sprintf("inputs %d and %d have opposite polarity: the load would have a negative resistance", in1, in2),
			Advice: "swap the two wires of one input's lead, or turn off its phase switch",
		}
	case negative > most:
		return &card.Fault{
			Cause:  card.ShortedLoad,
			Text:   fmt.Sprintf("the load (input %d) has %s ohm less than the short standard of the jig: it looks shorted, or that standard had a lead or contact that is not there now", in2, quantity.Digits(belowShort(ideal, j), 2)),
			Advice: "check for a short in plug, lead and box; where a short is meant to be connected, measure the short standard anew as it is plugged now",
		}
	case over > most && unequal(j.End(g.Points)):
		return &card.Fault{
			Cause:  card.OpenLoad,
			Text:   fmt.Sprintf("both inputs hear the same but for their gains (%+.2f dB at input %d): the load looks open", 20*math.Log10(cmplx.Abs(ideal[len(ideal)/2])), in2),
			Advice: "check plug, lead and jack of the load",
		}
	case over > most:
		return &card.Fault{
			Cause:  card.Swapped,
			Text:   fmt.Sprintf("the voltage at the load (input %d) is above that before the sense resistor (input %d)", in2, in1),
			Advice: fmt.Sprintf("the two leads look swapped: swap them, or use --channels %d,%d", in2, in1),
		}
	case open > most:
		return &card.Fault{
			Cause:  card.OpenLoad,
			Text:   "hardly any current flows: the load looks open",
			Advice: "check plug, lead and jack of the load",
		}
	}
	return nil
}

// belowShort returns by how many ohms the ideal ratios lie below that of a short,
// their median.
func belowShort(ideal []complex128, j jig.Jig) float64 {
	ohm := make([]float64, len(ideal))
	for i, x := range ideal {
		ohm[i] = -j.SenseOhm * real(x/(1-x))
	}
	slices.Sort(ohm)
	return ohm[len(ohm)/2]
}

// follow reports whether V2 follows V1 at all. A shorted load leaves V2 the
// drop along some milliohms, an input without its lead nothing but noise. The
// mean over all points, weighted by their noise, shows far less than one point
// does; a real ratio, as of a short, adds up in it, and one that turns with
// frequency is looked for point by point.
func follow(g ratio.Ratio) bool {
	var sum complex128
	var weights float64
	beyond := 0
	for _, p := range g.Points {
		v := p.Noise.RR + p.Noise.II
		m := real(p.G)*real(p.G) + imag(p.G)*imag(p.G)
		if v == 0 {
			return m > 0
		}
		sum += p.G / complex(v, 0)
		weights += 1 / v
		if m > follows*follows*v {
			beyond++
		}
	}
	return cmplx.Abs(sum) > follows*math.Sqrt(weights) || beyond > len(g.Points)/4
}

// unequal reports whether e is an open end seen by inputs whose gains differ, by
// so little that inputs exchanged at a load are not as likely.
func unequal(e jig.End) bool { return e.Kind == jig.OpenEnd && e.Ratio < unequalBelow }

// shorted warns of a load that a check would call a short: ohms come out of it
// as well, of leads and plugs.
func shorted(j jig.Jig, g ratio.Ratio) []impedance.Warning {
	e := j.End(g.Points)
	if e.Kind != jig.ShortEnd {
		return nil
	}
	return []impedance.Warning{{Code: "looks-short", Text: fmt.Sprintf("this looks like a short of %.2g ohm, not a load: check for a short in plug, lead and box", e.Ohm)}}
}

// barelyAbove is the part of V1 that V2 is of at most points when the load is
// some ten times the sense resistor.
const barelyAbove = 0.9

const barelyText = "the load is more than ten times the sense resistor at most frequencies; an open load looks the same where the inputs' gains differ"

// barelyLoads reports whether V2 is hardly less than V1 at most points.
func barelyLoads(g ratio.Ratio) bool {
	n := 0
	for _, p := range g.Points {
		if cmplx.Abs(p.G) > barelyAbove {
			n++
		}
	}
	return 2*n > len(g.Points)
}
