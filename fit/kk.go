package fit

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strconv"

	"tapload/measure/impedance"
)

// Fault is what makes a curve one that no linear load could give.
type Fault int

// The faults that a Kramers-Kronig test tells apart.
const (
	Consistent   Fault = iota // none was found
	GainStep                  // |Z| steps at one frequency, Size is the step relative to |Z|
	PhaseStep                 // the phase steps at one frequency, Size in rad
	Drift                     // |Z| drifts from the first to the last frequency by Size, relative to |Z|
	PhaseSign                 // the phase has the wrong sign: conj(Z) is consistent
	Inconsistent              // none of these
)

// KKResult is the outcome of a Kramers-Kronig test.
type KKResult struct {
	Percent  float64      // rms of the residual relative to |Z|
	Noise    float64      // percent of it that noise would leave, from the curve, or from its scatter where it states none
	Residual []complex128 // measured less consistent, ohm
	WorstHz  float64      // where the residual is largest, relative to |Z|

	Fault  Fault
	AtHz   float64 // of a step, between the two points where it is
	Size   float64 // of the fault
	SizeU  float64 // standard uncertainty of Size
	LowHz  float64 // band of the curve
	HighHz float64
}

// Limits of the test, chosen by us: a load passes with what it may have
// beyond the terms of the test, and a fault counts from the size on that
// matters to the parameters of a load.
const (
	kkTerms     = 12    // RC terms
	kkSpread    = 3     // their corner frequencies reach beyond the band by this factor
	kkFloor     = 0.002 // of |Z|: standard deviation allowed to each part beyond noise
	kkExcess    = 2     // weighted variance from which a curve is inconsistent
	kkPlace     = 20    // drop of chi-square that a step must be ahead of a drift, which has no place to choose
	kkSure      = 40    // drop of chi-square that makes a fault sure, with all places for a step tried
	kkMirror    = 9     // ratio of chi-squares, 3 in amplitude, that makes the sign wrong
	kkMostPeaks = 6
	kkHidden    = 3  // resonances without a peak of their own that are looked for
	kkLeast     = 24 // points
)

// least size of a fault that is named.
var kkSize = map[Fault]float64{GainStep: 0.005, PhaseStep: 0.005, Drift: 0.02}

// KK tests whether c can be the impedance of a linear, causal and stable load.
// It is a linear least-squares fit of terms each of which is: a resistance,
// an inductance, twelve RC terms 1/(1 + s tau) with signs of their own, and two
// terms s a/d and a^2/d for each resonance, d = s^2 + s a/Q + a^2, whose a and
// Q start from those given or, where that does better, from the peaks of the
// curve itself. What is left is what no such load explains. A load with more
// peaks than the test knows of shows as Inconsistent: the text of the warning
// says so.
//
// A gain or a phase that steps, a gain that drifts, and the phase's sign are
// named by adding each to the terms and looking at what it explains. A drift
// of the gain and a phase that is wrong by a constant look alike here.
//
// Method: B. A. Boukamp, J. Electrochem. Soc. 142(6), 1995; Schoenleber et
// al., Electrochim. Acta 131, 20-27, 2014. The columns for resonances and the
// test of named faults are our own.
func KK(c impedance.Curve, resonances []Resonance) (KKResult, error) {
	if err := c.Check(); err != nil {
		return KKResult{}, err
	}
	if len(c.Points) < kkLeast {
		return KKResult{}, fmt.Errorf("curve has %d points; a Kramers-Kronig test needs at least %d", len(c.Points), kkLeast)
	}
	for _, p := range c.Points {
		if p.Z == 0 {
			return KKResult{}, fmt.Errorf("impedance is 0 at %v Hz; a Kramers-Kronig test is relative to it", p.Hz)
		}
	}
	var given []pole
	for _, r := range resonances {
		if !(r.Hz.Value > 0 && r.Qms.Value > 0) {
			return KKResult{}, fmt.Errorf("resonance of %v Hz and Qms %v; both must be above 0", r.Hz.Value, r.Qms.Value)
		}
		given = append(given, pole{2 * math.Pi * r.Hz.Value, r.Qms.Value})
	}
	starts := [][]pole{given, peaks(c.Points)}

	t := newKKTest(c.Points, nil)
	best := t.fit(starts)
	if t.silent {
		// The scatter of the first residual is the only noise there is to know.
		t = newKKTest(c.Points, t.scatter(best.left))
		best = t.fit(starts)
	}
	r := t.result(best)

	mirrored := slices.Clone(c.Points)
	for i := range mirrored {
		mirrored[i].Z = cmplx.Conj(mirrored[i].Z)
	}
	m := newKKTest(mirrored, t.noise)
	if mirror := m.fit(starts); best.chi > kkExcess*t.free(best) && mirror.chi*kkMirror < best.chi {
		r.Fault = PhaseSign
		return r, nil
	}
	t.name(&r, best)
	more := best
	for range kkHidden {
		if r.Fault != Inconsistent {
			break
		}
		more = t.hidden(more)
		with := t.result(more)
		if t.name(&with, more); with.Fault != Inconsistent {
			r = with
		}
	}
	return r, nil
}

// Warning returns the sentence and code of the fault, and false when there is
// none.
func (r KKResult) Warning() (impedance.Warning, bool) {
	switch r.Fault {
	case Consistent:
		return impedance.Warning{}, false
	case GainStep:
		return impedance.Warning{Code: "kk-gain-step", Text: fmt.Sprintf("the curve is faulty: its level steps by %+.1f %% at %s, as no load does; look for a range switch, an automatic gain or a loose plug, and measure again", 100*r.Size, hertz(r.AtHz))}, true
	case PhaseStep:
		return impedance.Warning{Code: "kk", Text: fmt.Sprintf("the curve is faulty: its phase steps by %+.1f degrees at %s, as no load does; look for lost samples or two curves joined into one, and measure again", r.Size*180/math.Pi, hertz(r.AtHz))}, true
	case Drift:
		return impedance.Warning{Code: "kk-drift", Text: fmt.Sprintf("the curve is faulty: its level drifts by %+.1f %% from %s to %s, or its phase is off by %.1f degrees throughout; look for a warm coil, a changing level or a delay between the channels, and measure again", 100*r.Size, hertz(r.LowHz), hertz(r.HighHz), math.Abs(r.phase())*180/math.Pi)}, true
	case PhaseSign:
		return impedance.Warning{Code: "kk-phase-sign", Text: "the curve is faulty: its phase has the wrong sign, so that coils look like capacitors; turn the sign of the reactance or phase column round"}, true
	}
	return impedance.Warning{Code: "kk", Text: fmt.Sprintf("the curve fits no linear load of this kind: %.2g %% is left (noise leaves %.2g %%), most at %s; measure again, and if it stays, the load has a further resonance or a part that changes with level there", r.Percent, r.Noise, hertz(r.WorstHz))}, true
}

// hertz writes a frequency with its unit to four digits, without an exponent.
func hertz(f float64) string {
	places := max(0, 3-int(math.Floor(math.Log10(f))))
	return strconv.FormatFloat(f, 'f', places, 64) + " Hz"
}

// phase returns the constant phase error, in rad, that a drift cannot be told
// from: (s/w0)^e = 1 + e (ln(w/w0) + j pi/2) is consistent.
func (r KKResult) phase() float64 {
	return -math.Pi / 2 * r.Size / math.Log(r.HighHz/r.LowHz)
}

// pole is a pair of complex poles: angular frequency in rad/s and quality.
type pole struct{ a, q float64 }

// kkTest is a curve with its weights. Vectors hold the weighted real parts of
// all points and then the weighted imaginary parts.
type kkTest struct {
	points []impedance.Point
	noise  []float64 // variance of each part, ohm^2
	silent bool      // the curve states no noise
	weight []float64 // one over the standard deviation of each part, 1/ohm
	data   []float64
	smooth [][]float64 // resistance, inductance, RC terms
}

// newKKTest weights the points by the noise they state, or by the noise given.
func newKKTest(points []impedance.Point, noise []float64) *kkTest {
	t := &kkTest{points: points, noise: noise, silent: noise == nil}
	if noise == nil {
		t.noise = make([]float64, len(points))
		for i, p := range points {
			t.noise[i] = (p.Noise.RR + p.Noise.II) / 2
			t.silent = t.silent && t.noise[i] == 0
		}
	}
	t.weight = make([]float64, len(points))
	for i, p := range points {
		t.weight[i] = 1 / math.Hypot(kkFloor*cmplx.Abs(p.Z), math.Sqrt(t.noise[i]))
	}
	t.data = t.column(func(i int, _ complex128) complex128 { return points[i].Z })
	low, high := points[0].Hz/kkSpread, points[len(points)-1].Hz*kkSpread
	t.smooth = [][]float64{
		t.column(func(int, complex128) complex128 { return 1 }),
		t.column(func(_ int, s complex128) complex128 { return s }),
	}
	for k := range kkTerms {
		corner := 2 * math.Pi * low * math.Pow(high/low, float64(k)/(kkTerms-1))
		t.smooth = append(t.smooth, t.column(func(_ int, s complex128) complex128 { return 1 / (1 + s/complex(corner, 0)) }))
	}
	return t
}

func (t *kkTest) column(f func(i int, s complex128) complex128) []float64 {
	n := len(t.points)
	v := make([]float64, 2*n)
	for i, p := range t.points {
		z := f(i, complex(0, 2*math.Pi*p.Hz)) * complex(t.weight[i], 0)
		v[i], v[n+i] = real(z), imag(z)
	}
	return v
}

// kkFit is the consistent load nearest to the curve.
type kkFit struct {
	space *span
	poles []pole
	by    []float64 // factors of the poles' terms
	left  []float64 // weighted residual
	chi   float64
}

// fit returns the best fit from any of the starts.
func (t *kkTest) fit(starts [][]pole) kkFit {
	var best kkFit
	for i, start := range starts {
		if f := t.refine(start); i == 0 || f.chi < best.chi {
			best = f
		}
	}
	return best
}

// refine moves the poles of start by Gauss-Newton steps to where they leave
// least: a fit to a faulty curve, or a peak read off a grid, is not exact.
func (t *kkTest) refine(start []pole) kkFit {
	best := t.solve(start)
	for range 8 {
		if len(best.poles) == 0 {
			break
		}
		wide := best.space.clone()
		for _, d := range t.slopes(best.poles, best.by) {
			wide.add(d)
		}
		_, c := wide.project(t.data)
		moved := slices.Clone(best.poles)
		for k, d := range c[best.space.size():] {
			p, s := &moved[k/2], start[k/2]
			if k%2 == 0 {
				p.a = within(p.a*math.Exp(within(d, -0.05, 0.05)), 0.8*s.a, 1.25*s.a)
			} else {
				p.q = within(p.q*math.Exp(within(d, -0.7, 0.7)), s.q/5, 5*s.q)
			}
		}
		next := t.solve(moved)
		if !(next.chi < best.chi) {
			break
		}
		done := next.chi > best.chi*(1-1e-4)
		best = next
		if done {
			break
		}
	}
	return best
}

func within(x, low, high float64) float64 { return math.Min(math.Max(x, low), high) }

// solve returns the fit with fixed poles.
func (t *kkTest) solve(poles []pole) kkFit {
	f := kkFit{space: &span{}, poles: poles}
	for _, v := range t.smooth {
		f.space.add(v)
	}
	for _, p := range poles {
		for _, v := range t.resonance(p) {
			f.space.add(v)
		}
	}
	var c []float64
	f.left, c = f.space.project(t.data)
	f.chi = dot(f.left, f.left)
	f.by = c[len(t.smooth):]
	return f
}

// resonance returns the two terms of a pole.
func (t *kkTest) resonance(p pole) [2][]float64 {
	return [2][]float64{
		t.column(func(_ int, s complex128) complex128 { return s * complex(p.a, 0) / p.d(s) }),
		t.column(func(_ int, s complex128) complex128 { return complex(p.a*p.a, 0) / p.d(s) }),
	}
}

func (p pole) d(s complex128) complex128 { return s*s + s*complex(p.a/p.q, 0) + complex(p.a*p.a, 0) }

// slopes returns the derivatives of the resonances by ln a and ln Q of each.
func (t *kkTest) slopes(poles []pole, by []float64) [][]float64 {
	var out [][]float64
	for k, p := range poles {
		a, c1, c2 := complex(p.a, 0), complex(by[2*k], 0), complex(by[2*k+1], 0)
		out = append(out,
			t.column(func(_ int, s complex128) complex128 {
				d := p.d(s)
				n := (c1*s*a + c2*a*a) / d
				return (c1*s*a+2*c2*a*a)/d - n*(s*a/complex(p.q, 0)+2*a*a)/d
			}),
			t.column(func(_ int, s complex128) complex128 {
				d := p.d(s)
				return (c1*s*a + c2*a*a) / d * (s * a / complex(p.q, 0)) / d
			}))
	}
	return out
}

// free returns the degrees of freedom of f.
func (t *kkTest) free(f kkFit) float64 {
	return float64(2*len(t.points) - f.space.size() - 2*len(f.poles))
}

// scatter returns the variance of each part that the difference of neighbours
// in a residual shows (J. von Neumann, 1941): what is smooth drops out.
func (t *kkTest) scatter(left []float64) []float64 {
	n := len(t.points)
	var steps []float64
	for _, part := range [][]float64{left[:n], left[n:]} {
		for i := range n - 1 {
			d := (part[i+1] - part[i]) * kkFloor // the weight was 1/(kkFloor |Z|)
			steps = append(steps, d*d/2)
		}
	}
	slices.Sort(steps)
	// The median of chi-square with one degree of freedom is 0.4549; a jump
	// or two do not move it.
	v := steps[len(steps)/2] / 0.4549
	out := make([]float64, n)
	for i, p := range t.points {
		m := cmplx.Abs(p.Z)
		out[i] = v * m * m
	}
	return out
}

func (t *kkTest) result(f kkFit) KKResult {
	n := len(t.points)
	r := KKResult{Residual: make([]complex128, n), LowHz: t.points[0].Hz, HighHz: t.points[n-1].Hz}
	var sum, noise, worst float64
	for i, p := range t.points {
		r.Residual[i] = complex(f.left[i]/t.weight[i], f.left[n+i]/t.weight[i])
		m := cmplx.Abs(p.Z)
		e := cmplx.Abs(r.Residual[i]) / m
		sum += e * e
		noise += 2 * t.noise[i] / (m * m)
		if e > worst {
			worst, r.WorstHz = e, p.Hz
		}
	}
	r.Percent = 100 * math.Sqrt(sum/float64(n))
	r.Noise = 100 * math.Sqrt(noise/float64(n)*t.free(f)/float64(2*n))
	return r
}

// name finds the fault that explains most of what f leaves.
func (t *kkTest) name(r *KKResult, f kkFit) {
	space := f.space.clone()
	for _, d := range t.slopes(f.poles, f.by) {
		space.add(d) // the poles would move too
	}
	r.Fault, r.AtHz, r.Size, r.SizeU = Consistent, 0, 0, 0
	drop := 0.0
	keep := func(fault Fault, atHz, along, power float64) {
		size := along / power
		if gain := along * size; gain > drop && math.Abs(size) >= kkSize[fault] {
			drop = gain
			r.Fault, r.AtHz, r.Size, r.SizeU = fault, atHz, size, 1/math.Sqrt(power)
		}
	}
	// The consistent curve, not the measured one: noise would explain itself.
	z := t.consistent(f)
	t.steps(space, f, z, 1, func(at, along, power float64) { keep(GainStep, at, along, power) })
	t.steps(space, f, z, 1i, func(at, along, power float64) { keep(PhaseStep, at, along, power) })
	band := math.Log(r.HighHz / r.LowHz)
	v, _ := space.outside(t.column(func(i int, _ complex128) complex128 {
		return z[i] * complex(math.Log(t.points[i].Hz/r.LowHz)/band, 0)
	}))
	// A step has its place to choose, and near an end it looks like a drift.
	best := drop
	drop -= kkPlace
	keep(Drift, 0, dot(v, f.left), dot(v, v))
	if r.Fault != Drift {
		drop = best
	}

	if excess := f.chi - t.free(f); drop >= kkSure && drop >= excess/2 {
		return
	}
	r.Fault, r.AtHz, r.Size, r.SizeU = Consistent, 0, 0, 0
	if f.chi > kkExcess*t.free(f) {
		r.Fault = Inconsistent
	}
}

func (t *kkTest) consistent(f kkFit) []complex128 {
	n := len(t.points)
	z := make([]complex128, n)
	for i, p := range t.points {
		z[i] = p.Z - complex(f.left[i]/t.weight[i], f.left[n+i]/t.weight[i])
	}
	return z
}

// steps calls found for each place where turn*z may set in: with the part of
// the residual along it and its power outside space. Both are sums from the
// place to the end, so that one pass from the end makes all of them.
func (t *kkTest) steps(space *span, f kkFit, z []complex128, turn complex128, found func(atHz, along, power float64)) {
	const edge = 4 // points at an end, where a step is not told from noise
	n := len(t.points)
	v := t.column(func(i int, _ complex128) complex128 { return turn * z[i] })
	residual := make([]float64, space.size())
	for k, q := range space.q {
		residual[k] = dot(q, f.left)
	}
	parts := make([]float64, space.size())
	var along, power float64
	for i := n - 1; i >= edge; i-- {
		for _, at := range [2]int{i, n + i} {
			along += v[at] * f.left[at]
			power += v[at] * v[at]
			for k, q := range space.q {
				parts[k] += q[at] * v[at]
			}
		}
		if i > n-edge {
			continue
		}
		if outside := power - dot(parts, parts); outside > 1e-9*power {
			found(math.Sqrt(t.points[i-1].Hz*t.points[i].Hz), along-dot(parts, residual), outside)
		}
	}
}

// hidden adds to f the resonance that explains most of what it leaves: one
// that is too close to another, or too damped, to have a peak of its own.
func (t *kkTest) hidden(f kkFit) kkFit {
	const perDecade, q = 16, 2
	low, high := t.points[0].Hz, t.points[len(t.points)-1].Hz
	drop, at := 0.0, pole{}
	for hz := low; hz <= high; hz *= math.Pow(10, 1./perDecade) {
		p := pole{2 * math.Pi * hz, q}
		wide := f.space.clone()
		for _, v := range t.resonance(p) {
			wide.add(v)
		}
		left, _ := wide.outside(f.left)
		if d := f.chi - dot(left, left); d > drop {
			drop, at = d, p
		}
	}
	if drop == 0 {
		return f
	}
	return t.refine(append(slices.Clone(f.poles), at))
}

// peaks returns the resonances that stand out of |Z|, the highest first: Q from
// the width at the geometric mean of peak and shoulder (R. H. Small, JAES
// 20(5), 1972, from memory).
func peaks(points []impedance.Point) []pole {
	const stand = 1.1 // ratio of a peak to the dips beside it
	type peak struct {
		pole
		ratio float64
	}
	var found []peak
	m := make([]float64, len(points))
	for i, p := range points {
		m[i] = cmplx.Abs(p.Z)
	}
	for i := 1; i < len(m)-1; i++ {
		if m[i] < m[i-1] || m[i] <= m[i+1] {
			continue
		}
		left, right := dip(m, i, -1), dip(m, i, 1)
		base := math.Max(left, right)
		if m[i] < stand*base {
			continue
		}
		level := math.Sqrt(m[i] * base)
		low, high := i, i
		for low > 0 && m[low] > level {
			low--
		}
		for high < len(m)-1 && m[high] > level {
			high++
		}
		f := points[i].Hz
		q := f * math.Sqrt(m[i]/base) / (points[high].Hz - points[low].Hz)
		found = append(found, peak{pole{2 * math.Pi * f, q}, m[i] / base})
	}
	slices.SortFunc(found, func(a, b peak) int {
		if a.ratio > b.ratio {
			return -1
		}
		return 1
	})
	var out []pole
	for _, p := range found[:min(len(found), kkMostPeaks)] {
		out = append(out, p.pole)
	}
	return out
}

// dip returns the least of m between i and the next higher value on one side.
func dip(m []float64, i, step int) float64 {
	least := m[i]
	for k := i + step; k >= 0 && k < len(m) && m[k] <= m[i]; k += step {
		least = math.Min(least, m[k])
	}
	return least
}

// span is a space of vectors by an orthonormal basis, built one vector at a
// time by Gram-Schmidt with a second pass, which keeps it orthogonal however
// alike the vectors are.
type span struct {
	q [][]float64
	r [][]float64 // r[k] are the parts of vector k along q[0..k]
}

func (s *span) size() int { return len(s.q) }

func (s *span) clone() *span { return &span{slices.Clone(s.q), slices.Clone(s.r)} }

func (s *span) add(v []float64) {
	w, parts := s.outside(v)
	norm := math.Sqrt(dot(w, w))
	if norm <= 1e-11*math.Sqrt(dot(v, v)) {
		norm = 0 // nothing new: its factor is 0
	} else {
		for i := range w {
			w[i] /= norm
		}
	}
	s.q, s.r = append(s.q, w), append(s.r, append(parts, norm))
}

// outside returns the part of v that is not in s, and the parts that are.
func (s *span) outside(v []float64) (w, parts []float64) {
	w, parts = slices.Clone(v), make([]float64, len(s.q), len(s.q)+1)
	for range 2 {
		for k, q := range s.q {
			if k < len(s.r) && s.r[k][k] == 0 {
				continue
			}
			h := dot(q, w)
			parts[k] += h
			for i := range w {
				w[i] -= h * q[i]
			}
		}
	}
	return w, parts
}

// project returns what is left of v outside s, and the factors of the vectors
// of s that make up the rest.
func (s *span) project(v []float64) (left, factors []float64) {
	left, factors = s.outside(v)
	for k := len(s.q) - 1; k >= 0; k-- {
		if s.r[k][k] == 0 {
			factors[k] = 0
			continue
		}
		factors[k] /= s.r[k][k]
		for j := range k {
			factors[j] -= factors[k] * s.r[k][j]
		}
	}
	return left, factors
}

func dot(a, b []float64) float64 {
	var sum float64
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}
