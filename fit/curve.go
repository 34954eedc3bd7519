package fit

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

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
// says why, and the Result holds no parameters. Where ctx ends, that is its error.
//
// Every point counts by the inverse of its variance: its stated noise, and a
// misfit in proportion to |Z| that each model estimates for itself by maximum
// likelihood, since no real load follows a model to its noise. Models are
// compared by the Bayesian information criterion of that likelihood (G.
// Schwarz, Annals of Statistics 6(2), 461-464, 1978). Misfit has a memory
// along the curve; by it the number of points is cut down to those that are
// worth one on their own.
func Curve(ctx context.Context, c impedance.Curve, o Options) (Result, error) {
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
	if i := short(c); i >= 0 {
		return Result{Status: NoResonance}, fmt.Errorf("at %g Hz the impedance is 0: this is a short, not a load to fit", c.Points[i].Hz)
	}
	s := newSearch(c, o, 0, 0)
	best, err := s.choose(ctx)
	if err != nil {
		return Result{Status: NoProgress}, err
	}
	if farad := blockedFarad(c); farad > 0 {
		blocked := newSearch(c, o, farad, 0)
		t, err := blocked.choose(ctx)
		if err != nil {
			return Result{Status: NoProgress}, err
		}
		if t != nil && (best == nil || t.criterion < best.criterion) {
			s, best = blocked, t
		}
	}
	// A crossover may take Re Z below Re, so that a fit without one is held at
	// the least Re Z, however well it follows the curve.
	held := best != nil && s.atBound(best)
	if hump := humpHz(c); hump > 0 && (best == nil || best.misfit > fineMisfit || held) {
		whole := math.Inf(1)
		if best != nil {
			whole = best.misfit
		}
		part, t, err := belowCrossover(ctx, c, o, hump, whole)
		if err != nil {
			return Result{Status: NoProgress}, err
		}
		if t != nil && (t.misfit < farBetter*whole || held && t.misfit < fineMisfit) {
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

// short returns the first point of c at which it is 0 ohm, or what rounding leaves
// of that, or -1.
func short(c impedance.Curve) int {
	const rounded = 1e-9 // ohm; no contact has as little, and 1/|Z|^4 is a number still
	return slices.IndexFunc(c.Points, func(p impedance.Point) bool { return cmplx.Abs(p.Z) < rounded })
}

// residual returns what r leaves of c, ohm.
func (r Result) residual(c impedance.Curve) []complex128 {
	left := r.Impedances(c.Hz())
	for i, p := range c.Points {
		left[i] = p.Z - left[i]
	}
	return left
}
