package fit

import (
	"fmt"
	"math"

	"tapload/measure/quantity"
)

// coilHz is the frequency at which the coil is quoted and at which the solver
// holds a power law, so that its size and exponent hardly depend on each other.
const coilHz = 1000

// lowest and highest Q that a resonance of a load is taken to have; outside
// them a resonance only imitates a coil or a ripple.
const minQ, maxQ = 0.3, 50

// A load is a model in the solver's parameters, the logarithms (or, of shares,
// the logits) of
//
//	re (unless pinned), f, q, r of each resonance,
//
// then turn of each but the last where they are coupled, in ohm, and those of
// the suspension, of the coil, of a resistance beside coil and resonances, of a
// capacitor in series and of one across everything.
type load struct {
	Model
	pinned  float64 // ohm; 0 where re is fitted
	blocked bool    // by a capacitor in series

	bypassed bool // by a capacitor across it, which leads to other drivers
}

// after is the index behind a parameter at the index at that may be there.
func after(at int, there bool) int {
	if there {
		return at + 1
	}
	return at
}

// first is the index of the first resonance's parameters.
func (l load) first() int { return after(0, l.pinned == 0) }

func (l load) turnsAt() int { return l.first() + 3*l.Resonances }

// turns is how many resonances have a turn of their own.
func (l load) turns() int {
	if l.Coupled && l.Resonances > 0 {
		return l.Resonances - 1
	}
	return 0
}

func (l load) suspensionAt() int { return l.turnsAt() + l.turns() }

func (l load) coilAt() int { return l.suspensionAt() + l.Suspension.size() }

func (l load) padAt() int { return l.coilAt() + l.Coil.size() }

func (l load) capacitorAt() int { return after(l.padAt(), l.Padded) }

func (l load) bypassAt() int { return after(l.capacitorAt(), l.blocked) }

func (l load) size() int { return after(l.bypassAt(), l.bypassed) }

// names are those of Result.Parameters, in the order of the parameters.
func (l load) names() []string {
	var names []string
	if l.pinned == 0 {
		names = append(names, "re")
	}
	for k := range l.Resonances {
		for _, n := range []string{"f", "qms", "res"} {
			names = append(names, fmt.Sprintf("%s%d", n, k+1))
		}
	}
	for k := range l.turns() {
		names = append(names, fmt.Sprintf("turn%d", k+1))
	}
	names = append(append(names, l.Suspension.Parameters()...), l.Coil.Parameters()...)
	if l.Padded {
		names = append(names, "pad")
	}
	if l.blocked {
		names = append(names, "c")
	}
	if l.bypassed {
		names = append(names, "bypass")
	}
	return names
}

// natural returns the values of the parameters in their own units and the
// square matrix of their derivatives to the solver's parameters.
func (l load) natural(p []float64) (values []float64, by [][]float64) {
	n := len(p)
	values, by = make([]float64, n), make([][]float64, n)
	for i := range p {
		by[i] = make([]float64, n)
	}
	for i, name := range l.names() {
		if i >= l.turnsAt() && i < l.suspensionAt() {
			values[i], by[i][i] = p[i], 1
			continue
		}
		if suspensionParameters[name].share || coilParameters[name].share {
			values[i] = expit(p[i])
			by[i][i] = values[i] * (1 - values[i])
		} else {
			values[i] = math.Exp(p[i])
			by[i][i] = values[i]
		}
		if name == "n" {
			// K = x w0^-n, x before n
			lw := math.Log(2 * math.Pi * coilHz)
			values[i-1] *= math.Exp(-values[i] * lw)
			by[i-1][i-1] = values[i-1]
			by[i-1][i] = -values[i-1] * lw * by[i][i]
		}
	}
	return values, by
}

func expit(x float64) float64 { return 1 / (1 + math.Exp(-x)) }
func logit(n float64) float64 { return math.Log(n / (1 - n)) }

// A tone is one frequency with what the models need of it again and again.
type tone struct {
	hz, w, octave float64 // octave: ln(w/w0), w0 = 2 pi coilHz
}

func newTone(hz float64) tone {
	return tone{hz, 2 * math.Pi * hz, math.Log(hz / coilHz)}
}

// A form is a load at one set of parameters, worked out so far as it does not
// depend on frequency.
type form struct {
	load
	re      float64
	f, q, r [mostResonances]float64
	turn    [mostResonances]float64
	held    [mostResonances]held
	coil    coilValues
	coilZ   func(*coilValues, tone, []complex128) complex128
	pad     float64 // ohm
	farad   float64
	bypass  float64 // F
}

func (l load) at(p []float64) form {
	v := form{load: l, re: l.pinned}
	if l.pinned == 0 {
		v.re = math.Exp(p[0])
	}
	i := l.first()
	for k := range l.Resonances {
		v.f[k], v.q[k], v.r[k] = math.Exp(p[i]), math.Exp(p[i+1]), math.Exp(p[i+2])
		i += 3
	}
	copy(v.turn[:], p[l.turnsAt():l.suspensionAt()])
	v.prepare(l.Suspension.decode(p[l.suspensionAt():]))
	v.coil = l.Coil.decode(p[l.coilAt():])
	if l.Padded {
		v.pad = math.Exp(p[l.padAt()])
	}
	if l.blocked {
		v.farad = math.Exp(p[l.capacitorAt()])
	}
	if l.bypassed {
		v.bypass = math.Exp(p[l.bypassAt()])
	}
	return v
}

func (v *form) prepare(s Suspension) {
	for k := range v.turns() {
		v.turn[v.Resonances-1] -= v.turn[k]
	}
	for k := range v.Resonances {
		v.held[k] = hold(s, v.f[k])
	}
	v.coilZ = coils[v.Coil].z
}

// z returns the impedance at t and, unless d is nil, puts its derivatives to
// the solver's parameters into d.
func (v *form) z(t tone, d []complex128) complex128 {
	z := v.moving(t, d)
	if v.Padded {
		over := complex(v.pad, 0) * inverse(z+complex(v.pad, 0))
		if d != nil {
			for i := v.first(); i < v.padAt(); i++ {
				d[i] *= over * over
			}
			beside := z * inverse(z+complex(v.pad, 0))
			d[v.padAt()] = complex(v.pad, 0) * beside * beside
		}
		z *= over
	}
	if v.blocked {
		c := complex(0, -1/(t.w*v.farad))
		z += c
		if d != nil {
			d[v.capacitorAt()] = -c
		}
	}
	if d != nil && v.pinned == 0 {
		d[0] = complex(v.re, 0)
	}
	z += complex(v.re, 0)
	if !v.bypassed {
		return z
	}
	past := complex(0, t.w*v.bypass) * z // current past z over that in it
	share := inverse(1 + past)
	if d != nil {
		for i := range v.bypassAt() {
			d[i] *= share * share
		}
		d[v.bypassAt()] = -z * past * share * share
	}
	return z * share
}

// moving is the part of resonances and coil, with its derivatives.
func (v *form) moving(t tone, d []complex128) (z complex128) {
	if d == nil {
		for k := range v.Resonances {
			one, _ := v.held[k].resonance(t, v.q[k], v.r[k], v.turn[k], nil, nil)
			z += one
		}
		return z + v.coilZ(&v.coil, t, nil)
	}
	bend, turns := d[v.suspensionAt():v.coilAt()], d[v.turnsAt():v.suspensionAt()]
	clear(bend)
	i := v.first()
	for k := range v.Resonances {
		one, lag := v.held[k].resonance(t, v.q[k], v.r[k], v.turn[k], d[i:i+3], bend)
		z += one
		if k < len(turns) {
			turns[k] = lag
		} else {
			for j := range turns {
				turns[j] -= lag
			}
		}
		i += 3
	}
	return z + v.coilZ(&v.coil, t, d[v.coilAt():])
}

// inverse is 1/z without the care for extremes that Go's division takes.
func inverse(z complex128) complex128 {
	m := real(z)*real(z) + imag(z)*imag(z)
	return complex(real(z)/m, -imag(z)/m)
}

// box returns the bounds of the solver's parameters for l: every resonance
// inside the band, every Q in its range, Re at most what the curve allows, no
// number out of all reason.
func (s *search) box(l load) box {
	var b box
	add := func(low, high float64) {
		b.low, b.high = append(b.low, math.Log(low)), append(b.high, math.Log(high))
	}
	within := func(reach [2]float64, share bool) {
		if share {
			b.low, b.high = append(b.low, logit(reach[0])), append(b.high, logit(reach[1]))
		} else {
			add(reach[0], reach[1])
		}
	}
	const leastOhm, mostOhm = 1e-4, 1e6
	if l.pinned == 0 {
		add(leastOhm, s.bound)
	}
	for range l.Resonances {
		add(s.low, s.high)
		add(minQ, maxQ)
		add(leastOhm, mostOhm)
	}
	for range l.turns() {
		b.low, b.high = append(b.low, -mostOhm), append(b.high, mostOhm)
	}
	for _, name := range l.Suspension.Parameters() {
		within(suspensionParameters[name].reach, suspensionParameters[name].share)
	}
	for _, name := range l.Coil.Parameters() {
		within(coilParameters[name].reach, coilParameters[name].share)
	}
	if l.Padded {
		add(leastOhm, mostOhm)
	}
	for _, there := range []bool{l.blocked, l.bypassed} {
		if there {
			const least, most = 1e-9, 1 // F
			add(least, most)
		}
	}
	return b
}

// load returns the model of r.
func (r Result) load() load {
	return load{
		Model:   Model{Coil: r.Coil.Kind, Suspension: r.Suspension.Kind, Resonances: min(len(r.Resonances)+len(r.Wrinkles), mostResonances), Coupled: r.Model.Coupled, Padded: r.Pad.Value > 0},
		blocked: r.Capacitor.Value > 0, bypassed: r.Bypass.Value > 0,
	}
}

// Impedance returns the impedance of the fitted load at hz, in ohm.
func (r Result) Impedance(hz float64) complex128 {
	v := r.form()
	return v.z(newTone(hz), nil)
}

// Impedances returns those at all frequencies of hz, much faster than one by one.
func (r Result) Impedances(hz []float64) []complex128 {
	v := r.form()
	z := make([]complex128, len(hz))
	for i, f := range hz {
		z[i] = v.z(newTone(f), nil)
	}
	return z
}

// form is r as the models have it.
func (r Result) form() form {
	v := form{load: r.load(), re: r.Re.Value, coil: r.Coil.values(), pad: r.Pad.Value, farad: r.Capacitor.Value, bypass: r.Bypass.Value}
	for k := range v.Resonances {
		s := r.resonance(k)
		v.f[k], v.q[k], v.r[k] = s.Hz.Value, s.Qms.Value, s.Res.Value
		if k < v.turns() {
			v.turn[k] = s.Turn.Value
		}
	}
	v.prepare(r.Suspension)
	return v
}

// resonance returns the place of resonance k of the model.
func (r *Result) resonance(k int) *Resonance {
	if n := len(r.Resonances); k >= n {
		return &r.Wrinkles[k-n]
	}
	return &r.Resonances[k]
}

// Parameter returns the place of the parameter that Parameters has under that
// name, or nil where r has none.
func (r *Result) Parameter(name string) *quantity.Value {
	for i := range len(r.Resonances) + len(r.Wrinkles) {
		switch s := r.resonance(i); name {
		case fmt.Sprintf("f%d", i+1):
			return &s.Hz
		case fmt.Sprintf("qms%d", i+1):
			return &s.Qms
		case fmt.Sprintf("res%d", i+1):
			return &s.Res
		case fmt.Sprintf("turn%d", i+1):
			return &s.Turn
		}
	}
	switch name {
	case "re":
		return &r.Re
	case "pad":
		return &r.Pad
	case "c":
		return &r.Capacitor
	case "bypass":
		return &r.Bypass
	}
	if v, _ := r.Suspension.Parameter(name); v != nil {
		return v
	}
	v, _ := r.Coil.Parameter(name)
	return v
}

// ParameterNames are those of everything that the load is made of, as in
// Parameters, Re too where it was given.
func (r Result) ParameterNames() []string { return r.load().names() }
