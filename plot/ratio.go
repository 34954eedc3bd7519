package plot

import (
	"cmp"
	"fmt"
	"math"
)

// RatioChart shows over a log frequency axis what one quantity is of another,
// in percent: 100 is no change. The shade is k = 2.
type RatioChart struct {
	Title   string
	Label   string    // of the curve
	Hz      []float64 // rising
	Percent []float64 // at each frequency, above 0
	U       []float64 // standard uncertainty of each

	LowHz, HighHz     float64 // 0: 20 Hz and 20 kHz
	WidthMM, HeightMM float64 // 0: 180 mm and 110 mm
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
	p := singlePanel{frame: frame.complete(), traces: [][]sample{trace}, levels: []level{{100, "no change", levelStroke}}}
	if err := p.check("ratio in percent"); err != nil {
		return Picture{}, fmt.Errorf("ratio chart: %w", err)
	}
	p.y = func(room int) axis {
		least, most := 99., 101.
		for s := range p.frame.within(trace) {
			least, most = math.Min(least, s.ohm-2*s.uOhm), math.Max(most, s.ohm+2*s.uOhm)
		}
		step := evenStep((most - least) / math.Max(2, math.Min(8, float64(room))))
		a := axis{min: step * math.Floor(least/step), max: step * math.Ceil(most/step), name: "after / before (%)"}
		a.ticks = evenTicks(a.min, a.max, step, func(v float64) string { return degrees(roundTo(v) + 0) }) // + 0: no -0
		return a
	}
	about := fmt.Sprintf("%s in percent over frequency, %s to %s", oneLine(c.Label), frequency(p.frame.LowHz), frequency(p.frame.HighHz))
	return p.frame.picture(about, p.draw), nil
}
