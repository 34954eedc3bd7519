package hum

import "math"

// mostOrder is the highest degree of the polynomial that the amplitude of a
// tone may follow over the data.
const mostOrder = 8

// bessel fills j with the spherical Bessel functions of order 0 to len(j)-1 at
// pi x, given the sine and the cosine of pi x: upwards by the recurrence
//
//	j(n+1) = (2n+1)/z j(n) - j(n-1)
//
// where z exceeds the order, by the power series where it does not (M.
// Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 10.1.2 and
// 10.1.19).
func bessel(j []float64, x, sin, cos float64) {
	z := math.Pi * x
	if math.Abs(z) > float64(len(j)) {
		j[0] = sin / z
		if len(j) > 1 {
			j[1] = (j[0] - cos) / z
		}
		for n := 1; n+1 < len(j); n++ {
			j[n+1] = float64(2*n+1)/z*j[n] - j[n-1]
		}
		return
	}
	// z^n/(2n+1)!! (1 - z^2/2/(1!(2n+3)) + (z^2/2)^2/(2!(2n+3)(2n+5)) - ...)
	lead, half := 1.0, z*z/2
	for n := range j {
		if n > 0 {
			lead *= z / float64(2*n+1)
		}
		sum, term := 1.0, 1.0
		for k := 1.0; math.Abs(term) > 1e-17*math.Abs(sum) && k < 100; k++ {
			term *= -half / (k * (2*float64(n) + 1 + 2*k))
			sum += term
		}
		j[n] = lead * sum
	}
}

// leakage is what a tone leaks into the lines of a transform.
type leakage struct {
	nu, samples float64 // frequency, in lines, and length of the transform
	sin, cos    float64 // of pi nu
}

func newLeakage(nu, samples float64) leakage {
	sin, cos := math.Sincos(math.Pi * math.Remainder(nu, 2))
	return leakage{nu, samples, sin, cos}
}

// into fills b with what a tone of frequency nu lines, whose amplitude is a
// Legendre polynomial over the data, has in line k: with u from -1 to 1 over
// the samples,
//
//	1/N sum P_m(u) exp(2 pi j (nu-k) n/N) = j^m j_m(pi (nu-k)) exp(j pi (nu-k) (1 - 1/N))
//
// (Abramowitz and Stegun 10.1.14; the sum is taken as the integral, which far
// below half the rate is right to 1e-8). A polynomial of degree 0 is a steady
// tone with the leakage of the rectangular window.
func (l leakage) into(b []complex128, k int) {
	x, sin, cos := l.nu-float64(k), l.sin, l.cos
	if k%2 != 0 {
		sin, cos = -sin, -cos
	}
	var j [mostOrder + 2]float64
	bessel(j[:len(b)], x, sin, cos)
	ts, tc := math.Sincos(math.Pi * x / l.samples)
	turn := complex(cos*tc+sin*ts, sin*tc-cos*ts)
	for m := range b {
		b[m] = complex(j[m], 0) * turn
		turn *= 1i
	}
}
