package rating

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// halfWindow is how far, in octaves, the points that a minimum is taken over
// reach to either side: seven points of a curve with 48 an octave, over which
// |Z| of a load is a parabola. The lowest of many noisy single points would be
// low by twice their noise.
const halfWindow = 0.07

// By what part of it |Z| may differ from that in the middle, beyond noise, and
// still be of one parabola with it: on the flank of a sharp peak it is of none,
// whose vertex may lie below 0. The points next to the middle may differ more,
// since a sharp peak of a coarse curve has no others.
const (
	parabolic = 0.05
	nextTo    = 0.3
)

// mostWindows is about how many windows a curve is looked at through: the
// whole audible band has 80 that touch.
const mostWindows = 1000

type minimum struct {
	ohm quantity.Value
	hz  float64
}

// lowest returns the lowest |Z| of c from low to high and whether it lies at
// an end, towards which |Z| falls. At an end it is read at the end itself, by
// the points on both sides of it.
func lowest(c impedance.Curve, low, high float64) (m minimum, edge bool, err error) {
	p := c.Points
	first := slices.IndexFunc(p, func(q impedance.Point) bool { return q.Hz >= low })
	last := len(p) - 1
	for last >= 0 && p[last].Hz > high {
		last--
	}
	if first < 0 || first > last {
		return minimum{}, false, fmt.Errorf("the curve runs from %.4g to %.4g Hz and has no point in the rated range from %.0f to %.0f Hz; choose another range",
			p[0].Hz, p[len(p)-1].Hz, low, high)
	}
	low, high = max(low, p[0].Hz), min(high, p[len(p)-1].Hz)
	s := newScatter(c)
	m.ohm.Value = math.Inf(1)
	// Windows that overlap many times over find nothing new: of a curve with many
	// points one every so many is looked at, and the last.
	step := max(1, (last-first)/mostWindows)
	for i := first; i <= last; i = min(i+step, max(last, i+1)) {
		if got := s.turn(i, step, false, low, high); got.ohm.Value < m.ohm.Value {
			m = got
		}
	}
	// The lower end is the flank of a resonance, from which |Z| falls.
	return m, last > first && m.hz > high/(1+1e-9), nil
}

// highest returns the highest |Z| of c near hz, or where hz is 0 its highest
// turn inside the band, or the highest of all where it has none.
func highest(c impedance.Curve, hz float64) minimum {
	p := c.Points
	_, top := c.Extremes()
	if hz > 0 {
		near := func(q impedance.Point) bool { return q.Hz > hz/1.1 && q.Hz < hz*1.1 }
		for i := range p {
			if near(p[i]) && (!near(p[top]) || cmplx.Abs(p[i].Z) > cmplx.Abs(p[top].Z)) {
				top = i
			}
		}
	} else if _, peak := c.Turns(); peak >= 0 {
		top = peak
	}
	return newScatter(c).turn(top, 1, true, p[0].Hz, p[len(p)-1].Hz)
}

// scatter is a curve with the noise of its points.
type scatter struct {
	impedance.Curve
	own float64 // of |Z| relative to it where the curve states no noise
}

// newScatter finds the noise of a curve that states none: the median of what
// three neighbours leave of a line through them, whose squares have the
// expectation of the noise's times 1 + a^2 + b^2 with the weights a and b of the
// outer two.
func newScatter(c impedance.Curve) scatter {
	s := scatter{Curve: c}
	var left []float64
	for i := 1; i < len(c.Points)-1; i++ {
		a, b, d := c.Points[i-1], c.Points[i], c.Points[i+1]
		if b.Noise != (impedance.Cov{}) {
			return s
		}
		at := math.Log(b.Hz/a.Hz) / math.Log(d.Hz/a.Hz)
		m := cmplx.Abs(b.Z)
		e := (m - (1-at)*cmplx.Abs(a.Z) - at*cmplx.Abs(d.Z)) / m
		left = append(left, e*e/(1+at*at+(1-at)*(1-at)))
	}
	if len(left) > 0 {
		slices.Sort(left)
		const median = 0.4549 // of chi-square with one degree of freedom
		s.own = math.Sqrt(left[len(left)/2] / median)
	}
	return s
}

// variance is that of |Z| at point i by its noise.
func (s scatter) variance(i int) float64 {
	p := s.Points[i]
	own := s.own * cmplx.Abs(p.Z)
	return p.Noise.Along(p.Z) + own*own
}

// turn fits |Z| over ln f around point i by least squares with a parabola and
// returns its vertex if that is a minimum, or else the lower of its ends; it
// looks from low to high and from step points before to step points beyond only.
// Where peak is set it looks for the highest instead, by 1/|Z|^2, which is a
// parabola about a resonance however sharp that is: |Z| is Res/sqrt(1 + x^2) there
// with x = Q (f/f0 - f0/f).
func (s scatter) turn(i, step int, peak bool, low, high float64) minimum {
	p := s.Points
	from, to := i, i
	belongs := func(k int) bool {
		within := parabolic
		if k == i-1 || k == i+1 {
			within = nextTo
		}
		a, b := cmplx.Abs(p[i].Z), cmplx.Abs(p[k].Z)
		return math.Abs(a-b) < within*a+4*math.Sqrt(s.variance(i)+s.variance(k))
	}
	for from > 0 && (from == i || math.Log2(p[i].Hz/p[from-1].Hz) < halfWindow) && belongs(from-1) {
		from--
	}
	for to < len(p)-1 && (to == i || math.Log2(p[to+1].Hz/p[i].Hz) < halfWindow) && belongs(to+1) {
		to++
	}
	ohm, u := s.Modulus(i)
	point := minimum{quantity.Value{Value: ohm, U: math.Hypot(u, s.own*ohm)}, p[i].Hz}
	if from == i || to == i {
		return point
	}
	scale := math.Log(p[to].Hz / p[from].Hz)
	x := func(hz float64) float64 { return math.Log(hz/p[i].Hz) / scale }

	// Normal equations of 1, x, x^2; at most a few points, all within +-1.
	powers := func(x float64) [3]float64 { return [3]float64{1, x, x * x} }
	var normal [3][3]float64
	var b [3]float64
	exponent := 1.0
	if peak {
		exponent = -2
	}
	of := func(k int) float64 { return math.Pow(cmplx.Abs(p[k].Z), exponent) }
	for k := from; k <= to; k++ {
		v := powers(x(p[k].Hz))
		for r := range v {
			b[r] += v[r] * of(k)
			for n := range v {
				normal[r][n] += v[r] * v[n]
			}
		}
	}
	inv := inverse(normal)
	var a [3]float64
	for r := range a {
		a[r] = dot(inv[r], b)
	}
	at := best(a, max(x(low), x(p[max(i-step, from)].Hz)), min(x(high), x(p[min(i+step, to)].Hz)))
	m := minimum{hz: p[i].Hz * math.Exp(at*scale)}
	vertex := dot(a, powers(at))
	if !(vertex > 0) {
		return point
	}
	m.ohm.Value = math.Pow(vertex, 1/exponent)

	// The vertex is flat, so its uncertainty is that of the value at a fixed x,
	// which is a weighted sum of the points.
	variance := 0.
	shared := make([]float64, len(s.Shared))
	var row [3]float64
	for r := range row {
		row[r] = dot(inv[r], powers(at))
	}
	for k := from; k <= to; k++ {
		w := dot(row, powers(x(p[k].Hz))) * math.Pow(cmplx.Abs(p[k].Z), exponent-1) / vertex * m.ohm.Value
		variance += w * w * s.variance(k)
		mod := cmplx.Abs(p[k].Z)
		for n, src := range s.Shared {
			if mod > 0 {
				shared[n] += w * (real(p[k].Z)*real(src.DZ[k]) + imag(p[k].Z)*imag(src.DZ[k])) / mod
			}
		}
	}
	for _, d := range shared {
		variance += d * d
	}
	m.ohm.U = math.Sqrt(variance)
	return m
}

// best returns where between two x the parabola a is least.
func best(a [3]float64, from, to float64) float64 {
	if a[2] > 0 {
		if v := -a[1] / (2 * a[2]); v > from && v < to {
			return v
		}
	}
	if from*(a[1]+from*a[2]) < to*(a[1]+to*a[2]) {
		return from
	}
	return to
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// inverse returns the inverse of a symmetric matrix.
func inverse(m [3][3]float64) [3][3]float64 {
	var c [3][3]float64
	det := 0.
	for i := range 3 {
		for j := range 3 {
			a, b, d, e := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
			c[i][j] = m[a][d]*m[b][e] - m[a][e]*m[b][d]
		}
		det += m[0][i] * c[0][i]
	}
	for i := range 3 {
		for j := range 3 {
			c[i][j] /= det
		}
	}
	return c
}
