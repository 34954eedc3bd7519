package fit

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/impedance"
)

// CrossoverKind is what lies between the jack and the driver that was fitted.
type CrossoverKind int

// The kinds of crossover that a curve shows.
const (
	NoCrossover     CrossoverKind = iota
	SeriesCapacitor               // a capacitor in series, part of the model
	Pad                           // resistors in series and beside the driver, part of the model
	Split                         // other drivers take over above HighHz of the fit
)

// String returns the name of k in files.
func (k CrossoverKind) String() string { return [...]string{"none", "capacitor", "pad", "split"}[k] }

// blockedFarad returns about how much capacitance lies in series, or 0 where
// the bottom of the curve does not look so: an impedance that falls with
// frequency and is mostly a negative reactance.
func blockedFarad(c impedance.Curve) float64 {
	first := c.Points[0]
	if imag(first.Z) > -0.5*math.Abs(real(first.Z)) {
		return 0
	}
	octave := slices.IndexFunc(c.Points, func(p impedance.Point) bool { return p.Hz >= 2*first.Hz })
	if octave >= 0 && cmplx.Abs(c.Points[octave].Z) > 0.85*cmplx.Abs(first.Z) {
		return 0
	}
	return -1 / (2 * math.Pi * first.Hz * imag(first.Z))
}

// A hump of |Z| above the resonances from which it falls by handover or more
// while the phase stays negative over half an octave is where other drivers
// take over. Cones and panels make narrower ones, resonances lie lower.
const (
	lowestHandover = 400 // Hz
	handover       = 0.08
	leastFall      = 0.5 // octaves
)

// humpHz returns where a crossover makes |Z| fall, or 0 where nothing looks so.
func humpHz(c impedance.Curve) float64 {
	p := c.Points
	for i := 0; i < len(p); i++ {
		if imag(p[i].Z) >= 0 {
			continue
		}
		from := i
		for i < len(p) && imag(p[i].Z) < 0 {
			i++
		}
		to := i - 1
		top := from
		if p[from].Hz < lowestHandover {
			top = behindCrest(p, from, to)
		} else {
			// |Z| has its hump before the phase turns.
			for k := from; k >= 0 && p[k].Hz > p[from].Hz/4 && p[k].Hz > lowestHandover/2; k-- {
				if cmplx.Abs(p[k].Z) > cmplx.Abs(p[top].Z) {
					top = k
				}
			}
		}
		if p[max(from, top)].Hz < lowestHandover || math.Log2(p[to].Hz/p[max(from, top)].Hz) < leastFall {
			continue
		}
		if cmplx.Abs(p[to].Z) < (1-handover)*cmplx.Abs(p[top].Z) {
			return p[top].Hz
		}
	}
	return 0
}

// behindCrest returns the highest |Z| above lowestHandover of points from to to of
// p between where the phase is back from the dip of a resonance and where it
// dips again; from where it does not, or less than others make it. The phase of a
// coil too small to turn it stays negative from the resonance to where others
// take over, but without them it only rises.
func behindCrest(p []impedance.Point, from, to int) int {
	const dips = 10 * math.Pi / 180
	phase := func(k int) float64 { return cmplx.Phase(p[k].Z) }
	resonance := from
	for k := from; k <= to && p[k].Hz < lowestHandover; k++ {
		if phase(k) < phase(resonance) {
			resonance = k
		}
	}
	crest, again, deepest := from, from, dips
	last := resonance
	for k := resonance; k <= to; k++ {
		if phase(k) > phase(last) {
			last = k
		}
		if d := phase(last) - phase(k); d > deepest && p[k].Hz >= lowestHandover && math.Log2(p[k].Hz/p[last].Hz) >= leastFall {
			crest, again, deepest = last, k, d
		}
	}
	top := from
	for k := crest; k <= again && again > from; k++ {
		if p[k].Hz >= lowestHandover && (top == from || cmplx.Abs(p[k].Z) > cmplx.Abs(p[top].Z)) {
			top = k
		}
	}
	return top
}

// below are the parts of the hump's frequency up to which a fit is tried.
var below = []float64{0.7, 0.5, 0.35, 0.25}

const (
	fineMisfit = 0.003 // from which a fit of the whole curve is believed whatever the curve looks like
	farBetter  = 1. / 3
)

// belowCrossover returns the search of what lies below a crossover at hump and
// its best trial: the widest range that leaves far less than the whole curve
// does, or else the one that leaves least. It is nil where no range has a fit. The
// error is that of ctx.
func belowCrossover(ctx context.Context, c impedance.Curve, o Options, hump, whole float64) (*search, *trial, error) {
	var best *search
	var t *trial
	for _, part := range below {
		low := c.Within(c.Points[0].Hz, part*hump)
		if len(low.Points) < leastPoints || math.Log2(part*hump/c.Points[0].Hz) < leastOctaves {
			break
		}
		end := low.Points[len(low.Points)-1]
		s := newSearch(low, o, 0, 1/(2*math.Pi*hump*cmplx.Abs(end.Z)))
		one, err := s.choose(ctx)
		if err != nil {
			return nil, nil, err
		}
		if one == nil {
			continue
		}
		if t == nil || one.misfit < farBetter*t.misfit {
			best, t = s, one
		}
		if t.misfit < farBetter*min(whole, 1) && t.misfit < fineMisfit {
			break
		}
	}
	return best, t, nil
}
