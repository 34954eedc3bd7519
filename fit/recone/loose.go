package recone

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// A part of the moving mass that hangs on the rest by a spring, as a dust cap or
// a surround whose glue has let go does, adds a resonance of its own to the
// impedance.
type looseness struct {
	hz    quantity.Value // of the part by itself
	share quantity.Value // of the moving mass
	after bool           // it is loose after, and was not before; else the other way round
	gain  float64        // logarithm of the evidence for it in what the quantities do not explain

	elsewhere float64 // Hz, near which one of its size moves by itself on the other side; 0 where none does
}

const (
	// From how far above the highest main resonance of either side a part is
	// looked for, and up to where: beyond, the cone itself bends.
	looseFrom = 1.25
	looseTo   = 3000 // Hz

	// What the part adds to |Z| at least, relative to it: two measurements of one
	// driver differ locally by less (common practice, no source).
	looseLeast = 0.01

	leastLooseQ, mostLooseQ = 1, 60

	// The largest share of the moving mass that is a part of it.
	mostShare = 0.3
)

// evolution is how a driver changed, worked out of the difference of its curves.
type evolution struct {
	fromAfter bool  // the load that was bent is that of after
	apart     bool  // no bend makes one curve of the other: each fit speaks for itself
	plain     logs  // changes from the load that was bent, without a loose part
	loose     *logs // and with one; nil where none shows
	part      looseness
	scatter   float64 // of the difference, relative to |Z|
}

// From how much of |Z| the best bend must leave, absolutely and against what the
// two fits leave of their own curves, that it is no explanation: its parameters
// are then wherever the search got stuck.
const (
	leastApart = 0.005
	farApart   = 5
)

// changes are the likeliest.
func (e evolution) changes() logs {
	if e.loose != nil {
		return *e.loose
	}
	return e.plain
}

// measured is a driver whose coil is at the reference temperature.
type measured struct {
	load  fit.Result
	curve impedance.Curve
}

// evolve works out how a driver changed from two curves of one grid and the
// loads that were fitted to them. What one curve and the load that was fitted to
// it do not have in common, such as what the model lacks, cancels. What it returns
// is worth nothing once ctx has ended.
func evolve(ctx context.Context, before, after measured) (evolution, error) {
	e, err := together(ctx, before, after)
	fits := math.Hypot(before.load.Misfit, after.load.Misfit)
	if errors.Is(err, errNoBend) || err == nil && e.scatter > max(leastApart, farApart*fits) {
		hasLe := before.load.Coil.Kind != fit.NoCoil && after.load.Coil.Kind != fit.NoCoil
		return evolution{apart: true, plain: logs{hasLe: hasLe}, scatter: fits}, nil
	}
	return e, err
}

// together is that by a bend, however much it leaves.
func together(ctx context.Context, before, after measured) (evolution, error) {
	e := evolution{fromAfter: simpler(after.load, before.load)}
	hangsOn, err := e.evolve(ctx, before, after)
	if err == nil && hangsOn {
		// The driver that is whole is the one to hang a part on.
		other := evolution{fromAfter: !e.fromAfter}
		if _, err := other.evolve(ctx, before, after); err == nil && other.loose != nil {
			return other, nil
		}
	}
	return e, err
}

// evolve is that from the load that is chosen. It reports whether what shows of a
// part hangs on that one, and not on the other.
func (e *evolution) evolve(ctx context.Context, before, after measured) (hangsOn bool, err error) {
	from, to := before, after
	if e.fromAfter {
		from, to = after, before
	}
	b := newBend(from.load, from.curve.Hz())
	g := newGap(from.curve, to.curve, from.load)
	plain, err := g.solve(ctx, b, make([]float64, b.size()), nil)
	if other, err2 := g.solve(ctx, b, b.start(to.load), nil); err2 == nil && (err != nil || other.scatter < plain.scatter) {
		plain, err = other, nil
	}
	if err != nil {
		return false, err
	}
	e.plain, e.scatter = plain.changes(), plain.scatter
	if boxed(from.load, to.load) {
		return false, nil // what a bend cannot follow is what ties its resonances together
	}
	low := looseFrom * max(mainHz(from.load), mainHz(to.load))
	high := min(looseTo, b.hz[len(b.hz)-1]/1.5)
	mode, ok := g.search(ctx, plain, low, high)
	if !ok || math.Abs(mode.ohm) < looseLeast*cmplx.Abs(from.load.Impedance(mode.hz)) {
		return false, nil
	}
	if mode.ohm < 0 {
		return mode.gain > 2*clearGain*plain.length, nil
	}
	joint, err := g.hang(ctx, plain, mode)
	if err != nil || !joint.makesSense(low, high) {
		return false, nil
	}
	beside, err := g.solve(ctx, b, plain.x, &joint)
	if err != nil {
		return false, nil
	}
	part := joint.part()
	part.after = !e.fromAfter
	part.gain = (beside.chi-joint.chi)/(2*joint.length) + joint.occam(low, high)
	if part.gain < 0 {
		return false, nil
	}
	// What the bent curve has and the other lacks takes away where that adds.
	was, ok := g.search(ctx, joint, low, high)
	if ok && was.ohm < 0 && -was.ohm > looseLeast*cmplx.Abs(from.load.Impedance(was.hz)) &&
		was.mass() > likeSize*mode.mass() && math.Abs(math.Log(was.hz/mode.hz)) > 1/(2*mode.q) {
		part.elsewhere = was.hz
	}
	l := joint.changes()
	e.plain, e.loose, e.part, e.scatter = beside.changes(), &l, part, joint.scatter
	return false, nil
}

// likeSize is from how much of the mass of another a part may be the same one.
const likeSize = 0.4

// clearGain is the logarithm of the evidence from which a part is looked for the
// other way round.
const clearGain = 3

// complete returns the logarithms of both sides with those of the one that was
// not bent worked out from the other's, but for the extremes.
func (e evolution) complete(b, a logs) (logs, logs) {
	if e.apart {
		return b, a
	}
	d, from, to := e.changes(), b, &a
	if e.fromAfter {
		from, to = a, &b
	}
	for i := range qMms {
		if i == qMin || i == qMax {
			continue
		}
		to.value[i] = from.value[i] + d.value[i]
		if v := from.own.At(i, i) + d.own.At(i, i); v > to.own.At(i, i) {
			to.own.SetSym(i, i, v)
		}
	}
	return b, a
}

// pair returns logarithms of both sides whose difference is that of the changes
// d, with what is uncertain of it all on the side after, and of the extremes of
// b and a.
func (e evolution) pair(d, b, a logs) (before, after logs) {
	if e.apart {
		return b, a
	}
	before = logs{value: b.value, own: mat.NewSymDense(quantities, nil), shared: map[string][]float64{}, hasLe: d.hasLe}
	after = logs{value: b.value, own: d.own, shared: map[string][]float64{}, hasLe: d.hasLe}
	sign := 1.0
	if e.fromAfter {
		sign = -1
	}
	for i := range qMms {
		after.value[i] += sign * d.value[i]
	}
	for id, x := range d.shared {
		y := slices.Clone(x)
		for i := range y {
			y[i] *= sign
		}
		after.shared[id] = y
	}
	for _, i := range []int{qMin, qMax} {
		after.value[i] = a.value[i]
		after.own.SetSym(i, i, a.own.At(i, i)+b.own.At(i, i))
		for _, side := range []struct{ from, to map[string][]float64 }{{b.shared, before.shared}, {a.shared, after.shared}} {
			for id, x := range side.from {
				d := by(side.to, id).RawVector().Data
				d[i] = x[i]
				side.to[id] = d
			}
		}
	}
	return before, after
}

// pin takes the change of Re from readings of a DC meter instead of from the
// curves.
func (e *evolution) pin(before, after float64, both bool) {
	ratio, v := math.Log(after/before), meter*meter
	if e.fromAfter {
		ratio = -ratio
	}
	if both {
		v *= 2
	}
	for _, d := range []*logs{&e.plain, e.loose} {
		if d == nil || e.apart {
			continue
		}
		d.value[qQes] += ratio - d.value[qRe]
		d.value[qRe] = ratio
		for k := range quantities {
			d.own.SetSym(qRe, k, 0)
		}
		d.own.SetSym(qRe, qRe, v)
		d.own.SetSym(qRe, qQes, v)
		d.own.SetSym(qQes, qQes, d.own.At(qQes, qQes)+v)
		for _, x := range d.shared {
			x[qRe] = 0
		}
	}
}

// boxed reports whether both loads have more main resonances than a driver by
// itself: a port or other drivers make them.
func boxed(a, b fit.Result) bool { return len(a.Main()) > 1 && len(b.Main()) > 1 }

// simpler reports whether a is the better load to bend: it has fewer resonances,
// so that one that a part of the other makes is no part of it, or it suits its
// curve much better.
func simpler(a, b fit.Result) bool {
	if len(a.Resonances) != len(b.Resonances) {
		return len(a.Resonances) < len(b.Resonances)
	}
	return 2*a.Misfit < b.Misfit
}

func mainHz(r fit.Result) float64 { return r.Resonances[mainResonance(r)].Hz.Value }

// start is where a bend towards the load to may begin.
func (b bend) start(to fit.Result) []float64 {
	x := make([]float64, b.size())
	x[0] = math.Log(to.Re.Value / b.load.Re.Value)
	from, main := mainResonance(b.load), mainResonance(to)
	if len(to.Resonances) == len(b.load.Resonances) {
		main = from
	}
	m, of := to.Resonances[main], b.load.Resonances[from]
	at := 1 + 3*from
	x[at] = math.Log(m.Hz.Value / of.Hz.Value)
	x[at+1] = math.Log(m.Qms.Value / of.Qms.Value)
	x[at+2] = math.Log(m.Res.Value / of.Res.Value)
	return x
}

// A mode is a resonance that one curve has and the other has not; ohm is below 0
// where it is the curve that is bent.
type mode struct{ hz, q, ohm, gain float64 }

// mass is in proportion to the moving mass that m takes.
func (m mode) mass() float64 { return math.Abs(m.ohm) * m.hz / m.q }

// modal is a resonance of 1 ohm.
func modal(hz, at, q float64) complex128 { return 1 / complex(1, q*(hz/at-at/hz)) }

// search returns the mode that takes most off what plain leaves, with all else
// free to follow. It finds none where ctx ends.
func (g gap) search(ctx context.Context, plain solution, low, high float64) (best mode, ok bool) {
	if !(high > low) {
		return best, false
	}
	_, by := plain.change(plain.x, true)
	n, size := len(plain.hz), plain.size()
	left, rows := make([]float64, 2*n), make([]float64, 2*n*size)
	for i := range n {
		left[2*i], left[2*i+1] = g.white(i, plain.scatter, plain.left[i])
		for k := range size {
			rows[2*i*size+k], rows[(2*i+1)*size+k] = g.white(i, plain.scatter, by[k][i])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(plain.normal) {
		return best, false
	}
	cross, off := make([]float64, size), mat.NewVecDense(size, nil)
	for _, q := range []float64{1.5, 3, 6, 12, 24} {
		for at := low; at <= high; at *= math.Exp2(1 / (4 * q)) {
			if ctx.Err() != nil {
				return mode{}, false
			}
			var along, square float64
			clear(cross)
			for i, f := range plain.hz {
				a, b := g.white(i, plain.scatter, modal(f, at, q))
				along += a*left[2*i] + b*left[2*i+1]
				square += a*a + b*b
				for k := range cross {
					cross[k] += a*rows[2*i*size+k] + b*rows[(2*i+1)*size+k]
				}
			}
			c := mat.NewVecDense(size, cross)
			if chol.SolveVecTo(off, c) != nil {
				continue
			}
			square -= mat.Dot(c, off)
			if gain := along * along / square; square > 0 && gain > best.gain {
				best = mode{at, q, along / square, gain}
			}
		}
	}
	return best, best.gain > 0
}

// hang explains a mode by a part that hangs. With the share mu of the mass and the
// frequency F that it has by itself, Bl^2/(R + s M + K/s) becomes two resonances,
// the new one at F/sqrt(1 - mu) with mu of the sum of Res w/Q that the two have
// together (partial fractions of two masses in a row, far above the main
// resonance); from there the two masses are solved for as they are.
func (g gap) hang(ctx context.Context, plain solution, m mode) (solution, error) {
	b := plain.bend
	b.hangs = true
	main := b.resonances(plain.x)[mainResonance(b.load)]
	of := m.mass()
	share := min(of/(of+main.Res.Value*main.Hz.Value/main.Qms.Value), mostShare)
	mass := share / (1 - share) // against the rest
	x := append(slices.Clone(plain.x), math.Log(m.hz*math.Sqrt(1-share)), math.Log(m.q*math.Sqrt(1-share)), mass)
	at := 1 + 3*mainResonance(b.load)
	x[at] += math.Log1p(mass) / 2
	x[at+1] -= math.Log1p(mass) / 2
	return g.solve(ctx, b, x, nil)
}

// makesSense reports whether what hangs can be a part of a driver.
func (s solution) makesSense(low, high float64) bool {
	p := s.part()
	q := math.Exp(s.x[s.hangAt()+1])
	return p.share.Value > 0 && p.share.Value < mostShare && p.hz.Value > low/1.3 && p.hz.Value < high*1.3 && q > leastLooseQ && q < mostLooseQ
}

// part is what hangs.
func (s solution) part() looseness {
	h := s.hangAt()
	hz, mass := math.Exp(s.x[h]), s.x[h+2]
	u := func(k int) float64 { return math.Sqrt(s.own.At(k, k)) }
	return looseness{
		hz:    quantity.Value{Value: hz, U: hz * u(h)},
		share: quantity.Value{Value: mass / (1 + mass), U: u(h+2) / ((1 + mass) * (1 + mass))},
	}
}

// occam is the logarithm of how much of what a loose part could be the curves
// leave it: its frequency and Q anywhere in their range by ratio, its mass
// anywhere up to the largest share.
func (s solution) occam(low, high float64) float64 {
	h := s.hangAt()
	var chol mat.Cholesky
	if !chol.Factorize(s.own.SliceSym(h, h+3)) {
		return math.Inf(-1)
	}
	return 1.5*math.Log(2*math.Pi) + chol.LogDet()/2 - math.Log(math.Log(high/low)*math.Log(mostLooseQ/leastLooseQ)*mostShare/(1-mostShare))
}
