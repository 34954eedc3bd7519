package plot

import (
	"iter"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/plot/vg"

	"tapload/measure/impedance"
)

// sample is one point of a curve as it is drawn.
type sample struct {
	hz       float64
	ohm, deg float64
	uOhm     float64 // k = 1
	uDeg     float64 // k = 1, at most 180
}

func samples(c impedance.Curve) []sample {
	out := make([]sample, len(c.Points))
	for i, p := range c.Points {
		ohm, u := c.Modulus(i)
		s := sample{hz: p.Hz, ohm: ohm, uOhm: u, deg: cmplx.Phase(p.Z) * 180 / math.Pi}
		across := math.Sqrt(c.Total(i).Along(p.Z * 1i)) // ohm
		s.uDeg = math.Min(across/ohm*180/math.Pi, 180)
		out[i] = s
	}
	return out
}

// within are the samples of traces within the band of c.
func (c ImpedanceChart) within(traces ...[]sample) iter.Seq[sample] {
	return func(yield func(sample) bool) {
		for _, trace := range traces {
			for _, s := range trace {
				if c.inBand(s.hz) && !yield(s) {
					return
				}
			}
		}
	}
}

// quantity is what one panel shows of a sample.
type quantity struct {
	of   func(sample) (v, u float64, ok bool) // value, standard uncertainty, whether there is one
	turn float64                              // what two values that mean the same differ by
}

var (
	modulus = quantity{func(s sample) (v, u float64, ok bool) { return s.ohm, s.uOhm, true }, math.Inf(1)}
	// There is no phase where |Z| is 0: it points nowhere.
	phase = quantity{func(s sample) (v, u float64, ok bool) { return s.deg, s.uDeg, s.ohm > 0 }, 360}
)

// runs cuts a trace where it has no value, and where the value jumps over the
// end of a turn, which is no part of the curve.
func (q quantity) runs(trace []sample) [][]sample {
	var out [][]sample
	start := 0
	cut := func(end, next int) {
		if end > start {
			out = append(out, trace[start:end])
		}
		start = next
	}
	last := math.NaN()
	for i, s := range trace {
		v, _, ok := q.of(s)
		switch {
		case !ok:
			cut(i, i+1)
			v = math.NaN()
		case math.Abs(v-last) > q.turn/2:
			cut(i, i)
		}
		last = v
	}
	cut(len(trace), len(trace))
	return out
}

func (q quantity) line(p panel, run []sample) []vg.Point {
	pts := make([]vg.Point, len(run))
	for i, s := range run {
		v, _, _ := q.of(s)
		pts[i] = p.at(s.hz, v)
	}
	return thinned(pts)
}

// thinStep is half a dot of the PNG, in points, and finer than any line: closer
// points cannot be seen.
const thinStep = 0.5 * 72. / pngDPI

// edges returns the upper and lower edge of the shade around a run, or
// nothing if it has no uncertainty.
func (q quantity) edges(p panel, run []sample) [][]vg.Point {
	var upper, lower []vg.Point
	any := false
	for _, s := range run {
		v, u, _ := q.of(s)
		upper = append(upper, p.at(s.hz, v+coverage*u))
		lower = append(lower, p.at(s.hz, v-coverage*u))
		any = any || u > 0
	}
	if !any {
		return nil
	}
	return [][]vg.Point{thinned(upper), thinned(lower)}
}

func shade(d pen, p panel, i int, trace []sample, q quantity) {
	for _, run := range q.runs(trace) {
		edges := q.edges(p, run)
		if edges == nil {
			continue
		}
		if len(run) == 1 { // an area needs a width
			half := vg.Point{X: d.unit * markRadius}
			for k, e := range edges {
				edges[k] = []vg.Point{e[0].Sub(half), e[0].Add(half)}
			}
		}
		slices.Reverse(edges[1])
		d.area(faded(i), p.clipArea(slices.Concat(edges...))...)
	}
}

// markRadius is the radius of the mark of a single point, in units.
const markRadius = 0.22

// marked tells whether a trace has so few points in the band that each shows.
func (c ImpedanceChart) marked(trace []sample) bool {
	n := 0
	for range c.within(trace) {
		n++
	}
	return n <= fewPoints
}

func (c ImpedanceChart) curve(d pen, p panel, i int, trace []sample, q quantity) {
	look := c.look(d, i)
	marked := c.marked(trace)
	for _, run := range q.runs(trace) {
		for _, part := range p.clip(q.line(p, run)) {
			d.lines(look, part...)
		}
		for _, s := range run {
			v, _, _ := q.of(s)
			at := p.at(s.hz, v)
			if marked && p.holds(at) {
				d.dot(look.color, at, d.unit*markRadius)
			}
		}
	}
}
