package fit

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

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
	}
	s.take(beyondFirstOrder(c))
	if bypass == 0 {
		s.bound = mostRe(c) // which a crossover may be below
	}
	s.thin = s.every(n/thinPoints, o)
	s.coarse = s.every(n/coarsePoints, o)
	return s
}

// take makes the noise of the points what they state and a variance more each,
// where they state some.
func (s *search) take(more []float64) {
	s.noise, s.variance = s.noise[:0], s.variance[:0]
	for i, p := range s.c.Points {
		n := p.Noise
		if n != (impedance.Cov{}) {
			n = n.Add(impedance.Circular(more[i]))
		}
		v := n.RR + n.II
		// Noise that all but lacks a direction would be lost in rounding.
		const thinnest = 1e-9
		s.noise = append(s.noise, n.Add(impedance.Circular(thinnest*v)))
		s.variance = append(s.variance, v)
	}
}

// beyondFirstOrder returns a variance for each point of c: that of a tenth of what
// the shared sources may have done to it, since they are stated to first order and
// as smooth. Less than that is no sign of a better model: following it, curves of
// inputs that nobody had compared called for so many parameters that none was
// determined. A source that only scales the curve leaves nothing to follow. The
// tenth is ours: with it that ends on 144 loads of foreign models, with a third of
// it not on all.
func beyondFirstOrder(c impedance.Curve) []float64 {
	const part = 0.1
	rest := make([]float64, len(c.Points))
	for _, source := range c.Shared {
		scale := 0.0
		for i, p := range c.Points {
			scale += real(source.DZ[i]/p.Z) / float64(len(c.Points))
		}
		for i, p := range c.Points {
			d := source.DZ[i] - complex(scale, 0)*p.Z
			rest[i] += part * part * (real(d)*real(d) + imag(d)*imag(d))
		}
	}
	return rest
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
func (s *search) look(ctx context.Context, l load, p []float64) *trial {
	return s.coarse.approach(ctx, l, p, 1, limits{abs: 0.1, rel: 0.03, idle: 0.3, steps: 12})
}

// fit fits one model from one start: weights and misfit in turn, until the
// misfit stays.
func (s *search) fit(ctx context.Context, l load, p []float64) *trial {
	return s.approach(ctx, l, p, 6, limits{abs: 0.1, rel: 0.03, idle: 0.3, steps: 40})
}

// polish brings the model that was chosen to where rounding leaves it: the
// others only had to be told from it.
func (s *search) polish(ctx context.Context, t *trial) *trial {
	return s.approach(ctx, t.load, t.p, 12, limits{abs: 1e-3, rel: 1e-6, idle: 1e-4, steps: 100})
}

func (s *search) approach(ctx context.Context, l load, p []float64, rounds int, lim limits) *trial {
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
		if !sv.minimize(ctx, problem, t.p, in, lim) {
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
		return cmp.Or(falseFirst(a.err != nil, b.err != nil), cmp.Compare(a.criterion, b.criterion))
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
