package fit

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

// spread is the uncertainty of the solver's parameters: their covariance from
// noise and misfit, and how far one standard uncertainty of each shared source
// moves them.
type spread struct {
	sigma  *mat.SymDense
	shifts [][]float64
}

// of returns the standard uncertainty of a quantity with the given derivatives.
func (u spread) of(gradient []float64) float64 {
	g := mat.NewVecDense(len(gradient), gradient)
	v := mat.Inner(g, u.sigma, g)
	for _, shift := range u.shifts {
		d := mat.Dot(g, mat.NewVecDense(len(shift), shift))
		v += d * d
	}
	return math.Sqrt(max(v, 0))
}

// value returns f at p with its standard uncertainty, by central differences.
func (u spread) value(p []float64, f func(p []float64) float64) Value {
	const h = 1e-5
	gradient := make([]float64, len(p))
	q := append([]float64(nil), p...)
	for k := range p {
		q[k] = p[k] + h
		up := f(q)
		q[k] = p[k] - h
		gradient[k] = (up - f(q)) / (2 * h)
		q[k] = p[k]
	}
	if len(p) == 0 {
		return Value{Value: f(p)}
	}
	return Value{f(p), u.of(gradient)}
}

// shifts returns what each shared source does to the parameters of t: the
// solution of the weighted least-squares problem for its change of Z.
func (s *search) shifts(t *trial) [][]float64 {
	j := s.jacobian(t)
	var all [][]float64
	for _, source := range s.c.Shared {
		b := mat.NewVecDense(2*len(s.tones), nil)
		for i, dz := range source.DZ {
			re, im := t.white[i].of(dz)
			b.SetVec(2*i, re)
			b.SetVec(2*i+1, im)
		}
		var x mat.VecDense
		shift := make([]float64, t.size())
		if err := x.SolveVec(j, b); err == nil {
			copy(shift, x.RawVector().Data)
		}
		all = append(all, shift)
	}
	return all
}

// result says of the best trial what a Result holds.
func (s *search) result(t *trial) Result {
	s.order(t)
	u := spread{s.sigma(t), s.shifts(t)}
	r := Result{
		Model: t.Model, Pinned: t.pinned > 0, Misfit: t.misfit, DOF: 2*len(s.tones) - t.size(),
		Residual: t.residual, Candidates: s.candidates(), Status: Converged,
	}
	if r.Misfit <= 2*leastMisfit {
		r.Misfit = 0
	}
	re := func(p []float64) float64 { v := t.at(p); return v.re }
	r.Re = u.value(t.p, re)
	for k := range t.Resonances {
		qes := func(p []float64) float64 { v := t.at(p); return v.q[k] * v.re / v.r[k] }
		r.Resonances = append(r.Resonances, Resonance{
			Hz:  u.value(t.p, func(p []float64) float64 { v := t.at(p); return v.f[k] }),
			Qms: u.value(t.p, func(p []float64) float64 { v := t.at(p); return v.q[k] }),
			Qes: u.value(t.p, qes),
			Qts: u.value(t.p, func(p []float64) float64 { v := t.at(p); return v.q[k] * qes(p) / (v.q[k] + qes(p)) }),
			Res: u.value(t.p, func(p []float64) float64 { v := t.at(p); return v.r[k] }),
		})
	}
	r.Coil = t.coilResult(u)
	r.Min, r.Max = s.extremes(t, u)

	values, by := t.natural(t.p)
	for i, name := range t.names() {
		r.Parameters = append(r.Parameters, Parameter{name, values[i], u.of(by[i])})
	}
	r.Covariance = make([][]float64, len(values))
	for i := range values {
		r.Covariance[i] = make([]float64, len(values))
		for k := range values {
			r.Covariance[i][k] = mat.Inner(mat.NewVecDense(len(by[i]), by[i]), u.sigma, mat.NewVecDense(len(by[k]), by[k]))
		}
	}
	for i, source := range s.c.Shared {
		shift := Shift{ID: source.ID}
		for k := range values {
			shift.Parameters = append(shift.Parameters, mat.Dot(mat.NewVecDense(len(by[k]), by[k]), mat.NewVecDense(len(values), u.shifts[i])))
		}
		if !r.Pinned {
			shift.Re = shift.Parameters[0]
		}
		r.Shifts = append(r.Shifts, shift)
	}
	r.ChiSquare = s.chiSquare(t)
	r.Warnings = s.warnings(r)
	return r
}

// order sorts the resonances of t by frequency.
func (s *search) order(t *trial) {
	i := t.first()
	for a := range t.Resonances {
		for b := a + 1; b < t.Resonances; b++ {
			x, y := t.p[i+3*a:i+3*a+3], t.p[i+3*b:i+3*b+3]
			if y[0] < x[0] {
				for k := range 3 {
					x[k], y[k] = y[k], x[k]
				}
			}
		}
	}
}

func (t *trial) coilResult(u spread) Coil {
	pick := func(f func(v form) float64) Value {
		return u.value(t.p, func(p []float64) float64 { return f(t.at(p)) })
	}
	c := Coil{Kind: t.Coil}
	switch t.Coil {
	case Inductor, Ladder, Shunted:
		c.L = pick(func(v form) float64 { return v.l })
	}
	switch t.Coil {
	case Ladder:
		c.L2, c.R2 = pick(func(v form) float64 { return v.l2 }), pick(func(v form) float64 { return v.r2 })
	case Power, Shunted:
		c.K = pick(func(v form) float64 { return v.x * math.Pow(2*math.Pi*coilHz, -v.n) })
		c.N = pick(func(v form) float64 { return v.n })
	}
	if t.Coil != NoCoil {
		w := 2 * math.Pi * coilHz
		c.LeAt1k = pick(func(v form) float64 { return imag(v.coil(newTone(coilHz), nil)) / w })
	}
	return c
}

// extremes returns the least |Z| above the first resonance, and the greatest
// in the neighbourhood of the resonances: a coil makes |Z| rise without end,
// which says nothing of the load. What the model leaves of the curve may lie
// on the extreme too, half of its variance along Z. To first order the
// frequency of an extreme adds nothing to its uncertainty.
func (s *search) extremes(t *trial, u spread) (least, greatest Extreme) {
	v := t.at(t.p)
	modulus := func(hz float64) float64 { return cmplx.Abs(v.z(newTone(hz), nil)) }
	last := v.f[t.Resonances-1]
	most := s.within(v.f[0]/1.5, last*1.5, func(hz float64) float64 { return -modulus(hz) })
	low := s.within(v.f[0], s.high, modulus)
	at := func(hz float64) Extreme {
		ohm := u.value(t.p, func(p []float64) float64 {
			w := t.at(p)
			return cmplx.Abs(w.z(newTone(hz), nil))
		})
		ohm.U = math.Hypot(ohm.U, t.misfit*ohm.Value/math.Sqrt2)
		return Extreme{ohm, hz}
	}
	return at(low), at(most)
}

// within returns where f is least between two frequencies inside the band: on
// a grid of 96 an octave, then by golden section.
func (s *search) within(from, to float64, f func(float64) float64) float64 {
	from, to = max(from, s.low), min(to, s.high)
	step := math.Exp2(1.0 / 96)
	best := from
	for hz := from; hz < to; hz *= step {
		if f(hz) < f(best) {
			best = hz
		}
	}
	if f(to) < f(best) {
		best = to
	}
	lo, hi := max(best/step, from), min(best*step, to)
	for hi/lo > 1+1e-9 {
		const g = 0.3819660112501051
		a, b := lo+g*(hi-lo), hi-g*(hi-lo)
		if f(a) < f(b) {
			hi = b
		} else {
			lo = a
		}
	}
	return (lo + hi) / 2
}

// MainShare is the part of Re that a resonance adds from which it is one of
// those a load is told by, and not a wrinkle that the cone or the box leaves.
const MainShare = 0.25

// firstMain returns the frequency of the lowest main resonance, or of the lowest
// where none is one.
func (r Result) firstMain() float64 {
	for _, s := range r.Resonances {
		if s.Res.Value >= MainShare*r.Re.Value {
			return s.Hz.Value
		}
	}
	return r.Resonances[0].Hz.Value
}

const (
	looseRe   = 0.05 // relative standard uncertainty of Re from noise and misfit
	highStart = 0.6  // of the first resonance
	dcApart   = 0.02 // beyond the uncertainty
)

// warnings says what a user must know before he believes r.
func (s *search) warnings(r Result) []impedance.Warning {
	w := []impedance.Warning{}
	add := func(code, format string, args ...any) {
		w = append(w, impedance.Warning{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	noiseless := true
	for _, v := range s.variance {
		noiseless = noiseless && v == 0
	}
	if noiseless {
		add("noise-estimated", "the curve states no noise: uncertainties come from its scatter about the fit")
	}
	if first := r.firstMain(); !r.Pinned && s.low > highStart*first {
		add("re-undetermined", "the curve begins at %.4g Hz, too close to the resonance at %.4g Hz to tell Re: sweep from lower, or give a DC reading with --re-ohm", s.low, first)
	} else if !r.Pinned && r.Re.U > looseRe*r.Re.Value {
		add("re-undetermined", "Re is uncertain by %.2g %%: noise, or what the fit leaves of the curve, hides it; sweep longer or louder, or give a DC reading with --re-ohm", 200*r.Re.U/r.Re.Value)
	}
	if dc := s.o.DCOhm; dc > 0 {
		if d := math.Abs(dc - r.Re.Value); d > 2*r.Re.U+dcApart*dc {
			add("dc-disagrees", "the DC reading of %.3g ohm and Re of %.3g ohm disagree: the meter's leads were not taken off, the coil was warm, one driver of several is open, or the sense resistor is not what was stated", dc, r.Re.Value)
		}
	}
	return w
}
