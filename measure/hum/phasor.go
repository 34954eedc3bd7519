package hum

import (
	"math"
	"math/cmplx"
)

// phasorBlock is for how many samples a phasor turns by its recurrence before
// it starts afresh, so that rounding does not add up.
const phasorBlock = 1024

// Projection returns the sum of x times exp(-j w m), m counted from the middle
// of x and w in radian a sample.
func Projection(x []float64, w float64) complex128 {
	middle := float64(len(x)-1) / 2
	ts, tc := math.Sincos(w)
	var re, im float64
	for from := 0; from < len(x); from += phasorBlock {
		s, c := math.Sincos(w * (float64(from) - middle))
		for _, v := range x[from:min(len(x), from+phasorBlock)] {
			re += v * c
			im -= v * s
			s, c = s*tc+c*ts, c*tc-s*ts
		}
	}
	return complex(re, im)
}

// Projections returns the Projection of both inputs, of equal length, with one phasor
// for both: to turn it takes most of the time.
func Projections(x, y []float64, w float64) (px, py complex128) {
	y = y[:len(x)]
	middle := float64(len(x)-1) / 2
	ts, tc := math.Sincos(w)
	var xr, xi, yr, yi float64
	for from := 0; from < len(x); from += phasorBlock {
		s, c := math.Sincos(w * (float64(from) - middle))
		for i := from; i < min(len(x), from+phasorBlock); i++ {
			xr += x[i] * c
			xi -= x[i] * s
			yr += y[i] * c
			yi -= y[i] * s
			s, c = s*tc+c*ts, c*tc-s*ts
		}
	}
	return complex(xr, xi), complex(yr, yi)
}

// Subtract takes the real part of a exp(j w m) out of x, m counted from the
// middle of x and w in radian a sample.
func Subtract(x []float64, a complex128, w float64) {
	middle := float64(len(x)-1) / 2
	ts, tc := math.Sincos(w)
	for from := 0; from < len(x); from += phasorBlock {
		z := a * cmplx.Rect(1, w*(float64(from)-middle))
		re, im := real(z), imag(z)
		for i := from; i < min(len(x), from+phasorBlock); i++ {
			x[i] -= re
			re, im = re*tc-im*ts, im*tc+re*ts
		}
	}
}

// amplitude returns the complex amplitude of a sine of w radian a sample in x by
// least squares, an offset not counted: cosine and sine about the middle are
// orthogonal.
func amplitude(x []float64, w float64) complex128 {
	p := Projection(x, w)
	n := float64(len(x))
	d := n
	if s := math.Sin(w); math.Abs(s) > 1e-12 {
		d = math.Sin(w*n) / s // the sum of cos(2 w m)
	}
	even, odd := (n+d)/2, (n-d)/2
	if even <= 0 || odd <= 0 {
		return 0
	}
	return complex(real(p)/even, imag(p)/odd)
}
