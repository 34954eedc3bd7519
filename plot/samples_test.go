package plot

import (
	"math"
	"math/cmplx"

	"tapload/measure/impedance"
)

// The curves here are invented: closed forms with round parameters.

// driver is a moving-coil driver: Re, one resonance and a power-law coil
// K s^n (W. M. Leach Jr., J. Audio Eng. Soc. 50(6), 442-450, 2002, from memory).
type driver struct {
	re, res, fs, qms float64 // ohm, ohm, Hz, 1
	k, n             float64
}

func (d driver) z(hz float64) complex128 {
	s := complex(0, hz/d.fs)
	q := complex(d.qms, 0)
	return complex(d.re, 0) + complex(d.res, 0)*(s/q)/(s*s+s/q+1) +
		complex(d.k, 0)*cmplx.Pow(complex(0, 2*math.Pi*hz), complex(d.n, 0))
}

// ported adds a second resonance below the first, as a vented box does.
func ported(hz float64) complex128 {
	low := driver{res: 38, fs: 41, qms: 5, n: 1}
	return driver{re: 6.3, res: 47, fs: 96, qms: 6, k: 0.011, n: 0.68}.z(hz) + low.z(hz)
}

var cabinet = driver{re: 6.4, res: 52, fs: 84, qms: 5.5, k: 0.0125, n: 0.7}

func resistor(ohm float64) func(float64) complex128 {
	return func(float64) complex128 { return complex(ohm, 0) }
}

// curve samples z on a log grid; u is the relative standard uncertainty, half
// of its variance in the noise, half shared.
func curve(z func(hz float64) complex128, low, high float64, points int, u func(hz float64) float64) impedance.Curve {
	var c impedance.Curve
	shared := impedance.Source{ID: "sense-resistor:invented"}
	for i := range points {
		hz := low
		if points > 1 {
			hz *= math.Pow(high/low, float64(i)/float64(points-1))
		}
		v := z(hz)
		r := u(hz) * cmplx.Abs(v)
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: v, Noise: impedance.Circular(r * r)})
		shared.DZ = append(shared.DZ, v*complex(u(hz)/math.Sqrt2, 0))
	}
	c.Shared = []impedance.Source{shared}
	return c
}

func even(u float64) func(float64) float64 { return func(float64) float64 { return u } }

// worse is an uncertainty that grows towards low frequencies, as that of a sound card does.
func worse(u float64) func(float64) float64 {
	return func(hz float64) float64 { return u * (1 + 400/hz) }
}
