package rig

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
)

// Section is a digital filter of second order,
//
//	H(z) = (B0 + B1/z + B2/z^2) / (1 + A1/z + A2/z^2).
type Section struct{ B0, B1, B2, A1, A2 float64 }

// at returns H at a frequency in hertz.
func (s Section) at(hz float64, rateHz int) complex128 {
	d := cmplx.Exp(complex(0, -2*math.Pi*hz/float64(rateHz))) // 1/z
	b := complex(s.B0, 0) + d*(complex(s.B1, 0)+d*complex(s.B2, 0))
	a := 1 + d*(complex(s.A1, 0)+d*complex(s.A2, 0))
	return b / a
}

// Chain is what lies between the output of the simulated card and one of its
// inputs: sections one after another. An empty chain is a plain wire.
type Chain []Section

// At returns the response of c at a frequency in hertz.
func (c Chain) At(hz float64, rateHz int) complex128 {
	h := complex128(1)
	for _, s := range c {
		h *= s.at(hz, rateHz)
	}
	return h
}

// Filter returns what the simulated card records of x, to the last bit: x
// arrives as float32, is filtered in double and is rounded to float32.
func (c Chain) Filter(x []float64) []float64 {
	y := make([]float64, len(x))
	state := make([][2]float64, len(c))
	for i := range x {
		v := float64(float32(x[i]))
		for k, s := range c {
			// The conversions keep the compiler from fusing; simcard.c is
			// compiled so that it does not either.
			w := float64(s.B0*v) + state[k][0]
			state[k][0] = float64(s.B1*v) - float64(s.A1*w) + state[k][1]
			state[k][1] = float64(s.B2*v) - float64(s.A2*w)
			v = w
		}
		y[i] = float64(float32(v))
	}
	return y
}

// String returns c as simcard.c reads it, every bit of it.
func (c Chain) String() string {
	parts := make([]string, len(c))
	for i, s := range c {
		parts[i] = fmt.Sprintf("%.17g,%.17g,%.17g,%.17g,%.17g", s.B0, s.B1, s.B2, s.A1, s.A2)
	}
	return strings.Join(parts, ";")
}

// Load is a loudspeaker on a sense resistor: source, SourceOhm, V1, SenseOhm,
// V2, then to ground through LeadOhm and
//
//	Z(s) = ReOhm + s LeH + ResOhm (s/ws/Qms) / ((s/ws)^2 + s/ws/Qms + 1),  ws = 2 pi FsHz.
//
// SenseOhm must be above 0, and FsHz and Qms where ResOhm is. An infinite ReOhm
// is no load at all.
//
// What is left makes the jig one that needs calibration.
type Load struct {
	SourceOhm, SenseOhm float64
	ReOhm, LeH          float64
	FsHz, ResOhm, Qms   float64

	LeadOhm  float64 // of the leads to the load
	InputOhm float64 // of input 2, from V2 to ground; 0 for none
	Gain2    float64 // of input 2 over that of input 1; 0 for 1
	Lag2     float64 // seconds; time constant of a lowpass in input 2
}

// Open, Short and Known return the standards on the jig of l: nothing, a wire,
// and a resistor.
func (l Load) Open() Load { return l.Known(math.Inf(1)) }

func (l Load) Short() Load { return l.Known(0) }

func (l Load) Known(ohm float64) Load {
	l.ReOhm, l.LeH, l.FsHz, l.ResOhm, l.Qms = ohm, 0, 0, 0, 0
	return l
}

// ws returns the unit of s, in radians a second.
func (l Load) ws() float64 {
	if l.ResOhm == 0 {
		return 2 * math.Pi * 1000
	}
	return 2 * math.Pi * l.FsHz
}

// impedance returns Z = n/d, with s in units of ws: d of second order at most,
// n of third.
func (l Load) impedance() (n, d polynomial) {
	if math.IsInf(l.ReOhm, 1) {
		return polynomial{1}, polynomial{}
	}
	d = polynomial{1}
	if l.ResOhm > 0 {
		d = polynomial{1, 1 / l.Qms, 1}
		n[1] = l.ResOhm / l.Qms
	}
	return n.plus(l.ReOhm, d).plus(l.ws()*l.LeH, d.timesS()), d
}

// Circuit is a Load as two chains of digital filters that share their poles.
type Circuit struct {
	V1, V2   Chain
	RateHz   int
	SenseOhm float64

	load Load
}

// Circuit returns l by the bilinear transform s = 2 rate (1 - 1/z)/(1 + 1/z).
// The transform bends the frequency axis, so that Z at f appears at another
// frequency; Truth gives what the chains really are.
func (l Load) Circuit(rateHz int) Circuit {
	n, d := l.impedance()
	n = n.plus(l.LeadOhm, d)
	if l.InputOhm > 0 {
		n, d = polynomial{}.plus(l.InputOhm, n), n.plus(l.InputOhm, d)
	}
	poles := n.plus(l.SourceOhm+l.SenseOhm, d)
	k := 2 * float64(rateHz) / l.ws()
	c := Circuit{RateHz: rateHz, SenseOhm: l.SenseOhm, load: l}
	c.V1 = sections(n.plus(l.SenseOhm, d), poles, k)
	c.V2 = sections(n, poles, k)
	if l.Gain2 != 0 || l.Lag2 > 0 {
		gain := l.Gain2
		if gain == 0 {
			gain = 1
		}
		c.V2 = append(c.V2, sections(polynomial{gain}, polynomial{1, l.ws() * l.Lag2}, k)...)
	}
	return c
}

// Truth returns the impedance in ohm of the load that c is at a frequency in
// hertz: that of the analogue one at (rate/pi) tan(pi f/rate), which is where
// the bilinear transform puts it, without rounding of the coefficients.
func (c Circuit) Truth(hz float64) complex128 {
	n, d := c.load.impedance()
	s := complex(0, 2*float64(c.RateHz)*math.Tan(math.Pi*hz/float64(c.RateHz))/c.load.ws())
	return n.atS(s) / d.atS(s)
}

// Chains returns the chains for Options: V1 on input 1, V2 on input 2.
func (c Circuit) Chains() []Chain { return []Chain{c.V1, c.V2} }

// polynomial of third order in s: p[0] + p[1] s + p[2] s^2 + p[3] s^3.
type polynomial [4]float64

// plus returns p + k q.
func (p polynomial) plus(k float64, q polynomial) polynomial {
	for i := range p {
		p[i] += k * q[i]
	}
	return p
}

// timesS returns s p, where p is of second order at most.
func (p polynomial) timesS() polynomial { return polynomial{0, p[0], p[1], p[2]} }

// order returns the power of the highest coefficient that is not 0.
func (p polynomial) order() int {
	n := len(p) - 1
	for n > 0 && p[n] == 0 {
		n--
	}
	return n
}

func (p polynomial) atS(s complex128) complex128 {
	at := complex128(0)
	for i := len(p) - 1; i >= 0; i-- {
		at = at*s + complex(p[i], 0)
	}
	return at
}

func (p polynomial) at(x float64) float64 { return p[0] + x*(p[1]+x*(p[2]+x*p[3])) }

// split returns a linear and a quadratic factor of p, which is of third order
// and whose other coefficients are above 0.
func (p polynomial) split() (linear, quadratic polynomial) {
	// A real root lies below 0 and above the bound of Cauchy.
	low, high := -1-max(p[0], p[1], p[2])/p[3], 0.0
	for {
		mid := low + (high-low)/2
		if mid <= low || mid >= high {
			break
		}
		if p.at(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	// Dividing from the wrong end would cancel digits: a large root is divided
	// out from the constant term up, a small one from the cube down.
	root := high
	if -root*root*root*p[3] > p[0] {
		q0 := -p[0] / root
		return polynomial{-root, 1}, polynomial{q0, (q0 - p[1]) / root, p[3]}
	}
	q1 := p[2] + p[3]*root
	return polynomial{-root, 1}, polynomial{p[1] + q1*root, q1, p[3]}
}

// sections returns num/den with s = k (1 - 1/z)/(1 + 1/z) as no more sections
// than their order needs: a pole and a zero at z = -1 would cancel, but for
// rounding, which would ring there for ever.
func sections(num, den polynomial, k float64) Chain {
	order := max(num.order(), den.order())
	if order < 3 {
		return Chain{bilinear(num, den, k, order)}
	}
	nl, nq := num.split()
	dl, dq := den.split()
	return Chain{bilinear(nl, dl, k, 1), bilinear(nq, dq, k, 2)}
}

// bilinear transforms num/den, both of at most the given order, up to 2.
func bilinear(num, den polynomial, k float64, order int) Section {
	transform := func(p polynomial) (c0, c1, c2 float64) {
		switch order {
		case 0:
			return p[0], 0, 0
		case 1:
			return p[0] + p[1]*k, p[0] - p[1]*k, 0
		}
		return p[0] + k*p[1] + k*k*p[2], 2 * (p[0] - k*k*p[2]), p[0] - k*p[1] + k*k*p[2]
	}
	b0, b1, b2 := transform(num)
	a0, a1, a2 := transform(den)
	return Section{b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0}
}
