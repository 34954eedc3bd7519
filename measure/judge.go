package measure

import (
	"fmt"
	"math/cmplx"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
)

// What a ratio cannot be when source, sense resistor, load and both inputs are
// wired as they should be. The limits are far outside what they guard: with a
// sense resistor of 10 ohm, loads from 5 milliohm to 20 kilohm pass.
const (
	openAbove  = 1 - 5e-4 // |G|, at most points
	shortBelow = 5e-4     // |G|, at most points
	sameWithin = 1e-7     // |G - 1|: the two inputs carry the same samples
)

// plausible returns a Fault when g shows a jig that is wired wrong, or a load
// that is open or shorted.
func plausible(g ratio.Ratio, rec card.Recording) error {
	var open, short, same, over int
	for _, p := range g.Points {
		m := cmplx.Abs(p.G)
		switch {
		case cmplx.Abs(p.G-1) < sameWithin:
			same++
		case m > 1/openAbove:
			over++
		case cmplx.Abs(1-p.G) < 1-openAbove:
			open++
		case m < shortBelow:
			short++
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
	case short > most:
		return &card.Fault{
			Cause:  card.ShortedLoad,
			Text:   fmt.Sprintf("hardly any voltage at the load (input %d): the load looks shorted, or the lead of that input is off", in2),
			Advice: "check for a short in plug, lead and box, and the lead to that input",
		}
	}
	return nil
}

const (
	humWorthSaying   = 1e-3 // amplitude, fraction of full scale
	clockWorthSaying = 1.0  // ppm
)

// warnings says what rides in the record: what the recording showed that does
// not stop it, and what the jig leaves uncorrected.
func warnings(g ratio.Ratio, j jig.Jig) []impedance.Warning {
	w := []impedance.Warning{}
	add := func(code, format string, args ...any) {
		w = append(w, impedance.Warning{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	if j.GainU > 0 {
		add("uncalibrated", "the two inputs were taken as equal within the stated mismatch; calibrate the jig for better than that")
	}
	for _, l := range g.Seen.Mains {
		if peak := max(l.Peak[0], l.Peak[1]); peak > humWorthSaying {
			add("hum", "hum at %.2f Hz, %.1f %% of full scale, was taken out; points near it are less certain", l.Hz, 100*peak)
		}
	}
	if ppm := g.Seen.ClockPPM; ppm > clockWorthSaying || ppm < -clockWorthSaying {
		add("clock", "player and recorder run on clocks that differ by %.1f ppm: frequencies are those of the player's clock", ppm)
	}
	if n := g.Seen.LeftOut; n > 0 {
		add("left-out", "%d frequencies were left out: the signal does not rise above the noise there", n)
	}
	return w
}
