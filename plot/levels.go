package plot

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"
)

// singlePanel is a chart of curves in one panel over the band of frame. Its
// samples hold any quantity in place of ohms.
type singlePanel struct {
	frame  ImpedanceChart // title, labels of the curves, band and size
	traces [][]sample
	y      func(room int) axis // with at most room labels
	levels []level
	bands  []band
	keys   []key // after those of the curves
}

func (c singlePanel) draw(d pen) {
	left, right, bottom, top := aboutFrames(d, c.frame.Title, append(c.frame.keys(c.traces), c.keys...), d.unit*0.8)
	y := c.y(int((top - bottom) / d.unit / 1.6))
	frameLeft := left + besideFrame(d, y)
	frameRight := right - max(d.unit*0.8, besideLevels(d, c.levels)) // half of the last frequency's label
	p := c.frame.panels(d, frameLeft, frameRight)(bottom, top, y)
	for _, b := range c.bands {
		fillBand(d, p, p.Min.X, p.Max.X, b)
	}
	p.grid(d)
	mark(d, p, c.levels)
	for i, s := range c.traces {
		shade(d, p, i, s, modulus)
	}
	for i, s := range c.traces {
		c.frame.curve(d, p, i, s, modulus)
	}
	p.frame(d, left+d.unit*0.5, true)
}

// check returns the first thing wrong with frame or curves. what names the
// quantity.
func (c singlePanel) check(what string) error {
	if err := c.frame.checkFrame(); err != nil {
		return err
	}
	switch n := len(c.traces); {
	case n == 0:
		return fmt.Errorf("there is no curve to draw; give at least one")
	case n > maxTraces:
		return fmt.Errorf("%d curves cannot be told apart in one chart; draw at most %d", n, maxTraces)
	}
	for i, trace := range c.traces {
		label := c.frame.Traces[i].Label
		if label == "" {
			return fmt.Errorf("curve %d has no label", i+1)
		}
		inside := false
		for k, s := range trace {
			switch {
			case !(s.hz > 0) || math.IsInf(s.hz, 0) || k > 0 && s.hz <= trace[k-1].hz:
				return fmt.Errorf("%q: frequency %d, %g Hz, must be finite, above 0 and above the one before it", label, k, s.hz)
			case math.IsNaN(s.ohm) || math.IsInf(s.ohm, 0) || !(s.uOhm >= 0) || math.IsInf(s.uOhm, 0):
				return fmt.Errorf("%q: at %g Hz the %s %g ± %g is no number to draw", label, s.hz, what, s.ohm, s.uOhm)
			}
			inside = inside || c.frame.inBand(s.hz)
		}
		if !inside {
			return fmt.Errorf("%q has no point from %g to %g Hz; choose another band", label, c.frame.LowHz, c.frame.HighHz)
		}
	}
	return nil
}

// lineKey is a legend entry of a line.
func lineKey(name string, look func(d pen) stroke) key {
	return key{name, func(d pen, r vg.Rectangle) {
		y := (r.Min.Y + r.Max.Y) / 2
		d.lines(look(d), vg.Point{X: r.Min.X, Y: y}, vg.Point{X: r.Max.X, Y: y})
	}}
}
