package recone

import (
	"math"
	"math/cmplx"
	"slices"

	"tapload/fit"
	"tapload/measure/quantity"
)

// A bend is a fitted load whose parts are changed: the model of what one curve
// has and another of the same driver has not. Its parameters are
//
//	ln Re, then ln fs, ln Qms and ln Res of each resonance, all against the
//	load's; ln of the size of the coil at 1 kHz and the exponent t of (s/s0)^t
//	by which the coil is steeper; and with a part that hangs, ln of its
//	frequency and of its Q by itself, and its mass against the rest of the cone
//
// which asks nothing of the load but its parts and their impedance, whatever
// models of coil and suspension package fit may have.
type bend struct {
	load  fit.Result
	hz    []float64
	coil  []complex128 // ohm; nil where the load has none
	hangs bool         // a part hangs on what the main resonance moves
}

const coilHz = 1000 // where the coil is quoted

func newBend(load fit.Result, hz []float64) bend {
	b := bend{load: load, hz: hz}
	if load.Coil.Kind != fit.NoCoil {
		b.coil = coilAlone(load).Impedances(hz)
	}
	return b
}

// coilAlone is the coil of a load and nothing else of it.
func coilAlone(load fit.Result) fit.Result { return fit.Result{Coil: load.Coil} }

func (b bend) coilAt() int { return 1 + 3*len(b.load.Resonances) }

// hangAt is the index of the first parameter of what hangs.
func (b bend) hangAt() int {
	if b.coil == nil {
		return b.coilAt()
	}
	return b.coilAt() + 2
}

func (b bend) size() int {
	if b.hangs {
		return b.hangAt() + 3
	}
	return b.hangAt()
}

// resonances are those of the load at x.
func (b bend) resonances(x []float64) []fit.Resonance {
	all := slices.Clone(b.load.Resonances)
	for k := range all {
		m, at := &all[k], 1+3*k
		m.Hz.Value *= math.Exp(x[at])
		m.Qms.Value *= math.Exp(x[at+1])
		m.Res.Value *= math.Exp(x[at+2])
	}
	return all
}

// motion is what the resonances of the load add at x, at every frequency, in ohm.
func (b bend) motion(x []float64) []complex128 {
	r := b.load
	r.Re, r.Coil, r.Resonances = quantity.Value{}, fit.Coil{}, b.resonances(x)
	z := r.Impedances(b.hz)
	if !b.hangs {
		return z
	}
	main := mainResonance(b.load)
	h := b.hanging(x)
	// Whatever else the load is made of is in both.
	r.Resonances = slices.Delete(slices.Clone(r.Resonances), main, main+1)
	others := r.Impedances(b.hz)
	for i, f := range b.hz {
		free := z[i] - others[i]
		z[i] += 1/(1/free+h.admittance(f)) - free
	}
	return z
}

// A hanging part is a mass on a spring and a damper, as the coil sees it.
type hanging struct {
	farad float64 // its mass
	hz, q float64 // by itself, on a cone that is held
}

// hanging is that at x. A cone seen through the coil is a capacitor of Qms/(w Res).
func (b bend) hanging(x []float64) hanging {
	m := b.resonances(x)[mainResonance(b.load)]
	h := b.hangAt()
	return hanging{x[h+2] * m.Qms.Value / (2 * math.Pi * m.Hz.Value * m.Res.Value), math.Exp(x[h]), math.Exp(x[h+1])}
}

// admittance is that at a frequency, in siemens: mass and spring in a row,
// s C (w0^2 + s w0/q)/(s^2 + s w0/q + w0^2).
func (h hanging) admittance(hz float64) complex128 {
	u := hz / h.hz
	carried := complex(1, u/h.q)
	return complex(0, 2*math.Pi*hz*h.farad) * carried / (carried - complex(u*u, 0))
}

// main is the main resonance at x, by the impedance about it: with what hangs,
// its frequency is where the admittance is real, Res what that is there, and Qms
// half of the relative slope of the susceptance.
func (b bend) main(x []float64) fit.Resonance {
	m := b.resonances(x)[mainResonance(b.load)]
	if !b.hangs {
		return m
	}
	h := b.hanging(x)
	y := func(hz float64) complex128 {
		return complex(1, m.Qms.Value*(hz/m.Hz.Value-m.Hz.Value/hz))/complex(m.Res.Value, 0) + h.admittance(hz)
	}
	const near = 1e-5
	slope := func(hz float64) float64 { // by ln f
		return (imag(y(hz*(1+near))) - imag(y(hz*(1-near)))) / (2 * near)
	}
	hz := m.Hz.Value / math.Sqrt(1+x[b.hangAt()+2])
	for range 20 {
		hz *= math.Exp(max(-0.1, min(0.1, -imag(y(hz))/slope(hz))))
	}
	g := real(y(hz))
	m.Hz.Value, m.Res.Value, m.Qms.Value = hz, 1/g, slope(hz)/(2*g)
	return m
}

// steeper is (s/s0)^t with s0 = 2 pi coilHz, a positive number.
func steeper(hz, t float64) complex128 {
	return cmplx.Exp(complex(t, 0) * steepening(hz))
}

// steepening is ln(s/s0).
func steepening(hz float64) complex128 { return complex(math.Log(hz/coilHz), math.Pi/2) }

// change is by how many ohms the load at x differs from the load, at every
// frequency, and its derivatives to x by column where they are wanted.
func (b bend) change(x []float64, derivatives bool) (dz []complex128, by [][]complex128) {
	n := len(b.hz)
	dz = make([]complex128, n)
	zero := make([]float64, b.size())
	before, after := b.motion(zero), b.motion(x)
	re := b.load.Re.Value
	for i := range dz {
		dz[i] = after[i] - before[i] + complex(re*math.Expm1(x[0]), 0)
	}
	var scaled []complex128
	if c := b.coilAt(); b.coil != nil {
		scaled = make([]complex128, n)
		for i, z := range b.coil {
			scaled[i] = z * complex(math.Exp(x[c]), 0) * steeper(b.hz[i], x[c+1])
			dz[i] += scaled[i] - z
		}
	}
	if !derivatives {
		return dz, nil
	}
	by = make([][]complex128, b.size())
	column := func(k int, of func(i int) complex128) {
		by[k] = make([]complex128, n)
		for i := range by[k] {
			by[k][i] = of(i)
		}
	}
	column(0, func(int) complex128 { return complex(re*math.Exp(x[0]), 0) })
	for k := 1; k < b.size(); k++ {
		if k >= b.coilAt() && k < b.hangAt() {
			continue
		}
		const h = 1e-4
		y := slices.Clone(x)
		y[k] = x[k] + h
		up := b.motion(y)
		y[k] = x[k] - h
		down := b.motion(y)
		column(k, func(i int) complex128 { return (up[i] - down[i]) / (2 * h) })
	}
	if c := b.coilAt(); b.coil != nil {
		column(c, func(i int) complex128 { return scaled[i] })
		column(c+1, func(i int) complex128 { return scaled[i] * steepening(b.hz[i]) })
	}
	return dz, by
}

// What a change is beforehand, as standard deviations of the parameters: wide,
// so that they only settle what the curves leave open. Ours, no source.
const (
	wideRe, wideHz, wideQ, wideRes = 0.5, 0.5, 1, 1
	wideCoil, wideSteep            = 1, 0.3
	wideHang                       = 1 // of frequency, Q and mass about where they were found
)

// priors are the inverse variances of the parameters beforehand.
func (b bend) priors() []float64 {
	var p []float64
	add := func(wide ...float64) {
		for _, w := range wide {
			p = append(p, 1/(w*w))
		}
	}
	add(wideRe)
	for range b.load.Resonances {
		add(wideHz, wideQ, wideRes)
	}
	if b.coil != nil {
		add(wideCoil, wideSteep)
	}
	if b.hangs {
		add(wideHang, wideHang, wideHang)
	}
	return p
}

// prior is what parameter k is expected to be: no change, and what hangs
// where it was found.
func (b bend) prior(k int, origin []float64) float64 {
	if b.hangs && k >= b.hangAt() {
		return origin[k]
	}
	return 0
}

// carried is what the load lacks, misfit, where the resonance has gone to: it is
// of the resonance within an octave or so of it, and moves and grows with that.
func (b bend) carried(x []float64, misfit []complex128) []complex128 {
	was, is := b.load.Resonances[mainResonance(b.load)], b.main(x)
	up, more := math.Log(is.Hz.Value/was.Hz.Value), math.Log(is.Res.Value/was.Res.Value)
	hz := math.Sqrt(was.Hz.Value * is.Hz.Value)
	out := make([]complex128, len(misfit))
	for i, f := range b.hz {
		octaves := math.Log2(f / hz)
		own := 1 / (1 + octaves*octaves*octaves*octaves)
		out[i] = b.between(misfit, f*math.Exp(-own*up)) * complex(math.Exp(own*more), 0)
	}
	return out
}

// between returns z at hz, between the points of b by ln f, or at its end.
func (b bend) between(z []complex128, hz float64) complex128 {
	i, found := slices.BinarySearch(b.hz, hz)
	switch {
	case found:
		return z[i]
	case i == 0:
		return z[0]
	case i == len(z):
		return z[i-1]
	}
	part := math.Log(hz/b.hz[i-1]) / math.Log(b.hz[i]/b.hz[i-1])
	return z[i-1] + complex(part, 0)*(z[i]-z[i-1])
}

// quantities returns the logarithms of the quantities of the main resonance, of
// Re and of the coil at x. Those of the extremes and of the mass are 0.
func (b bend) quantities(x []float64) (q [quantities]float64) {
	m := b.main(x)
	re, qms, res := b.load.Re.Value*math.Exp(x[0]), m.Qms.Value, m.Res.Value
	qes := qms * re / res
	for i, v := range map[int]float64{qRe: re, qFs: m.Hz.Value, qQms: qms, qRes: res, qQes: qes, qQts: qms * qes / (qms + qes)} {
		q[i] = math.Log(v)
	}
	if b.coil != nil {
		c := b.coilAt()
		z := coilAlone(b.load).Impedance(coilHz) * complex(math.Exp(x[c]), 0) * steeper(coilHz, x[c+1])
		q[qLe] = math.Log(max(imag(z), math.SmallestNonzeroFloat64))
	}
	return q
}
