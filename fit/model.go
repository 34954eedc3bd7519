package fit

import (
	"fmt"
	"math"
)

// coilHz is the frequency at which the coil is quoted and at which the solver
// holds a power law, so that its size and exponent hardly depend on each other.
const coilHz = 1000

// lowest and highest Q that a resonance of a load is taken to have; outside
// them a resonance only imitates a coil or a ripple.
const minQ, maxQ = 0.3, 50

// A load is a model in the solver's parameters, the logarithms of
//
//	re (unless pinned), f, q, r of each resonance, then those of the coil:
//	inductor l; ladder l, l2, r2; power x; shunted l, x
//
// and last, for power and shunted, the logit of n. x is |K s^n| at coilHz, ohm.
type load struct {
	Model
	pinned float64 // ohm; 0 where re is fitted
}

var coilSize = [...]int{NoCoil: 0, Inductor: 1, Ladder: 3, Power: 2, Shunted: 3}

// first is the index of the first resonance's parameters.
func (l load) first() int {
	if l.pinned > 0 {
		return 0
	}
	return 1
}

func (l load) coilAt() int { return l.first() + 3*l.Resonances }

func (l load) size() int { return l.coilAt() + coilSize[l.Coil] }

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
	switch l.Coil {
	case Inductor:
		names = append(names, "l")
	case Ladder:
		names = append(names, "l", "l2", "r2")
	case Power:
		names = append(names, "k", "n")
	case Shunted:
		names = append(names, "l", "k", "n")
	}
	return names
}

// natural returns the values of the parameters in their own units and the
// square matrix of their derivatives to the solver's parameters.
func (l load) natural(p []float64) (values []float64, by [][]float64) {
	n := len(p)
	values, by = make([]float64, n), make([][]float64, n)
	for i := range p {
		values[i] = math.Exp(p[i])
		by[i] = make([]float64, n)
		by[i][i] = values[i]
	}
	if l.Coil == Power || l.Coil == Shunted {
		// K = x w0^-n
		e := expit(p[n-1])
		slope := e * (1 - e)
		lw := math.Log(2 * math.Pi * coilHz)
		k := math.Exp(p[n-2] - e*lw)
		values[n-1], by[n-1][n-1] = e, slope
		values[n-2], by[n-2][n-2], by[n-2][n-1] = k, k, -k*lw*slope
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
	f, q, r [3]float64
	l       float64
	l2, r2  float64
	x, n    float64
	turn    complex128 // j^n
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
	switch l.Coil {
	case Inductor:
		v.l = math.Exp(p[i])
	case Ladder:
		v.l, v.l2, v.r2 = math.Exp(p[i]), math.Exp(p[i+1]), math.Exp(p[i+2])
	case Power:
		v.x, v.n = math.Exp(p[i]), expit(p[i+1])
	case Shunted:
		v.l, v.x, v.n = math.Exp(p[i]), math.Exp(p[i+1]), expit(p[i+2])
	}
	if v.n > 0 {
		sin, cos := math.Sincos(v.n * math.Pi / 2)
		v.turn = complex(cos, sin)
	}
	return v
}

// z returns the impedance at t and, unless d is nil, puts its derivatives to
// the solver's parameters into d.
func (v *form) z(t tone, d []complex128) complex128 {
	z := complex(v.re, 0)
	i := 0
	if v.pinned == 0 {
		if d != nil {
			d[0] = z
		}
		i = 1
	}
	for k := range v.Resonances {
		up, down := t.hz/v.f[k], v.f[k]/t.hz
		x := v.q[k] * (up - down)
		g := complex(1, -x) * complex(1/(1+x*x), 0) // 1/(1 + jx)
		h := complex(v.r[k], 0) * g
		z += h
		if d != nil {
			hg := h * g
			d[i] = hg * complex(0, v.q[k]*(up+down))
			d[i+1] = hg * complex(0, -x)
			d[i+2] = h
			i += 3
		}
	}
	if d == nil {
		return z + v.coil(t, nil)
	}
	return z + v.coil(t, d[i:])
}

// coil returns Zcoil at t and its derivatives.
func (v *form) coil(t tone, d []complex128) complex128 {
	switch v.Coil {
	case Inductor:
		z := complex(0, t.w*v.l)
		if d != nil {
			d[0] = z
		}
		return z
	case Ladder:
		a, b := complex(0, t.w*v.l), complex(0, t.w*v.l2)
		r := complex(v.r2, 0)
		g := inverse(r + b)
		if d != nil {
			d[0] = a
			d[1] = b * (r * g) * (r * g)
			d[2] = r * (b * g) * (b * g)
		}
		return a + b*r*g
	case Power:
		z := v.law(t)
		if d != nil {
			d[0] = z
			d[1] = z * complex(t.octave, math.Pi/2) * complex(v.n*(1-v.n), 0)
		}
		return z
	case Shunted:
		a, b := complex(0, t.w*v.l), v.law(t)
		g := inverse(a + b)
		if d != nil {
			d[0] = a * (b * g) * (b * g)
			d[1] = b * (a * g) * (a * g)
			d[2] = d[1] * complex(t.octave, math.Pi/2) * complex(v.n*(1-v.n), 0)
		}
		return a * b * g
	}
	return 0
}

// law is K s^n.
func (v *form) law(t tone) complex128 {
	return complex(v.x*math.Exp(v.n*t.octave), 0) * v.turn
}

// inverse is 1/z without the care for extremes that Go's division takes.
func inverse(z complex128) complex128 {
	m := real(z)*real(z) + imag(z)*imag(z)
	return complex(real(z)/m, -imag(z)/m)
}

// within reports whether p is a load that can be: every resonance inside the
// band, every Q in its range, no number out of all reason.
func (l load) within(p []float64, low, high float64) bool {
	for _, x := range p {
		if !(math.Abs(x) < 50) {
			return false
		}
	}
	i := l.first()
	for range l.Resonances {
		if p[i] < math.Log(low) || p[i] > math.Log(high) || p[i+1] < math.Log(minQ) || p[i+1] > math.Log(maxQ) {
			return false
		}
		i += 3
	}
	if l.Coil == Power || l.Coil == Shunted {
		return math.Abs(p[len(p)-1]) < 6 // n from 0.0025 to 0.9975
	}
	return true
}

// Impedance returns the impedance of the fitted load at hz, in ohm.
func (r Result) Impedance(hz float64) complex128 {
	l := load{Model: Model{Coil: r.Coil.Kind, Resonances: min(len(r.Resonances), 3)}, pinned: 1}
	v := form{load: l, re: r.Re.Value, l: r.Coil.L.Value, l2: r.Coil.L2.Value, r2: r.Coil.R2.Value, n: r.Coil.N.Value}
	for k, s := range r.Resonances[:l.Resonances] {
		v.f[k], v.q[k], v.r[k] = s.Hz.Value, s.Qms.Value, s.Res.Value
	}
	if v.n > 0 {
		v.x = r.Coil.K.Value * math.Pow(2*math.Pi*coilHz, v.n)
		sin, cos := math.Sincos(v.n * math.Pi / 2)
		v.turn = complex(cos, sin)
	}
	return v.z(newTone(hz), nil)
}
