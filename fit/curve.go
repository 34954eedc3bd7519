package fit

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

// Options steers a fit. The zero value of a field takes its default.
type Options struct {
	PinnedRe float64 // ohm; Re is taken as this instead of being fitted
	DCOhm    float64 // reading of a DC meter, which Re is held against
	Models   []Model // the models to choose from; default all
}

const (
	leastPoints  = 12
	leastOctaves = 1.5

	// A resonance that adds less than this part of Re is a mark in the curve,
	// not what a load is told by.
	leastPeak = 0.04

	// The solver's parameters are logarithms: a standard uncertainty of this
	// size says that the data leave a parameter open.
	open = 0.5
)

// Curve fits the models to c and returns the one that the data call for, with
// everything that is known of it. Where the Status is not Converged the error
// says why, and the Result holds no parameters.
//
// Every point counts by the inverse of its variance: its stated noise, and a
// misfit in proportion to |Z| that each model estimates for itself by maximum
// likelihood, since no real load follows a model to its noise. Models are
// compared by the Bayesian information criterion of that likelihood (G.
// Schwarz, Annals of Statistics 6(2), 461-464, 1978). Misfit has a memory
// along the curve; by it the number of points is cut down to those that are
// worth one on their own.
func Curve(c impedance.Curve, o Options) (Result, error) {
	if err := c.Check(); err != nil {
		return Result{Status: BadInput}, err
	}
	if o.PinnedRe < 0 || o.DCOhm < 0 || math.IsInf(o.PinnedRe+o.DCOhm, 0) || math.IsNaN(o.PinnedRe+o.DCOhm) {
		return Result{Status: BadInput}, fmt.Errorf("a DC reading of %g ohm must be above 0", o.PinnedRe+o.DCOhm)
	}
	n := len(c.Points)
	low, high := c.Points[0].Hz, c.Points[n-1].Hz
	if n < leastPoints || math.Log2(high/low) < leastOctaves {
		return Result{Status: TooFew}, fmt.Errorf("%d points over %.1f octaves are too few to fit a load to; measure at least %d over %g octaves, its resonance among them", n, math.Log2(high/low), leastPoints, leastOctaves)
	}
	if i := slices.IndexFunc(c.Points, func(p impedance.Point) bool { return p.Z == 0 }); i >= 0 {
		return Result{Status: NoResonance}, fmt.Errorf("at %g Hz the impedance is 0: this is a short, not a load to fit", c.Points[i].Hz)
	}
	s := newSearch(c, o)
	best := s.run()
	if best == nil {
		status, err := s.whyNot()
		return Result{Status: status, Candidates: s.candidates()}, err
	}
	return s.result(best), nil
}

// search is the fitting of all models to one curve.
type search struct {
	c        impedance.Curve
	o        Options
	tones    []tone
	abs2     []float64 // |Z|^2
	noise    []impedance.Cov
	variance []float64 // of the noise, E|e|^2
	low      float64
	high     float64
	trials   []*trial
	bare     *trial // without a resonance
	memory   float64
	solvers  map[int]*solver
	d        []complex128
	coarse   *search // the same of every few points, to look around with
}

// trial is one model fitted.
type trial struct {
	load
	p         []float64
	misfit    float64   // rms relative to |Z|
	scale     []float64 // total variance of each point
	white     []white
	deviance  float64 // -2 ln likelihood
	criterion float64
	residual  []complex128
	err       error
}

func newSearch(c impedance.Curve, o Options) *search {
	n := len(c.Points)
	s := &search{c: c, o: o, low: c.Points[0].Hz, high: c.Points[n-1].Hz, memory: 1, solvers: map[int]*solver{}, d: make([]complex128, 16)}
	for _, p := range c.Points {
		s.tones = append(s.tones, newTone(p.Hz))
		s.abs2 = append(s.abs2, real(p.Z)*real(p.Z)+imag(p.Z)*imag(p.Z))
		v := p.Noise.RR + p.Noise.II
		// Noise that all but lacks a direction would be lost in rounding.
		const thinnest = 1e-9
		s.noise = append(s.noise, p.Noise.Add(impedance.Circular(thinnest*v)))
		s.variance = append(s.variance, v)
	}
	s.coarse = s
	if few := n / coarsePoints; few > 1 {
		var thin impedance.Curve
		for i := 0; i < n; i += few {
			thin.Points = append(thin.Points, c.Points[i])
		}
		s.coarse = newSearch(thin, o)
		s.coarse.low, s.coarse.high = s.low, s.high
	}
	return s
}

// coarsePoints is about how many points it takes to tell a good start from a
// bad one: seven an octave.
const coarsePoints = 80

// wants reports whether the options allow m.
func (s *search) wants(m Model) bool {
	return len(s.o.Models) == 0 || slices.Contains(s.o.Models, m)
}

// wantsCoil reports whether the options allow any model with this coil.
func (s *search) wantsCoil(k CoilKind) bool {
	return len(s.o.Models) == 0 || slices.ContainsFunc(s.o.Models, func(m Model) bool { return m.Coil == k })
}

const mostResonances = 3

// hopeless is how many times the misfit of the best coil another coil may have
// at the same number of resonances and still be followed further.
const hopeless = 5

// run fits every model and returns the best, or nil. Each coil goes its own way
// from no resonance to the most, a resonance a step; the power law leads, since
// it takes to any coil, and its resonances are starts for the others too.
func (s *search) run() *trial {
	re, coils := s.start()
	var bare []*trial
	for _, k := range []CoilKind{Power, NoCoil, Inductor, Ladder, Shunted} {
		t := s.fit(load{Model: Model{Coil: k}, pinned: s.o.PinnedRe}, s.join(re, nil, coils[k]))
		bare = append(bare, t)
		if s.bare == nil || s.bare.err != nil || t.err == nil && t.criterion < s.bare.criterion {
			s.bare = t
		}
	}
	last := bare
	for count := 1; count <= mostResonances; count++ {
		var now []*trial
		least := math.Inf(1)
		for _, t := range last {
			if t.Coil != Power && !s.wantsCoil(t.Coil) {
				continue
			}
			if coilSize[t.Coil] > coilSize[Power] && slices.ContainsFunc(now, s.settles) {
				continue // a coil of more parameters could only fit noise
			}
			next := s.extend(t, now, re, coils[t.Coil], hopeless*least)
			if next == nil {
				continue
			}
			now = append(now, next)
			if next.err == nil {
				least = min(least, next.misfit)
			}
			if s.wants(next.Model) {
				s.trials = append(s.trials, next)
			}
		}
		if slices.ContainsFunc(now, s.settles) {
			break
		}
		last = slices.DeleteFunc(now, func(t *trial) bool { return t.misfit > hopeless*least })
	}
	s.judge()
	if s.press() {
		s.judge()
	}
	if len(s.trials) == 0 || s.trials[0].err != nil {
		return nil
	}
	best := s.trials[0]
	if s.bare.err == nil && s.bare.criterion < best.criterion {
		return nil
	}
	if end := s.polish(best); end.err == nil {
		*best = *end
	}
	return best
}

// press goes on with what did not settle yet bids fair to win, and reports
// whether there was any.
func (s *search) press() (any bool) {
	for _, t := range s.trials {
		if t.err == errUnsettled && (s.trials[0].err != nil || t.criterion < s.trials[0].criterion) {
			*t = *s.polish(t)
			any = true
		}
	}
	return any
}

// explains reports whether t leaves no more than the stated noise: another
// resonance could then only fit noise.
func (s *search) explains(t *trial) bool {
	if t.err != nil {
		return false
	}
	if t.misfit <= 2*leastMisfit {
		return true
	}
	if slices.Contains(s.variance, 0) {
		return false
	}
	chi := s.chiSquare(t)
	dof := float64(2*len(t.residual) - t.size())
	return chi < dof+3*math.Sqrt(2*dof)
}

// settles reports whether t explains the curve and may be the result.
func (s *search) settles(t *trial) bool { return s.wants(t.Model) && s.explains(t) }

// look follows one start far enough to tell it from others, on some of the
// points.
func (s *search) look(l load, p []float64) *trial {
	return s.coarse.approach(l, p, 1, limits{abs: 1e-2, rel: 1e-2, steps: 12})
}

// fit fits one model from one start: weights and misfit in turn, until the
// misfit stays.
func (s *search) fit(l load, p []float64) *trial {
	return s.approach(l, p, 12, limits{abs: 1e-2, rel: 1e-2, steps: 60})
}

// polish brings the model that was chosen to where rounding leaves it: the
// others only had to be told from it.
func (s *search) polish(t *trial) *trial {
	return s.approach(t.load, t.p, 12, limits{abs: 1e-5, rel: 1e-6, steps: 300, again: true})
}

func (s *search) approach(l load, p []float64, rounds int, lim limits) *trial {
	n := len(s.tones)
	t := &trial{load: l, p: p, misfit: 0.02, scale: make([]float64, n), white: make([]white, n), residual: make([]complex128, n)}
	size := l.size()
	sv := s.solvers[size]
	if sv == nil {
		sv = newSolver(size, 2*n)
		s.solvers[size] = sv
	}
	problem := func(p, r []float64, jac [][]float64) bool {
		if !l.within(p, s.low, s.high) {
			return false
		}
		v := l.at(p)
		d := s.d[:size]
		for i, tn := range s.tones {
			w := t.white[i]
			r[2*i], r[2*i+1] = w.of(v.z(tn, d) - s.c.Points[i].Z)
			for k, j := range jac {
				j[2*i], j[2*i+1] = w.of(d[k])
			}
		}
		return true
	}
	for round := range rounds {
		s.weigh(t)
		t.err = nil
		if !sv.minimize(problem, t.p, lim) {
			t.err = errUnsettled
		}
		t.p = slices.Clone(sv.p)
		v := l.at(t.p)
		for i, tn := range s.tones {
			t.residual[i] = s.c.Points[i].Z - v.z(tn, nil)
		}
		before := t.misfit
		t.misfit = s.estimateMisfit(t.residual, size)
		if math.Abs(t.misfit-before) < 1e-2*before || t.err != nil && round > 0 {
			break
		}
	}
	t.deviance = s.weigh(t)
	for i, e := range t.residual {
		a, b := t.white[i].of(e)
		t.deviance += a*a + b*b
	}
	t.criterion = s.criterion(t)
	return t
}

var errUnsettled = errors.New("the solver did not settle")

// leastMisfit is what rounding leaves of a curve that follows a model exactly.
const leastMisfit = 1e-9

// estimateMisfit returns the misfit m of greatest likelihood for residuals
// whose covariance is the noise and m^2 |Z|^2 in all directions, each counted for the share of the data that the
// parameters have not used up.
func (s *search) estimateMisfit(residual []complex128, parameters int) float64 {
	n := float64(len(residual))
	left := 2 * n / max(2*n-float64(parameters), 1)
	slope := func(lm float64) float64 {
		m2 := math.Exp(2 * lm)
		var sum float64
		for i, e := range residual {
			// d/dm2 of -ln det V - e' V^-1 e
			own := m2 * s.abs2[i] / 2
			n := &s.noise[i]
			rr, ii := n.RR+own, n.II+own
			over := 1 / (rr*ii - n.RI*n.RI)
			x := (ii*real(e) - n.RI*imag(e)) * over
			y := (rr*imag(e) - n.RI*real(e)) * over
			sum += s.abs2[i] * (left*(x*x+y*y) - (rr+ii)*over)
		}
		return sum
	}
	lo, hi := math.Log(leastMisfit), math.Log(10.0)
	if slope(lo) <= 0 {
		return leastMisfit
	}
	for hi-lo > 1e-3 {
		if mid := (lo + hi) / 2; slope(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return math.Exp(lo)
}

// criterion is the Bayesian information criterion, the points counted for what
// they are worth.
func (s *search) criterion(t *trial) float64 {
	worth := 2 * float64(len(s.tones)) / s.memory
	return t.deviance/s.memory + float64(t.size())*math.Log(worth)
}

// judge takes the memory of the misfit from the model that fits best, weighs
// all models by it and sorts them, the best first.
func (s *search) judge() {
	var closest *trial
	for _, t := range s.trials {
		if t.err != errUnsettled && (closest == nil || t.deviance < closest.deviance) {
			closest = t
		}
	}
	if closest == nil {
		return
	}
	s.memory = s.memoryOf(closest)
	s.bare.criterion = s.criterion(s.bare)
	for _, t := range s.trials {
		t.criterion = s.criterion(t)
		if t.err != errUnsettled {
			t.err = s.sound(t)
		}
	}
	slices.SortStableFunc(s.trials, func(a, b *trial) int {
		switch {
		case a.err == nil && b.err != nil:
			return -1
		case a.err != nil && b.err == nil:
			return 1
		case a.criterion < b.criterion:
			return -1
		case a.criterion > b.criterion:
			return 1
		}
		return 0
	})
}

// memoryOf returns over how many points a residual of t is remembered: (1 +
// rho)/(1 - rho) of a first-order process with the correlation rho of
// neighbours.
func (s *search) memoryOf(t *trial) float64 {
	var one, all float64
	var last complex128
	for i, e := range t.residual {
		e /= complex(math.Sqrt(t.scale[i]), 0)
		all += real(e)*real(e) + imag(e)*imag(e)
		one += real(e)*real(last) + imag(e)*imag(last)
		last = e
	}
	rho := min(max(one/all, 0), 0.98)
	if rho < 3/math.Sqrt(2*float64(len(t.residual))) {
		return 1
	}
	return (1 + rho) / (1 - rho)
}

// inside reports whether every resonance of t lies clear of the edges of the
// band, where the solver leaves one that it looks for outside.
func (t *trial) inside(low, high float64) bool {
	const clear = 1.05
	v := t.at(t.p)
	for _, f := range v.f[:t.Resonances] {
		if f < low*clear || f > high/clear {
			return false
		}
	}
	return true
}

// openError names a parameter that the data do not determine.
type openError string

func (e openError) Error() string { return "the data leave " + string(e) + " open" }

// sound returns an error when t holds a resonance that is none, or parameters
// that the data leave open.
func (s *search) sound(t *trial) error {
	v := t.at(t.p)
	for k := range t.Resonances {
		if v.r[k] < leastPeak*v.re {
			return fmt.Errorf("a resonance of %.2g ohm at %.4g Hz is no more than a mark in the curve", v.r[k], v.f[k])
		}
	}
	sigma := s.sigma(t)
	if sigma == nil {
		return openError("every parameter")
	}
	for k, name := range t.names() {
		if !(math.Sqrt(sigma.At(k, k)) < open) {
			return openError(name)
		}
	}
	return nil
}

// jacobian returns the derivatives of the whitened residuals of t.
func (s *search) jacobian(t *trial) *mat.Dense {
	j := mat.NewDense(2*len(s.tones), t.size(), nil)
	v := t.at(t.p)
	d := s.d[:t.size()]
	for i, tn := range s.tones {
		v.z(tn, d)
		for k := range d {
			a, b := t.white[i].of(d[k])
			j.Set(2*i, k, a)
			j.Set(2*i+1, k, b)
		}
	}
	return j
}

// sigma returns the covariance of the solver's parameters from noise and
// misfit. The misfit's share is counted with its memory: its errors come in
// runs, and do not average away as noise does.
func (s *search) sigma(t *trial) *mat.SymDense {
	j := s.jacobian(t)
	size := t.size()
	if size == 0 {
		return nil
	}
	weighted := mat.DenseCopyOf(j)
	memory := s.memoryOf(t)
	for i := range s.tones {
		share := t.misfit * t.misfit * s.abs2[i] / t.scale[i]
		w := math.Sqrt(1 + share*(memory-1))
		for k := range size {
			weighted.Set(2*i, k, w*j.At(2*i, k))
			weighted.Set(2*i+1, k, w*j.At(2*i+1, k))
		}
	}
	var normal, inner, inverse mat.Dense
	normal.Mul(j.T(), j)
	inner.Mul(weighted.T(), weighted)
	var condition mat.Condition
	if err := inverse.Inverse(&normal); err != nil && !(errors.As(err, &condition) && !math.IsInf(float64(condition), 0)) {
		return nil
	}
	var left, both mat.Dense
	left.Mul(&inverse, &inner)
	both.Mul(&left, inverse.T())
	sigma := mat.NewSymDense(size, nil)
	for i := range size {
		for k := i; k < size; k++ {
			sigma.SetSym(i, k, (both.At(i, k)+both.At(k, i))/2)
		}
	}
	return sigma
}

func (s *search) candidates() []Candidate {
	var list []Candidate
	for _, t := range s.trials {
		list = append(list, Candidate{Model: t.Model, Parameters: t.size(), Misfit: t.misfit, Criterion: t.criterion, Err: t.err})
	}
	return list
}

// whyNot says what the curve is instead of a loudspeaker.
func (s *search) whyNot() (Status, error) {
	if s.bare != nil && s.bare.err == nil {
		first, last := s.c.Points[0], s.c.Points[len(s.c.Points)-1]
		switch {
		case s.bare.Coil == NoCoil && s.bare.misfit < 0.02:
			return NoResonance, fmt.Errorf("no resonance stands out of the curve: %.4g ohm at every frequency is a resistor, not a loudspeaker", cmplx.Abs(first.Z))
		case imag(first.Z) < -5*math.Abs(real(first.Z)):
			return NoResonance, fmt.Errorf("no resonance stands out of the curve: an impedance that falls as frequency rises is a capacitor or an open load, not a loudspeaker")
		case cmplx.Abs(first.Z) > 1.5*cmplx.Abs(last.Z) || imag(first.Z) < -0.2*real(first.Z):
			return NoResonance, fmt.Errorf("the curve begins above the resonance: sweep from a lower frequency than %.4g Hz", first.Hz)
		}
	}
	// The trials are in order of their criterion, since none of them is sound.
	if len(s.trials) > 0 && (s.bare.err != nil || s.trials[0].criterion < s.bare.criterion) {
		if open, ok := errors.AsType[openError](s.trials[0].err); ok {
			return Undermined, fmt.Errorf("the curve does not determine the load: %w; sweep over a wider band or with less noise", open)
		}
		if t := s.trials[0]; t.err == errUnsettled && t.inside(s.low, s.high) {
			return NoProgress, fmt.Errorf("no model settles on the curve: %w; look at its plot, and check that one loudspeaker load was connected", t.err)
		}
	}
	return NoResonance, fmt.Errorf("no resonance stands out of the curve: sweep over the resonance, or check that a loudspeaker is connected")
}
