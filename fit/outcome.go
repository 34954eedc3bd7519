package fit

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// spread is the uncertainty of the solver's parameters: their covariance from
// noise and misfit, and how far one standard uncertainty of each shared source
// moves them.
type spread struct {
	sigma  *mat.SymDense
	shifts [][]float64
	q, r   *mat.Dense // as factors returns them
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

// sd is the standard uncertainty of parameter k.
func (u spread) sd(k int) float64 {
	v := u.sigma.At(k, k)
	for _, shift := range u.shifts {
		v += shift[k] * shift[k]
	}
	return math.Sqrt(v)
}

// value returns f at p with its standard uncertainty, by central differences.
func (u spread) value(p []float64, f func(p []float64) float64) quantity.Value {
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
		return quantity.Value{Value: f(p)}
	}
	return quantity.Of(f(p), u.of(gradient))
}

// spread returns the uncertainty of the parameters of t, of which there is none
// where t has none.
func (s *search) spread(t *trial) spread {
	if t.size() == 0 {
		return spread{}
	}
	q, r := s.factors(t)
	return spread{s.sigma(t, q, r), s.shifts(t, q, r), q, r}
}

// shifts returns what each shared source does to the parameters of t, whose J is
// q r: the solution of the weighted least-squares problem for its change of Z,
// within reason.
func (s *search) shifts(t *trial, q, r *mat.Dense) [][]float64 {
	var all [][]float64
	for _, source := range s.c.Shared {
		var along, x mat.VecDense
		along.MulVec(q.T(), t.whitened(source.DZ))
		shift := make([]float64, t.size())
		if err := x.SolveVec(r, &along); err == nil || poor(err) {
			copy(shift, x.RawVector().Data)
		}
		all = append(all, shift)
	}
	return all
}

// result says of the best trial what a Result holds.
func (s *search) result(t *trial) Result {
	stand := s.order(t)
	u := s.spread(t)
	widen := func(at int, by float64) { u.sigma.SetSym(at, at, u.sigma.At(at, at)+by*by) }
	if t.pinned == 0 {
		widen(0, s.between(t))
	}
	s.addLacking(t, u)
	if t.bypassed {
		// What the capacitor does to the main resonance is hardly seen apart from it.
		v := t.at(t.p)
		main := 0
		for k, r := range v.r[:stand] {
			if r > v.r[main] {
				main = k
			}
		}
		widen(t.first()+3*main, math.Log(s.peak(t, stand)/v.f[main]))
	}
	r := Result{
		Model: t.Model, Pinned: t.pinned > 0, Misfit: t.misfit, DOF: 2*len(s.tones) - t.size(),
		Residual: t.residual, Candidates: s.candidates(), Status: Converged,
	}
	if r.Misfit <= 2*leastMisfit {
		r.Misfit = 0
	}
	values, by := t.natural(t.p)
	r.Re.Value = t.pinned
	r.Coil.Kind, r.Suspension.Kind = t.Coil, t.Suspension
	r.Resonances, r.Wrinkles = make([]Resonance, stand), make([]Resonance, t.Resonances-stand)
	for i, name := range t.names() {
		v := quantity.Of(values[i], u.of(by[i]))
		*r.Parameter(name) = v
		r.Parameters = append(r.Parameters, Parameter{name, v.Value, v.U})
	}
	for k := range t.Resonances {
		qes := func(p []float64) float64 { v := t.at(p); return v.q[k] * v.re / v.r[k] }
		r.resonance(k).Qes = u.value(t.p, qes)
		r.resonance(k).Qts = u.value(t.p, func(p []float64) float64 { v := t.at(p); return v.q[k] * qes(p) / (v.q[k] + qes(p)) })
	}
	if t.Coil != NoCoil {
		r.Coil.LeAt1k = u.value(t.p, func(p []float64) float64 { v := t.at(p); return t.Coil.inductance(&v.coil) })
	}
	r.Min, r.Max = s.extremes(t, stand, u)

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
		r.Shifts = append(r.Shifts, shift)
	}
	r.ChiSquare = s.chiSquare(t)
	r.LowHz, r.HighHz = s.low, s.high
	switch {
	case s.blocked:
		r.Crossover = SeriesCapacitor
	case t.Padded:
		r.Crossover = Pad
	}
	r.Warnings = s.warnings(r)
	return r
}

// order sorts the resonances of t by frequency, its wrinkles behind them, and
// returns how many are not wrinkles.
func (s *search) order(t *trial) (stand int) {
	type one struct {
		p       [3]float64
		turn    float64
		wrinkle bool
	}
	u, v := s.spread(t), t.at(t.p)
	var all []one
	for k := range t.Resonances {
		i := t.first() + 3*k
		wrinkle := s.stands(t, u, k) != nil
		if !wrinkle {
			stand++
		}
		all = append(all, one{[3]float64(t.p[i : i+3]), v.turn[k], wrinkle})
	}
	slices.SortStableFunc(all, func(a, b one) int {
		return cmp.Or(falseFirst(a.wrinkle, b.wrinkle), cmp.Compare(a.p[0], b.p[0]))
	})
	for k, a := range all {
		copy(t.p[t.first()+3*k:], a.p[:])
		if k < t.turns() {
			t.p[t.turnsAt()+k] = a.turn
		}
	}
	return stand
}

// falseFirst compares as cmp.Compare does.
func falseFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// extremes returns the least |Z| above the first resonance, and the greatest
// in the neighbourhood of the resonances: a coil makes |Z| rise without end,
// which says nothing of the load. What the model leaves of the curve may lie
// on the extreme too, half of its variance along Z. To first order the
// frequency of an extreme adds nothing to its uncertainty.
func (s *search) extremes(t *trial, stand int, u spread) (least, greatest Extreme) {
	v := t.at(t.p)
	most := s.peak(t, stand)
	low := s.within(v.f[0], s.high, func(hz float64) float64 { return cmplx.Abs(v.z(newTone(hz), nil)) })
	at := func(hz float64) Extreme {
		ohm := u.value(t.p, func(p []float64) float64 { w := t.at(p); return cmplx.Abs(w.z(newTone(hz), nil)) })
		ohm.U = math.Hypot(ohm.U, t.misfit*ohm.Value/math.Sqrt2)
		return Extreme{ohm, hz}
	}
	return at(low), at(most)
}

// peak returns where |Z| is greatest in the neighbourhood of the resonances.
func (s *search) peak(t *trial, stand int) (hz float64) {
	v := t.at(t.p)
	return s.within(v.f[0]/1.5, v.f[stand-1]*1.5, func(hz float64) float64 { return -cmplx.Abs(v.z(newTone(hz), nil)) })
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

// mainShare is the part of Re that a resonance adds from which it is one of
// those a load is told by, and not a wrinkle that the cone or the box leaves.
const mainShare = 0.25

// Main returns the main resonances of r, by rising frequency, or all where none is
// one.
func (r Result) Main() []Resonance {
	var main []Resonance
	for _, s := range r.Resonances {
		if s.Res.Value >= mainShare*r.Re.Value {
			main = append(main, s)
		}
	}
	if main == nil {
		main = slices.Clone(r.Resonances)
	}
	slices.SortFunc(main, func(a, b Resonance) int { return cmp.Compare(a.Hz.Value, b.Hz.Value) })
	return main
}

const (
	looseRe   = 0.05 // relative standard uncertainty of Re from noise and misfit
	highStart = 0.6  // of the first resonance
	dcApart   = 0.02 // beyond the uncertainty
)

// warnings says what a user must know before he believes r.
func (s *search) warnings(r Result) []impedance.Warning {
	r.Warnings = []impedance.Warning{}
	if slices.Max(s.variance) == 0 {
		r.warn("noise-estimated", "the curve states no noise: uncertainties come from its scatter about the fit")
	}
	switch first := r.Main()[0].Hz.Value; {
	case r.Pinned:
	case s.low > highStart*first:
		r.warn("re-undetermined", "the curve begins at %.4g Hz, too close to the resonance at %.4g Hz to tell Re: sweep from lower, or give a DC reading with --re-ohm", s.low, first)
	case r.Re.U > looseRe*r.Re.Value:
		r.warn("re-undetermined", "Re is uncertain by %s: noise, or what the fit leaves of the curve, hides it; sweep longer or louder, or give a DC reading with --re-ohm", quantity.Rest(2*r.Re.U/r.Re.Value))
	case r.Re.Value > s.bound*(1-1e-6):
		r.warn("re-bound", "Re is held at %.4g ohm, the least resistance that the curve shows anywhere: the model asks for more, which no load without a crossover can have", r.Re.Value)
	}
	for _, m := range r.Resonances {
		if m.Qms.Value > maxQ*(1-1e-3) {
			r.warn("q-bound", "Qms at %s is held at %g, the most that a resonance of a load is taken to have: it and its peak may be higher than they stand here", quantity.Hz(m.Hz.Value), float64(maxQ))
		}
	}
	return r.Warnings
}

// AgainstDC holds Re against the reading of a DC meter, in ohm. ok is false where
// they agree.
func (r Result) AgainstDC(ohm float64) (w impedance.Warning, ok bool) {
	if math.Abs(ohm-r.Re.Value) <= 2*r.Re.U+dcApart*ohm {
		return w, false
	}
	return impedance.Warning{Code: "dc-disagrees", Text: fmt.Sprintf("the DC reading of %.3g ohm and Re of %.3g ohm disagree: the meter's leads were not taken off, the coil was warm, one driver of several is open, or the sense resistor is not what was stated", ohm, r.Re.Value)}, true
}

func (r *Result) warn(code, format string, args ...any) {
	r.Warnings = append(r.Warnings, impedance.Warning{Code: code, Text: fmt.Sprintf(format, args...)})
}
