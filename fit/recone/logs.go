package recone

import (
	"context"
	"maps"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

const (
	reference = 20.0 // C, to which Re is corrected

	// A thermometer in the room and a coil that rested there agree to about
	// this (k = 1; common practice, no source).
	kelvin = 0.5

	// A DC meter of the workshop reads ohms to about this part (k = 1; common
	// practice, no source). It counts where Re was pinned to a reading.
	meter = 0.005
)

// The quantities that are worked out of a fit. All of them are above 0, and
// all work is done in their logarithms.
const (
	qRe = iota
	qFs
	qQms
	qQes
	qQts
	qLe
	qMin
	qMax
	qRes
	qMms // those from here on up to a factor that both sides share
	qCms
	qBl
	qVas
	quantities

	constants = quantities - qMms
)

var quantityNames = [...]string{"re", "fs", "q_ms", "q_es", "q_ts", "le_1khz", "z_min", "z_max"}
var quantityUnits = [...]string{"ohm", "Hz", "", "", "", "H", "ohm", "ohm"}

// logs are the logarithms of the quantities of one side with what makes them
// uncertain: noise and misfit, which are its own, and shared sources by ID.
type logs struct {
	value  [quantities]float64
	own    *mat.SymDense
	shared map[string][]float64

	hasLe bool
}

// logsOf works out the logarithms for the driver of s, its coil brought from
// warm kelvin above the reference temperature to it.
func logsOf(s Side, warm float64) logs {
	n := len(s.Load.Parameters)
	p := make([]float64, n+2)
	for i, q := range s.Load.Parameters {
		p[i] = q.Value
	}
	p[n], p[n+1] = warm, 1
	main := mainResonance(s.Load)
	at := func(p []float64) []float64 { q := quantitiesAt(s.Load, main, p); return q[:] }
	g := slopes(at, p, func(k int) float64 {
		if k == n {
			return 1e-3
		}
		return 1e-5 * p[k]
	})
	c := mat.NewSymDense(n+2, nil)
	for i, row := range s.Load.Covariance {
		for k := i; k < len(row); k++ {
			c.SetSym(i, k, row[k])
		}
	}
	if s.Celsius != nil {
		c.SetSym(n, n, kelvin*kelvin)
	}
	if s.Load.Pinned {
		c.SetSym(n+1, n+1, meter*meter)
	}
	l := logs{value: quantitiesAt(s.Load, main, p), own: through(g, c), shared: map[string][]float64{}, hasLe: s.Load.Coil.Kind != fit.NoCoil}
	// What the model leaves of the curve may lie on an extreme, half of its
	// variance along Z.
	for _, i := range []int{qMin, qMax} {
		l.own.SetSym(i, i, l.own.At(i, i)+s.Load.Misfit*s.Load.Misfit/2)
	}
	for _, shift := range s.Load.Shifts {
		var d mat.VecDense
		d.MulVec(g.Slice(0, quantities, 0, n), mat.NewVecDense(n, shift.Parameters))
		l.shared[shift.ID] = d.RawVector().Data
	}
	return l
}

// slopes are the derivatives of quantities by what they are worked out of, at x,
// from differences of h either way.
func slopes(of func(x []float64) []float64, x []float64, h func(k int) float64) *mat.Dense {
	g := mat.NewDense(len(of(x)), len(x), nil)
	for k := range x {
		y, step := slices.Clone(x), h(k)
		y[k] = x[k] + step
		up := of(y)
		y[k] = x[k] - step
		down := of(y)
		for i := range up {
			g.Set(i, k, (up[i]-down[i])/(2*step))
		}
	}
	return g
}

// through is the covariance of what has the slopes g by variables with the
// covariance c.
func through(g *mat.Dense, c mat.Symmetric) *mat.SymDense {
	var left, both mat.Dense
	left.Mul(g, c)
	both.Mul(&left, g.T())
	n, _ := g.Dims()
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for k := i; k < n; k++ {
			out.SetSym(i, k, both.At(i, k))
		}
	}
	return out
}

// quantitiesAt returns the logarithms at the parameters p, which are followed
// by the kelvin above the reference and by the factor on a pinned Re.
func quantitiesAt(of fit.Result, main int, p []float64) (q [quantities]float64) {
	n := len(of.Parameters)
	r := of
	r.Resonances, r.Wrinkles = slices.Clone(of.Resonances), slices.Clone(of.Wrinkles)
	for i, parameter := range of.Parameters {
		r.Parameter(parameter.Name).Value = p[i]
	}
	measured := r.Re.Value
	re := measured * p[n+1] / (1 + quantity.CopperPerKelvin*p[n])
	m := r.Resonances[main]
	qms, res := m.Qms.Value, m.Res.Value
	qes := qms * re / res
	cooler := complex(re-measured, 0)
	q[qRe], q[qFs], q[qQms], q[qQes], q[qRes] = re, m.Hz.Value, qms, qes, res
	q[qQts] = qms * qes / (qms + qes)
	q[qMin] = cmplx.Abs(r.Impedance(of.Min.Hz) + cooler)
	q[qMax] = cmplx.Abs(r.Impedance(of.Max.Hz) + cooler)
	q[qLe], q[qMms], q[qCms], q[qBl], q[qVas] = 1, 1, 1, 1, 1
	if of.Coil.Kind != fit.NoCoil {
		q[qLe] = imag(coilAlone(r).Impedance(coilHz)) / (2 * math.Pi * coilHz)
	}
	for i, x := range q {
		q[i] = math.Log(x)
	}
	return q
}

// mainResonance is the index of the highest peak.
func mainResonance(r fit.Result) (main int) {
	for i, m := range r.Resonances {
		if m.Res.Value > r.Resonances[main].Res.Value {
			main = i
		}
	}
	return main
}

// of returns quantity i, with its standard uncertainty.
func (l logs) of(i int) quantity.Value {
	v := math.Exp(l.value[i])
	return quantity.Value{Value: v, U: v * l.u(i)}
}

// u is the standard uncertainty of quantity i by itself.
func (l logs) u(i int) float64 {
	v := l.own.At(i, i)
	for _, id := range slices.Sorted(maps.Keys(l.shared)) {
		v += l.shared[id][i] * l.shared[id][i]
	}
	return math.Sqrt(v)
}

// difference returns the logarithms of after over before and their covariance.
// Noise and misfit of the two do not depend on each other; what one source
// does to both is subtracted before it is squared.
func difference(before, after logs) (d [quantities]float64, cov *mat.SymDense) {
	cov = mat.NewSymDense(quantities, nil)
	cov.AddSym(before.own, after.own)
	for i := range d {
		d[i] = after.value[i] - before.value[i]
	}
	both := maps.Clone(before.shared)
	maps.Copy(both, after.shared)
	for _, id := range slices.Sorted(maps.Keys(both)) {
		x := mat.NewVecDense(quantities, nil)
		x.SubVec(by(after.shared, id), by(before.shared, id))
		cov.SymRankOne(cov, 1, x)
	}
	return d, cov
}

// by returns what a source does to the quantities, of what sources do: nothing
// where it is none of them.
func by(shared map[string][]float64, id string) *mat.VecDense {
	if shared[id] == nil {
		return mat.NewVecDense(quantities, nil)
	}
	return mat.NewVecDense(quantities, shared[id])
}

// worth is by how much the criterion of two fits together may rise for a model
// that they share, and that of more for each beyond the first: a rise of 10 is
// called very strong evidence (Kass and Raftery, J. Am. Stat. Assoc. 90(430),
// 773-795, 1995, from memory), and there are two.
const worth = 20

// oneModel returns all sides fitted by one model of theirs, the one that suits
// all curves together. A coil modelled in two ways would otherwise pass for a
// coil that changed. It reports false, and returns sides as they are, where none
// does, as when one curve has a resonance that another has not. The error is that
// of ctx.
func oneModel(ctx context.Context, sides []Side) ([]Side, bool, error) {
	var models []fit.Model
	least := worth * float64(len(sides)-1)
	for _, s := range sides {
		if !slices.Contains(models, s.Load.Model) {
			models = append(models, s.Load.Model)
		}
		least += criterion(s.Load)
	}
	if len(models) == 1 {
		return sides, true, nil
	}
	best, same := sides, false
	for _, m := range models {
		all := make([]Side, len(sides))
		sum := 0.0
		for i, s := range sides {
			var err error
			if all[i], err = refitted(ctx, s, m); ctx.Err() != nil {
				return nil, false, ctx.Err()
			}
			if err != nil || len(all[i].Load.Resonances) != len(all[0].Load.Resonances) {
				sum = math.Inf(1) // what is a resonance of one may be a wrinkle of the other
				break
			}
			sum += criterion(all[i].Load)
		}
		if sum < least {
			best, same, least = all, true, sum
		}
	}
	return best, same, nil
}

func refitted(ctx context.Context, s Side, m fit.Model) (Side, error) {
	if s.Load.Model == m {
		return s, nil
	}
	o := fit.Options{Models: []fit.Model{m}}
	if s.Load.Pinned {
		o.PinnedRe = s.Load.Re.Value
	}
	var err error
	s.Load, err = fit.Curve(ctx, s.Curve, o)
	return s, err
}

// criterion is that of the model of r.
func criterion(r fit.Result) float64 {
	for _, c := range r.Candidates {
		if c.Model == r.Model {
			return c.Criterion
		}
	}
	return math.Inf(1)
}

// atReference returns the curve of s with its coil brought from warm kelvin
// above the reference temperature to it, and the temperature's uncertainty as
// a source called id.
func atReference(s Side, warm float64, id string) impedance.Curve {
	if s.Celsius == nil {
		return s.Curve
	}
	c := impedance.Curve{Points: slices.Clone(s.Curve.Points), Shared: slices.Clone(s.Curve.Shared)}
	re := s.Load.Re.Value
	cold := re / (1 + quantity.CopperPerKelvin*warm)
	source := impedance.Source{ID: id, DZ: make([]complex128, len(c.Points))}
	for i := range c.Points {
		c.Points[i].Z += complex(cold-re, 0)
		source.DZ[i] = complex(-cold*quantity.CopperPerKelvin/(1+quantity.CopperPerKelvin*warm)*kelvin, 0)
	}
	c.Shared = append(c.Shared, source)
	return c
}
