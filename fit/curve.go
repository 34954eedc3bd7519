package fit

import (
	"cmp"
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
	if !(o.PinnedRe >= 0) || math.IsInf(o.PinnedRe, 0) {
		return Result{Status: BadInput}, fmt.Errorf("a DC reading of %g ohm must be above 0", o.PinnedRe)
	}
	n := len(c.Points)
	low, high := c.Points[0].Hz, c.Points[n-1].Hz
	if n < leastPoints || math.Log2(high/low) < leastOctaves {
		return Result{Status: TooFew}, fmt.Errorf("%d points over %.1f octaves are too few to fit a load to; measure at least %d over %g octaves, its resonance among them", n, math.Log2(high/low), leastPoints, leastOctaves)
	}
	if i := slices.IndexFunc(c.Points, func(p impedance.Point) bool { return p.Z == 0 }); i >= 0 {
		return Result{Status: NoResonance}, fmt.Errorf("at %g Hz the impedance is 0: this is a short, not a load to fit", c.Points[i].Hz)
	}
	s := newSearch(c, o, 0, 0)
	best := s.choose()
	if farad := blockedFarad(c); farad > 0 {
		blocked := newSearch(c, o, farad, 0)
		if t := blocked.choose(); t != nil && (best == nil || t.criterion < best.criterion) {
			s, best = blocked, t
		}
	}
	if hump := humpHz(c); hump > 0 && (best == nil || best.misfit > fineMisfit) {
		whole := math.Inf(1)
		if best != nil {
			whole = best.misfit
		}
		if part, t := belowCrossover(c, o, hump, whole); t != nil && t.misfit < farBetter*whole {
			r := part.result(t)
			r.Crossover = Split
			r.Residual = r.residual(c)
			if best != nil {
				all := s.result(best)
				r.whole = &all
			}
			r.warn("crossover", "above %.4g Hz other drivers take over, as a crossover makes them: Re, resonances and coil are those of what lies below %.4g Hz", hump, r.HighHz)
			return r, nil
		}
	}
	if best == nil {
		status, err := s.whyNot()
		return Result{Status: status, Candidates: s.candidates()}, err
	}
	return s.result(best), nil
}

// residual returns what r leaves of c, ohm.
func (r Result) residual(c impedance.Curve) []complex128 {
	left := r.Impedances(c.Hz())
	for i, p := range c.Points {
		left[i] = p.Z - left[i]
	}
	return left
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
	bound    float64 // most that Re can be, ohm
	blocked  bool    // a capacitor lies in series,
	farad    float64 // of about so much
	bypass   float64 // about how much capacitance lies across the load, F; 0 for none
	thin     *search // the same of fewer points, to choose a model with
	coarse   *search // and of still fewer, to look around with
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
	settled   bool
	residual  []complex128
	err       error
}

// newSearch prepares a search, with capacitors of about so much in series and
// across the load where they are not 0.
func newSearch(c impedance.Curve, o Options, farad, bypass float64) *search {
	n := len(c.Points)
	s := &search{c: c, o: o, low: c.Points[0].Hz, high: c.Points[n-1].Hz, memory: 1, solvers: map[int]*solver{}, d: make([]complex128, 24), bound: math.Inf(1), blocked: farad > 0, farad: farad, bypass: bypass}
	for _, p := range c.Points {
		s.tones = append(s.tones, newTone(p.Hz))
		s.abs2 = append(s.abs2, real(p.Z)*real(p.Z)+imag(p.Z)*imag(p.Z))
		v := p.Noise.RR + p.Noise.II
		// Noise that all but lacks a direction would be lost in rounding.
		const thinnest = 1e-9
		s.noise = append(s.noise, p.Noise.Add(impedance.Circular(thinnest*v)))
		s.variance = append(s.variance, v)
	}
	if bypass == 0 {
		s.bound = mostRe(c) // which a crossover may be below
	}
	s.thin = s.every(n/thinPoints, o)
	s.coarse = s.every(n/coarsePoints, o)
	return s
}

// every returns the search of every so-many-th point of s.
func (s *search) every(few int, o Options) *search {
	if few <= 1 {
		return s
	}
	var c impedance.Curve
	for i := 0; i < len(s.c.Points); i += few {
		c.Points = append(c.Points, s.c.Points[i])
	}
	for _, source := range s.c.Shared {
		some := impedance.Source{ID: source.ID}
		for i := 0; i < len(source.DZ); i += few {
			some.DZ = append(some.DZ, source.DZ[i])
		}
		c.Shared = append(c.Shared, some)
	}
	t := newSearch(c, o, s.farad, s.bypass)
	t.low, t.high = s.low, s.high
	return t
}

// thinPoints is about how many points it takes to choose among models.
const thinPoints = 170

// coarsePoints is about how many points it takes to tell a good start from a
// bad one: seven an octave.
const coarsePoints = 80

// wants reports whether the options allow m.
func (s *search) wants(m Model) bool {
	return len(s.o.Models) == 0 || slices.Contains(s.o.Models, m)
}

// wantsSome reports whether the options allow any model with this coil and
// this suspension.
func (s *search) wantsSome(k CoilKind, h SuspensionKind) bool {
	return len(s.o.Models) == 0 || slices.ContainsFunc(s.o.Models, func(m Model) bool { return m.Coil == k && (m.Suspension == h || h == Spring) })
}

const mostResonances = 3

// hopeless is how many times the misfit of the best coil another coil may have
// at the same number of resonances and still be followed further.
const hopeless = 5

// explore fits every model. Each coil goes its own way
// from no resonance to the most, a resonance a step; the power law leads, since
// it takes to any coil, and its resonances are starts for the others too. What
// fits best with a spring is tried with the other suspensions, which then go
// their own way too.
func (s *search) explore() {
	re, top := s.start()
	var bare []*trial
	for _, k := range append([]CoilKind{Power}, others(Power)...) {
		l := load{Model: Model{Coil: k}, pinned: s.o.PinnedRe, blocked: s.blocked, bypassed: s.bypass > 0}
		if k.size() > Power.size() {
			// It would only bend to what the resonances are.
			lead := bare[0]
			p := append(slices.Clone(lead.p[:lead.coilAt()]), coilsLike(lead, k)[0]...)
			bare = append(bare, s.adopt(&trial{load: l, p: append(p, lead.p[lead.padAt():]...), misfit: lead.misfit}))
			continue
		}
		t := s.fit(l, s.join(l, re, nil, k.encode(coils[k].first(top))))
		bare = append(bare, t)
		if s.bare == nil || s.bare.err != nil || t.err == nil && t.criterion < s.bare.criterion {
			s.bare = t
		}
	}
	last := bare
	for count := 1; count <= mostResonances; count++ {
		var now []*trial
		least := math.Inf(1)
		keep := func(t *trial) {
			if t == nil {
				return
			}
			now = append(now, t)
			if t.err == nil {
				least = min(least, t.misfit)
			}
			if s.wants(t.Model) {
				s.trials = append(s.trials, t)
			}
		}
		for _, t := range last {
			if (t.Coil != Power || t.Suspension != Spring) && !s.wantsSome(t.Coil, t.Suspension) {
				continue
			}
			if t.Coil.size() > Power.size() && slices.ContainsFunc(now, s.settles) {
				continue // a coil of more parameters could only fit noise
			}
			keep(s.extend(t, now, re, t.Coil.encode(coils[t.Coil].first(top)), hopeless*least))
		}
		for _, t := range s.held(now) {
			keep(t)
		}
		if slices.ContainsFunc(now, s.settles) {
			break
		}
		last = slices.DeleteFunc(now, func(t *trial) bool { return t.Coupled || t.Padded || t.misfit > hopeless*least })
	}
	s.judge(s.sound)
	if s.press() {
		s.judge(s.sound)
	}
}

// choose fits every model to some of the points, and those that may be the best
// to all. It returns the best, or nil.
func (s *search) choose() *trial {
	s.thin.explore()
	if s.thin != s {
		s.bare = s.adopt(s.thin.bare)
		for _, t := range s.thin.trials {
			s.trials = append(s.trials, s.adopt(t))
		}
		asBefore := func(t *trial) error { return t.err }
		s.judge(asBefore)
		for i, t := range s.trials[:min(contenders, len(s.trials))] {
			if t.err == nil {
				*s.trials[i] = *s.fit(t.load, t.p)
			}
		}
		s.judge(func(t *trial) error {
			if t.settled {
				return s.sound(t)
			}
			return t.err
		})
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

// contenders is how many models are fitted to all points.
const contenders = 4

// adopt returns t as it stands against the points of s.
func (s *search) adopt(t *trial) *trial {
	all := s.newTrial(t.load, t.p)
	all.misfit, all.err = t.misfit, t.err
	s.settle(all)
	s.count(all)
	return all
}

// others are the coils but k, of rising size.
func others(k CoilKind) (list []CoilKind) {
	for _, c := range CoilKinds() {
		if c != k {
			list = append(list, c)
		}
	}
	return list
}

// held returns the trials of now that fit best with a spring again, with each
// of the other suspensions, but for those that now has already.
func (s *search) held(now []*trial) (more []*trial) {
	if slices.ContainsFunc(now, s.settles) {
		return nil
	}
	var springs []*trial
	for _, t := range now {
		if t.Suspension == Spring && t.err == nil {
			springs = append(springs, t)
		}
	}
	slices.SortStableFunc(springs, func(a, b *trial) int { return cmp.Compare(a.criterion, b.criterion) })
	for _, k := range SuspensionKinds() {
		if k == Spring {
			continue
		}
		for _, t := range springs[:min(len(springs), worthHolding)] {
			m := t.Model
			m.Suspension = k
			if !s.wantsSome(m.Coil, k) || slices.ContainsFunc(now, func(t *trial) bool { return t.Model == m }) {
				continue
			}
			more = append(more, s.with(t, k))
		}
	}
	for _, t := range springs[:min(len(springs), worthJoining)] {
		if c := s.coupled(t); c != nil {
			more = append(more, c)
		}
		more = append(more, s.padded(t))
	}
	return more
}

// padded returns t fitted again with a resistance beside coil and resonances.
func (s *search) padded(t *trial) *trial {
	l := t.load
	l.Padded = true
	const timesRe = 4
	return s.fit(l, slices.Insert(slices.Clone(t.p), t.padAt(), math.Log(timesRe*t.at(t.p).re)))
}

// coupled returns t fitted again with resonances that are coupled, or nil where
// it has but one or they are so already.
func (s *search) coupled(t *trial) *trial {
	l := t.load
	l.Coupled = true
	if t.Coupled || l.turns() == 0 {
		return nil
	}
	return s.fit(l, slices.Insert(slices.Clone(t.p), t.turnsAt(), make([]float64, l.turns())...))
}

// How many models with a spring are tried with other suspensions, and with
// resonances that are coupled or have a resistance beside them.
const worthHolding, worthJoining = 1, 2

// with returns t fitted again with another suspension.
func (s *search) with(t *trial, k SuspensionKind) *trial {
	l := t.load
	l.Suspension = k
	main := t.first()
	for i := main; i < t.suspensionAt(); i += 3 {
		if t.p[i+2] > t.p[main+2] {
			main = i
		}
	}
	var best *trial
	for _, v := range suspensions[k].starts(math.Exp(t.p[main])) {
		p := slices.Insert(slices.Clone(t.p), t.suspensionAt(), k.encode(v)...)
		if next := s.look(l, p); best == nil || next.deviance < best.deviance {
			best = next
		}
	}
	return s.fit(l, best.p)
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
	return s.coarse.approach(l, p, 1, limits{abs: 0.1, rel: 0.03, idle: 0.3, steps: 12})
}

// fit fits one model from one start: weights and misfit in turn, until the
// misfit stays.
func (s *search) fit(l load, p []float64) *trial {
	return s.approach(l, p, 6, limits{abs: 0.1, rel: 0.03, idle: 0.3, steps: 40})
}

// polish brings the model that was chosen to where rounding leaves it: the
// others only had to be told from it.
func (s *search) polish(t *trial) *trial {
	return s.approach(t.load, t.p, 12, limits{abs: 1e-3, rel: 1e-6, idle: 1e-4, steps: 100})
}

func (s *search) approach(l load, p []float64, rounds int, lim limits) *trial {
	t := s.newTrial(l, p)
	size := l.size()
	sv := s.solvers[size]
	if sv == nil {
		sv = newSolver(size, 2*len(s.tones))
		s.solvers[size] = sv
	}
	problem := func(p, r []float64, jac [][]float64) {
		v := l.at(p)
		d := s.d[:size]
		for i, tn := range s.tones {
			w := t.white[i]
			r[2*i], r[2*i+1] = w.of(v.z(tn, d) - s.c.Points[i].Z)
			for k, j := range jac {
				j[2*i], j[2*i+1] = w.of(d[k])
			}
		}
	}
	in := s.box(l)
	s.settle(t)
	for round := range rounds {
		s.weigh(t)
		t.err, t.settled = nil, true
		if !sv.minimize(problem, t.p, in, lim) {
			t.err, t.settled = errUnsettled, false
		}
		t.p = slices.Clone(sv.p)
		before := t.misfit
		s.settle(t)
		if math.Abs(t.misfit-before) < 1e-2*before || t.err != nil && round > 0 {
			break
		}
	}
	s.count(t)
	return t
}

// newTrial is a model before it is fitted.
func (s *search) newTrial(l load, p []float64) *trial {
	n := len(s.tones)
	return &trial{load: l, p: p, misfit: 0.02, scale: make([]float64, n), white: make([]white, n), residual: make([]complex128, n)}
}

// settle works out what t leaves of the curve.
func (s *search) settle(t *trial) {
	v := t.at(t.p)
	for i, tn := range s.tones {
		t.residual[i] = s.c.Points[i].Z - v.z(tn, nil)
	}
	t.misfit = s.estimateMisfit(t.residual, t.size())
}

// count works out how likely the residual of t is.
func (s *search) count(t *trial) {
	t.deviance = s.weigh(t)
	for i, e := range t.residual {
		a, b := t.white[i].of(e)
		t.deviance += a*a + b*b
	}
	t.criterion = s.criterion(t)
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
// all models by it and sorts them, the best first. What sound finds wrong with
// a model is its error.
func (s *search) judge(sound func(*trial) error) {
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
			t.err = sound(t)
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

// sound returns an error when t holds no resonance of a load, or parameters
// that the data leave open.
func (s *search) sound(t *trial) error {
	u := s.spread(t)
	if u.sigma == nil {
		return openError("every parameter")
	}
	for k, name := range t.names()[:t.coilAt()] {
		if k >= t.first() && k < t.suspensionAt() || name == "leakmass" {
			continue
		}
		if !(math.Sqrt(u.sigma.At(k, k)) < open) {
			return openError(name)
		}
	}
	err := error(openError("every resonance"))
	for k := range t.Resonances {
		if err = s.stands(t, u, k); err == nil {
			return nil
		}
	}
	return err
}

// stands returns an error when resonance k of t is a wrinkle: it stands for
// what a coil or a cone does otherwise than the model. Two that lie so close that
// what all points share could part them otherwise are none either.
func (s *search) stands(t *trial, u spread, k int) error {
	if err := s.marks(t, k); err != nil {
		return err
	}
	for i := range 3 {
		if at := t.first() + 3*k + i; !(u.sd(at) < open) {
			return openError(t.names()[at])
		}
	}
	return nil
}

// marks returns an error when resonance k of t is too low or too broad for one
// of a load.
func (s *search) marks(t *trial, k int) error {
	v := t.at(t.p)
	if v.r[k] < leastPeak*v.re {
		return fmt.Errorf("a resonance of %.2g ohm at %.4g Hz is no more than a mark in the curve", v.r[k], v.f[k])
	}
	if v.q[k] < leastQ && v.r[k] < slices.Max(v.r[:t.Resonances]) || v.q[k] < 1.01*minQ {
		return fmt.Errorf("a resonance with a Q of %.2g at %.4g Hz is part of the coil", v.q[k], v.f[k])
	}
	return nil
}

// leastQ is the least Q of a resonance beside a higher one.
const leastQ = 0.6

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
	if first := s.c.Points[0]; imag(first.Z) < -0.2*real(first.Z) {
		return NoResonance, fmt.Errorf("the curve begins above the resonance or behind a capacitor: sweep from a lower frequency than %.4g Hz, or fit the drivers by themselves", first.Hz)
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
