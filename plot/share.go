package plot

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"

	units "tapload/measure/quantity"
)

// Share is the part of the power that goes into one load.
type Share struct {
	Label string
	Part  []float64 // at each frequency, 0 to 1
	U     []float64 // standard uncertainty of each; nil if there is none
	Rated float64   // part by the arithmetic of rated ohms; 0 if not known
}

// ShareChart shows over a log frequency axis how loads share the power of
// their hookup, in percent, each with its share by rated ohms as a thin level.
// The shades are k = 2.
type ShareChart struct {
	Title  string
	Hz     []float64 // rising
	Shares []Share

	LowHz, HighHz     float64 // 0: 20 Hz and 20 kHz
	WidthMM, HeightMM float64 // 0: 180 mm and 120 mm
}

// OnPage checks c and returns it as a picture.
func (c ShareChart) OnPage() (Picture, error) {
	p := c.panel()
	err := c.check()
	if err == nil {
		err = p.check("share in percent")
	}
	if err != nil {
		return Picture{}, fmt.Errorf("share chart: %w", err)
	}
	var names []string
	for _, t := range p.frame.Traces {
		names = append(names, t.Label)
	}
	about := fmt.Sprintf("Share of the power in percent over frequency, %s to %s: %s",
		units.LimitHz(p.frame.LowHz), units.LimitHz(p.frame.HighHz), strings.Join(names, "; "))
	return p.frame.picture(about, p.draw), nil
}

func (c ShareChart) check() error {
	for _, s := range c.Shares {
		if len(s.Part) != len(c.Hz) || s.U != nil && len(s.U) != len(c.Hz) {
			return fmt.Errorf("%q has %d shares and %d uncertainties at %d frequencies; they must be as many", s.Label, len(s.Part), len(s.U), len(c.Hz))
		}
		if !(s.Rated >= 0 && s.Rated <= 1) {
			return fmt.Errorf("%q: a share of %g by rated ohms must lie from 0 to 1", s.Label, s.Rated)
		}
	}
	return nil
}

// singleHeight is the default height of a chart of one panel, in mm.
const singleHeight = 120

// ratedStroke is the look of a share by rated ohms.
func ratedStroke(col color.Color) func(pen) stroke {
	return func(d pen) stroke {
		return stroke{color: col, width: d.curveWidth() * 0.45, dash: []vg.Length{2, 3}}
	}
}

func (c ShareChart) panel() singlePanel {
	frame := ImpedanceChart{Title: c.Title, LowHz: c.LowHz, HighHz: c.HighHz, WidthMM: c.WidthMM, HeightMM: cmp.Or(c.HeightMM, singleHeight)}
	p := singlePanel{}
	most := 0.
	for i, s := range c.Shares {
		frame.Traces = append(frame.Traces, Trace{Label: s.Label})
		trace := make([]sample, 0, len(c.Hz))
		for k, hz := range c.Hz[:min(len(c.Hz), len(s.Part))] {
			at := sample{hz: hz, ohm: 100 * s.Part[k]}
			if k < len(s.U) {
				at.uOhm = 100 * s.U[k]
			}
			trace = append(trace, at)
		}
		p.traces = append(p.traces, trace)
		most = math.Max(most, 100*s.Rated)
		alike := func(o Share) bool { return o.Rated > 0 && math.Abs(o.Rated-s.Rated) < 1e-9 }
		if s.Rated == 0 || slices.ContainsFunc(c.Shares[:i], alike) {
			continue
		}
		look := ratedStroke(quietInk)
		if !slices.ContainsFunc(c.Shares[i+1:], alike) {
			look = ratedStroke(hues[i%len(hues)])
		}
		p.levels = append(p.levels, level{at: 100 * s.Rated, name: fmt.Sprintf("%.3g %%", 100*s.Rated), look: look})
	}
	p.frame = frame.complete()
	if len(p.levels) > 0 {
		p.keys = append(p.keys, lineKey("by rated ohms", ratedStroke(quietInk)))
	}
	p.y = func(room int) axis {
		for s := range p.frame.within(p.traces...) {
			most = math.Max(most, s.ohm)
		}
		step := evenStep(most * 1.05 / math.Max(2, math.Min(10, float64(room))))
		a := axis{max: math.Min(step*math.Ceil(most*1.05/step), 100), name: "share of the power (%)"}
		a.ticks = evenTicks(0, a.max, step, func(v float64) string { return degrees(roundTo(v) + 0) }) // + 0: no -0
		return a
	}
	return p
}
