package plot

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"
)

// Gap is by how much |Z| of a curve differs from that of another, over
// frequency; the shade is k = 2.
type Gap struct {
	Name    string    // of the axis, such as "after less before"; that and the limit of the first count for all
	Trace   int       // of Traces, whose look it has
	Hz      []float64 // rising
	Percent []float64 // of the other's |Z|
	U       []float64 // standard uncertainty of each
	Limit   Limit
}

// Limit is by how much a quantity may differ either way, in percent; 0: it has
// none. It does not hold from OutLowHz to OutHighHz.
type Limit struct{ Percent, OutLowHz, OutHighHz float64 }

// levels are the two lines of l about the value of no difference, 0 or 100.
func (l Limit) levels(zero float64, c ImpedanceChart) []level {
	if l.Percent <= 0 {
		return nil
	}
	var all []level
	for _, v := range []float64{zero + l.Percent, zero - l.Percent} {
		if v <= 0 && zero > 0 {
			continue
		}
		name := fmt.Sprintf("limit %+g", v)
		if zero > 0 {
			name = fmt.Sprintf("limit %g", v)
		}
		one := level{at: v, name: strings.Replace(name, "-", "−", 1), look: limitStroke}
		if l.OutHighHz <= c.LowHz || l.OutLowHz >= c.HighHz {
			all = append(all, one)
			continue
		}
		one.low, one.high = l.OutHighHz, c.HighHz
		all = append(all, one)
		one.low, one.high, one.name = c.LowHz, l.OutLowHz, ""
		all = append(all, one)
	}
	return all
}

func (c ImpedanceChart) checkGaps() error {
	for _, g := range c.Gaps {
		if g.Trace < 0 || g.Trace >= len(c.Traces) {
			return fmt.Errorf("a difference belongs to curve %d of %d", g.Trace+1, len(c.Traces))
		}
		p := singlePanel{frame: c, traces: [][]sample{g.samples()}}
		p.frame.Traces = []Trace{{Label: c.Traces[g.Trace].Label}}
		if len(g.Percent) != len(g.Hz) || len(g.U) != len(g.Hz) {
			return fmt.Errorf("there are %d differences and %d uncertainties at %d frequencies; they must be as many", len(g.Percent), len(g.U), len(g.Hz))
		}
		if err := p.check("difference in percent"); err != nil {
			return err
		}
	}
	return nil
}

func (g Gap) samples() []sample {
	all := make([]sample, 0, len(g.Hz))
	for i, hz := range g.Hz[:min(len(g.Hz), len(g.Percent), len(g.U))] {
		all = append(all, sample{hz: hz, ohm: g.Percent[i], uOhm: g.U[i]})
	}
	return all
}

// gapAxis holds every difference and limit in the band, evenly to both sides of 0.
func (c ImpedanceChart) gapAxis(room int) axis {
	most := 0.9 // percent: less is no difference to anybody
	for _, g := range c.Gaps {
		most = math.Max(most, 1.15*g.Limit.Percent)
		for s := range c.within(g.samples()) {
			most = math.Max(most, math.Abs(s.ohm))
		}
	}
	return evenAxis("%", 1.05*most, room)
}

// evenAxis reaches at least to most on both sides of 0.
func evenAxis(name string, most float64, room int) axis {
	most = ladder(most, true)
	a := axis{min: -most, max: most, name: name}
	steps := math.Max(1, math.Min(float64(room), 4)/2)
	a.ticks = evenTicks(a.min, a.max, evenStep(most/steps), func(v float64) string {
		if math.Abs(v) < most*1e-9 {
			return "0"
		}
		return degrees(roundTo(v))
	})
	return a
}

// gapLevels are the limits of the differences.
func (c ImpedanceChart) gapLevels() []level {
	if len(c.Gaps) == 0 {
		return nil
	}
	return c.Gaps[0].Limit.levels(0, c)
}

// gaps draws the differences of c over their limits.
func (c ImpedanceChart) gaps(d pen, p panel) {
	if len(c.Gaps) == 0 {
		return
	}
	zero := p.level(0)
	d.lines(stroke{color: frameGrey, width: d.unit * 0.09}, vg.Point{X: p.Min.X, Y: zero}, vg.Point{X: p.Max.X, Y: zero})
	mark(d, p, c.gapLevels())
	c.FirstBroad = false
	for _, g := range c.Gaps {
		shade(d, p, g.Trace, g.samples(), modulus)
	}
	for _, g := range c.Gaps {
		c.curve(d, p, g.Trace, g.samples(), modulus)
	}
}

func limitStroke(d pen) stroke {
	return stroke{color: ink, width: d.unit * 0.1, dash: []vg.Length{6, 4}}
}
