package fit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

// Fault is what makes a curve one that no linear load could give.
type Fault int

// The faults that a Kramers-Kronig test tells apart.
const (
	Consistent   Fault = iota // none was found
	GainStep                  // |Z| steps at one frequency, Size is the step relative to |Z|
	PhaseStep                 // the phase steps at one frequency, Size in rad
	Drift                     // |Z| drifts from the first to the last frequency by Size, relative to |Z|, or the phase is off by a constant
	PhaseSign                 // the phase has the wrong sign: conj(Z) is consistent
	Inconsistent              // none of these
	PhaseError                // the phase is off by an angle that changes slowly along the curve, Size in rad where it is largest, at AtHz
)

// String returns the name of f in files.
func (f Fault) String() string {
	return [...]string{"none", "level step", "phase step", "drift", "phase sign", "unexplained", "phase error"}[f]
}

// KKResult is the outcome of a Kramers-Kronig test.
type KKResult struct {
	Percent float64 // rms of what is left, relative to |Z|
	Noise   float64 // percent of it that noise would leave, from the curve, or from its scatter where it states none
	WorstHz float64 // where most is left, relative to |Z|

	Fault  Fault
	AtHz   float64 // of a step, between the two points where it is, or of the largest phase error
	Size   float64 // of the fault
	LowHz  float64 // band of the curve
	HighHz float64

	bend [phaseShapes]float64 // of a PhaseError, rad of each of its shapes
}

// Limits of the test, chosen by us: a fault counts from the size on that
// matters to the parameters of a load.
const (
	kkExcess = 2    // weighted variance from which a curve is inconsistent
	kkPlace  = 20   // drop of chi-square that a step must be ahead of a drift, which has no place to choose
	kkAhead  = 0.02 // of its drop, that it must be ahead as well
	kkSure   = 40   // drop of chi-square that makes a fault sure, with all places for a step tried
	kkTried  = 4    // places of a step that are looked at
	kkHidden = 3    // resonances that the fit has not found, which are looked for
	kkLeast  = 24   // points
	kkDrifts = 0.5  // relative to |Z|, the most that a level is said to drift: the size is of first order, and a level does not fall by more than itself
	kkAngle  = 0.1  // rad, standard deviation beforehand of each shape of a phase that is off smoothly
)

// least size of a fault that is named.
var kkSize = map[Fault]float64{GainStep: 0.01, PhaseStep: 0.01, Drift: 0.02, PhaseError: 0.005}

// KK tests whether c can be the impedance of a linear, causal and stable load,
// by what it has beyond load, its fit: that is fitted in turn by causal terms
// all over the band, as large as the data make likely, and what they leave no
// such load explains. The models of the fit are causal themselves, so that none
// of this hangs on how well they suit the load. Where c has no fit and load has
// no Re, the terms are on their own, and what they leave is no fault by itself.
//
// A level or a phase that steps, a level that drifts, and a phase that is off by
// an angle that changes slowly are named by adding each to the terms and looking
// at what it explains; a step counts only where it shows beside its place too.
// The sign of the phase is told by Bode's relation. A drift of the level and a
// phase that is wrong by a constant look alike here. The time grows in
// proportion to the points.
//
// Method: B. A. Boukamp, J. Electrochem. Soc. 142(6), 1995; Schoenleber et
// al., Electrochim. Acta 131, 20-27, 2014. That the terms are held to a size
// instead of being few, and the test of named faults, are our own.
func KK(ctx context.Context, c impedance.Curve, load Result) (KKResult, error) {
	if err := c.Check(); err != nil {
		return KKResult{}, err
	}
	n := len(c.Points)
	if n < kkLeast {
		return KKResult{}, fmt.Errorf("curve has %d points; a Kramers-Kronig test needs at least %d", n, kkLeast)
	}
	if i := short(c); i >= 0 {
		return KKResult{}, fmt.Errorf("impedance is 0 at %v Hz; a Kramers-Kronig test is relative to it", c.Points[i].Hz)
	}
	if load.Crossover == Split {
		// A fit of what lies below a crossover says nothing of the curve above it.
		if load.whole == nil {
			load = Result{Resonances: load.Resonances}
		} else {
			load = *load.whole
		}
	}
	fitted, known := load.Impedances, load.Re.Value > 0
	if !known {
		fitted = func(hz []float64) []complex128 { return slices.Repeat([]complex128{1}, len(hz)) }
	}
	t := newCausal(c.Points, fitted, load.Resonances)
	if t.use == nil {
		return KKResult{}, errors.New("the points of the curve are too uncertain for a Kramers-Kronig test")
	}
	r := t.judge()
	if mirrored(c.Points) {
		r.Fault = PhaseSign
		return r, nil
	}
	for range kkHidden {
		if r.Fault != Inconsistent {
			break
		}
		t.hidden(ctx, r.WorstHz)
		if ctx.Err() != nil {
			return KKResult{}, ctx.Err()
		}
		r = t.judge()
	}
	if !known && (r.Fault == PhaseError || r.Fault == Inconsistent) {
		r.Fault, r.Size, r.AtHz = Consistent, 0, 0
	}
	return r, nil
}

// judge says how much is left, and what explains it.
func (c *causal) judge() KKResult {
	r := KKResult{LowHz: c.low, HighHz: c.high}
	var sum, noise, worst float64
	for i, w := range c.weight {
		e := (c.left[2*i]*c.left[2*i] + c.left[2*i+1]*c.left[2*i+1]) / (w * w)
		sum += e
		noise += 2 * c.noise[i]
		if e > worst {
			worst, r.WorstHz = e, c.hz[i]
		}
	}
	n := float64(len(c.hz))
	r.Percent = 100 * math.Sqrt(sum/n)
	r.Noise = 100 * math.Sqrt(noise/n*c.dof/(2*n))
	c.name(&r)
	return r
}

// name finds the fault that explains most of what the terms leave.
func (c *causal) name(r *KKResult) {
	drop := 0.0
	keep := func(fault Fault, atHz float64, e effect) {
		drop = e.drop()
		r.Fault, r.AtHz, r.Size = fault, atHz, e.size()
	}
	smooth := c.smoothPhase(*r)
	if bin, part, e := c.step(); bin > 0 && e.drop() > smooth.drop {
		keep([...]Fault{GainStep, PhaseStep}[part], math.Sqrt(c.hz[bin-1]*c.hz[bin]), e)
	}
	// A step has its place to choose, and near an end it looks like a drift.
	e := c.effect(c.column(func(i int) complex128 { return complex(r.along(c.hz[i]), 0) }))
	if math.Abs(e.size()) >= kkSize[Drift] && e.drop() > drop-max(kkPlace, kkAhead*drop) {
		keep(Drift, 0, e)
	}
	excess := dot(c.left, c.left) - c.dof
	if drop >= kkSure && drop >= excess/2 {
		return
	}
	r.Fault, r.AtHz, r.Size = Consistent, 0, 0
	if excess <= (kkExcess-1)*c.dof {
		return
	}
	r.Fault = Inconsistent
	if smooth.drop >= kkSure && smooth.drop >= excess/2 && math.Abs(smooth.size) >= kkSize[PhaseError] {
		r.Fault, r.AtHz, r.Size, r.bend = PhaseError, smooth.hz, smooth.size, smooth.bend
	}
}

// step returns the step that takes most off chi-square and shows locally: the
// bin that it begins at, or 0, its part and its effect.
func (c *causal) step() (bin, part int, e effect) {
	type place struct {
		bin, part int
		effect
	}
	var all []place
	for part, fault := range [2]Fault{GainStep, PhaseStep} {
		c.steps(part, func(bin int, e effect) {
			if e.drop() >= kkSure && math.Abs(e.size()) >= kkSize[fault] {
				all = append(all, place{bin, part, e})
			}
		})
	}
	slices.SortFunc(all, func(a, b place) int { return cmp.Compare(b.drop(), a.drop()) })
	for _, p := range all[:min(len(all), kkTried)] {
		if c.local(p.part, p.bin, p.size()) {
			return p.bin, p.part, p.effect
		}
	}
	return 0, 0, effect{}
}

// along returns the place of hz in the band by its logarithm, from 0 to 1.
func (r KKResult) along(hz float64) float64 {
	return math.Log(hz/r.LowHz) / math.Log(r.HighHz/r.LowHz)
}

// phaseShapes is how many Chebyshev polynomials of ln f, over the band, make up
// an angle that changes slowly.
const phaseShapes = 5

func phaseShape(k int, along float64) float64 {
	return math.Cos(float64(k) * math.Acos(min(max(2*along-1, -1), 1)))
}

// smoothPhase is a phase that is off by an angle that changes slowly.
type smoothPhase struct {
	bend     [phaseShapes]float64 // rad of each shape
	size, hz float64              // where it is largest, rad and Hz
	drop     float64              // what it takes off chi-square
}

// smoothPhase returns the one that takes most off chi-square, over the band of r,
// for what an angle may be beforehand: where the terms could do the like, the data
// alone would ask for angles of any size that cancel.
func (c *causal) smoothPhase(r KKResult) smoothPhase {
	var shapes, parts [phaseShapes][]float64
	power, along := mat.NewSymDense(phaseShapes, nil), mat.NewVecDense(phaseShapes, nil)
	for k := range shapes {
		v := c.column(func(i int) complex128 { return complex(0, phaseShape(k, r.along(c.hz[i]))) })
		shapes[k], parts[k] = v, c.along(v)
		along.SetVec(k, dot(v, c.data)-dot(parts[k], c.parts))
		for l := range k + 1 {
			power.SetSym(k, l, dot(v, shapes[l])-dot(parts[k], parts[l]))
		}
		power.SetSym(k, k, power.At(k, k)+1/(kkAngle*kkAngle))
	}
	var chol mat.Cholesky
	var bend mat.VecDense
	if !chol.Factorize(power) || chol.SolveVecTo(&bend, along) != nil {
		return smoothPhase{}
	}
	s := smoothPhase{bend: [phaseShapes]float64(bend.RawVector().Data), drop: mat.Dot(along, &bend)}
	r.bend = s.bend
	for _, hz := range c.hz {
		if a := r.angle(hz); math.Abs(a) > math.Abs(s.size) {
			s.size, s.hz = a, hz
		}
	}
	return s
}

// angle returns by how much the phase at hz is off in a PhaseError, in rad.
func (r KKResult) angle(hz float64) (sum float64) {
	for k, a := range r.bend {
		sum += a * phaseShape(k, r.along(hz))
	}
	return sum
}

// Without returns what c may be without its fault: a step may be wrong on
// either side of its place, and a drift right at either end, or be a phase that
// is off by a constant. What nothing explains may be a level that is off by
// three times as much as is left. Without a fault there is none.
func (r KKResult) Without(c impedance.Curve) []impedance.Curve {
	size := complex(r.Size, 0)
	above := func(hz float64, factor complex128) complex128 {
		if hz > r.AtHz {
			return factor
		}
		return 1
	}
	var ways []func(hz float64) complex128
	switch r.Fault {
	case GainStep, PhaseStep:
		if r.Fault == PhaseStep {
			size *= 1i
		}
		step := cmplx.Exp(size)
		ways = append(ways,
			func(hz float64) complex128 { return above(hz, 1/step) },
			func(hz float64) complex128 { return step * above(hz, 1/step) })
	case Drift:
		ways = append(ways,
			func(hz float64) complex128 { return cmplx.Exp(complex(-r.Size*r.along(hz), 0)) },
			func(hz float64) complex128 { return cmplx.Exp(complex(r.Size*(1-r.along(hz)), 0)) },
			func(float64) complex128 { return cmplx.Rect(1, -r.Phase()) })
	case Inconsistent:
		off := 3 * r.Percent / 100
		ways = append(ways,
			func(float64) complex128 { return complex(1-off, 0) },
			func(float64) complex128 { return complex(1+off, 0) })
	case PhaseError:
		ways = append(ways, func(hz float64) complex128 { return cmplx.Rect(1, -r.angle(hz)) })
	case PhaseSign:
		d := turned(c, func(float64) complex128 { return 1 })
		for i := range d.Points {
			d.Points[i].Z = cmplx.Conj(d.Points[i].Z)
			d.Points[i].Noise.RI *= -1
		}
		for _, s := range d.Shared {
			for i, dz := range s.DZ {
				s.DZ[i] = cmplx.Conj(dz)
			}
		}
		return []impedance.Curve{d}
	}
	var out []impedance.Curve
	for _, w := range ways {
		out = append(out, turned(c, w))
	}
	return out
}

// turned returns c times a factor, with its noise and its shared sources.
func turned(c impedance.Curve, factor func(hz float64) complex128) impedance.Curve {
	d := c
	d.Points = slices.Clone(c.Points)
	d.Shared = slices.Clone(c.Shared)
	for k, s := range d.Shared {
		d.Shared[k].DZ = slices.Clone(s.DZ)
	}
	for i, p := range d.Points {
		f := factor(p.Hz)
		d.Points[i].Z *= f
		d.Points[i].Noise = p.Noise.Times(f)
		for _, s := range d.Shared {
			s.DZ[i] *= f
		}
	}
	return d
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
		return impedance.Warning{Code: "kk", Text: fmt.Sprintf("the curve is faulty: its phase steps by %+.1f degrees at %s, as no load does; look for lost samples or two curves joined into one, and measure again", degrees(r.Size), hertz(r.AtHz))}, true
	case Drift:
		if math.Abs(r.Size) > kkDrifts {
			return impedance.Warning{Code: "kk-drift", Text: fmt.Sprintf("the phase of the curve is off by some %.0f degrees, as no load's is; look for inputs that hear the signal at different times, or that are not alike", math.Abs(degrees(r.Phase())))}, true
		}
		return impedance.Warning{Code: "kk-drift", Text: fmt.Sprintf("the phase of the curve is off by %.1f degrees throughout, or its level drifts by %+.1f %% from %s to %s; look for a delay between the channels, a warm coil or a changing level", math.Abs(degrees(r.Phase())), 100*r.Size, hertz(r.LowHz), hertz(r.HighHz))}, true
	case PhaseError:
		return impedance.Warning{Code: "kk-phase-error", Text: fmt.Sprintf("the phase of the curve is off by up to %.1f degrees, most at %s; look for a delay between the channels or for inputs that are not alike", math.Abs(degrees(r.Size)), hertz(r.AtHz))}, true
	case PhaseSign:
		return impedance.Warning{Code: "kk-phase-sign", Text: "the curve is faulty: its phase has the wrong sign, so that coils look like capacitors; turn the sign of the reactance or phase column round"}, true
	}
	return impedance.Warning{Code: "kk", Text: fmt.Sprintf("the curve fits no linear load: %.2g %% is left (noise leaves %.2g %%), most at %s; measure again, and if it stays, the load has a part there that changes with level", r.Percent, r.Noise, hertz(r.WorstHz))}, true
}

func degrees(rad float64) float64 { return rad * 180 / math.Pi }

// hertz writes a frequency with its unit to four digits, without an exponent.
func hertz(f float64) string {
	places := max(0, 3-int(math.Floor(math.Log10(f))))
	return strconv.FormatFloat(f, 'f', places, 64) + " Hz"
}

// Phase returns the constant phase error, in rad, that a drift cannot be told
// from: (s/w0)^e = 1 + e (ln(w/w0) + j pi/2) is consistent.
func (r KKResult) Phase() float64 {
	return -math.Pi / 2 * r.Size / math.Log(r.HighHz/r.LowHz)
}

// Faulty reports whether the curve has a fault that is sure to be one of the
// measurement. A phase that is off by a little, and what is not explained, is
// not: how much it matters is a matter of the rating.
func (r KKResult) Faulty() bool {
	return r.Fault == GainStep || r.Fault == PhaseStep || r.Fault == PhaseSign
}
