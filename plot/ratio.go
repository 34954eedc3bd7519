package plot

import (
	"cmp"
	"fmt"
	"math"

	units "tapload/measure/quantity"
)

// RatioChart shows over a log frequency axis what one quantity is of another,
// in percent: 100 is no change, on a log axis on which half and double stand as
// far from it. The shade is k = 2.
type RatioChart struct {
	Title   string
	Label   string    // of the curve
	Hz      []float64 // rising
	Percent []float64 // at each frequency, above 0
	U       []float64 // standard uncertainty of each
	Limit   Limit

	LowHz, HighHz     float64 // 0: 20 Hz and 20 kHz
	WidthMM, HeightMM float64 // 0: 180 mm and 120 mm
}

// OnPage checks c and returns it as a picture.
func (c RatioChart) OnPage() (Picture, error) {
	if len(c.Percent) != len(c.Hz) || len(c.U) != len(c.Hz) {
		return Picture{}, fmt.Errorf("ratio chart: %q has %d values and %d uncertainties at %d frequencies; they must be as many", c.Label, len(c.Percent), len(c.U), len(c.Hz))
	}
	frame := ImpedanceChart{Title: c.Title, LowHz: c.LowHz, HighHz: c.HighHz, WidthMM: c.WidthMM, HeightMM: cmp.Or(c.HeightMM, singleHeight), Traces: []Trace{{Label: c.Label}}}
	var trace []sample
	for i, hz := range c.Hz {
		trace = append(trace, sample{hz: hz, ohm: c.Percent[i], uOhm: c.U[i]})
	}
	p := singlePanel{frame: frame.complete(), traces: [][]sample{trace}, levels: []level{{at: 100, name: "no change", look: levelStroke}}}
	p.levels = append(p.levels, c.Limit.levels(100, p.frame)...)
	if err := p.check("ratio in percent"); err != nil {
		return Picture{}, fmt.Errorf("ratio chart: %w", err)
	}
	p.y = func(room int) axis {
		most := math.Log(1 + max(c.Limit.Percent, 1)/100*1.05)
		for s := range p.frame.within(trace) {
			for _, v := range []float64{s.ohm - coverage*s.uOhm, s.ohm + coverage*s.uOhm} {
				most = max(most, math.Abs(math.Log(max(v, leastRatio)/100)))
			}
		}
		return ratioAxis(1.08*most, room) // a curve along the frame would be hard to see
	}
	about := fmt.Sprintf("%s in percent over frequency, %s to %s", oneLine(c.Label), units.LimitHz(p.frame.LowHz), units.LimitHz(p.frame.HighHz))
	return p.frame.picture(about, p.draw), nil
}

// leastRatio is the least that an axis goes down to, in percent.
const leastRatio = 1.

// ratioAxis is a log axis in percent that reaches as far below 100 as above it:
// by most, as a natural logarithm.
func ratioAxis(most float64, room int) axis {
	a := axis{min: 100 * math.Exp(-most), max: 100 * math.Exp(most), log: true, name: "after / before (%)"}
	if most < math.Log(1.6) {
		step := evenStep((a.max - a.min) / float64(max(2, min(8, room))))
		a.ticks = evenTicks(a.min, a.max, step, func(v float64) string { return degrees(roundTo(v)) })
		return a
	}
	last := 0.
	gap := 1.3 * a.decades() / float64(max(room, 1))
	for _, v := range ratioSteps {
		if v < a.min || v > a.max {
			continue
		}
		t := tick{at: v}
		if v == 100 || math.Abs(math.Log10(v/100)) >= gap && (last == 0 || last == 100 || math.Log10(v/last) >= gap) {
			t.label, last = degrees(v), v
		}
		a.ticks = append(a.ticks, t)
	}
	return a
}

// ratioSteps are the percents that people read fast, as far below 100 as above.
var ratioSteps = []float64{1, 2, 5, 10, 20, 30, 50, 70, 100, 140, 200, 300, 500, 1000, 2000, 5000, 10000}
