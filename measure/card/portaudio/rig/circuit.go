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
// V2, then to ground through
//
//	Z(s) = ReOhm + s LeH + ResOhm (s/ws/Qms) / ((s/ws)^2 + s/ws/Qms + 1),  ws = 2 pi FsHz.
//
// SenseOhm, ReOhm, FsHz, ResOhm and Qms must be above 0.
type Load struct {
	SourceOhm, SenseOhm float64
	ReOhm, LeH          float64
	FsHz, ResOhm, Qms   float64
}

// Circuit is a Load as two chains of digital filters that share their poles.
type Circuit struct {
	V1, V2   Chain
	RateHz   int
	SenseOhm float64
}

// Circuit returns l by the bilinear transform s = 2 rate (1 - 1/z)/(1 + 1/z).
// The transform bends the frequency axis, so that Z at f appears at another
// frequency; Truth gives what the chains really are.
func (l Load) Circuit(rateHz int) Circuit {
	// With s in units of ws, Z = n/d: d of second order, n of third.
	ws := 2 * math.Pi * l.FsHz
	d := polynomial{1, 1 / l.Qms, 1, 0}
	n := polynomial{0, l.ResOhm / l.Qms, 0, 0}.plus(l.ReOhm, d).plus(ws*l.LeH, polynomial{0, 1, 1 / l.Qms, 1})
	poles := n.plus(l.SourceOhm+l.SenseOhm, d)
	c := Circuit{RateHz: rateHz, SenseOhm: l.SenseOhm}
	k := 2 * float64(rateHz) / ws
	c.V1 = sections(n.plus(l.SenseOhm, d), poles, k)
	c.V2 = sections(n, poles, k)
	return c
}

// Truth returns the impedance in ohm of the load that c is at a frequency in
// hertz: R G/(1 - G), with G = V2/V1 from the coefficients themselves.
func (c Circuit) Truth(hz float64) complex128 {
	g := c.V2.At(hz, c.RateHz) / c.V1.At(hz, c.RateHz)
	return complex(c.SenseOhm, 0) * g / (1 - g)
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

func (p polynomial) at(x float64) float64 { return p[0] + x*(p[1]+x*(p[2]+x*p[3])) }

// split returns a linear and a quadratic factor of p, all of whose coefficients
// but p[3] are above 0. Where p[3] is 0 the linear factor is 1.
func (p polynomial) split() (linear, quadratic polynomial) {
	if p[3] == 0 {
		return polynomial{1}, p
	}
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

// sections returns num/den with s = k (1 - 1/z)/(1 + 1/z) as two sections.
func sections(num, den polynomial, k float64) Chain {
	nl, nq := num.split()
	dl, dq := den.split()
	return Chain{bilinear(nl, dl, k, 1), bilinear(nq, dq, k, 2)}
}

// bilinear transforms num/den, both of at most the given order, 1 or 2.
func bilinear(num, den polynomial, k float64, order int) Section {
	transform := func(p polynomial) (c0, c1, c2 float64) {
		if order == 1 {
			return p[0] + p[1]*k, p[0] - p[1]*k, 0
		}
		return p[0] + k*p[1] + k*k*p[2], 2 * (p[0] - k*k*p[2]), p[0] - k*p[1] + k*k*p[2]
	}
	b0, b1, b2 := transform(num)
	a0, a1, a2 := transform(den)
	return Section{b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0}
}
