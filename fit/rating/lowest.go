package rating

import (
	"fmt"
	"math"

	"tapload/fit"
	"tapload/measure/impedance"
)

// halfWindow is how far, in octaves, the points that a minimum is taken over
// reach to either side: seven points of a curve with 48 an octave, over which
// |Z| of a load is a parabola. The lowest of many noisy single points would be
// low by twice their noise.
const halfWindow = 0.07

type minimum struct {
	ohm fit.Value
	hz  float64
}

// lowest returns the lowest |Z| of c from low to high and whether it lies at
// an end, towards which |Z| falls.
func lowest(c impedance.Curve, low, high float64) (m minimum, edge bool, err error) {
	p := c.Points
	first, last := 0, len(p)-1
	for first < len(p) && p[first].Hz < low {
		first++
	}
	for last >= 0 && p[last].Hz > high {
		last--
	}
	if first > last {
		return minimum{}, false, fmt.Errorf("the curve runs from %.4g to %.4g Hz and has no point in the rated range from %.0f to %.0f Hz; choose another range",
			p[0].Hz, p[len(p)-1].Hz, low, high)
	}
	m.ohm.Value = math.Inf(1)
	best := 0
	for i := first; i <= last; i++ {
		if got := parabola(c, i, first, last); got.ohm.Value < m.ohm.Value {
			m, best = got, i
		}
	}
	// The lower end is the flank of a resonance, from which |Z| falls.
	return m, best == last && last > first, nil
}

// parabola fits |Z| over ln f around point i by least squares and returns its
// vertex, or its value at i where the vertex is not among the points.
func parabola(c impedance.Curve, i, first, last int) minimum {
	p := c.Points
	from, to := i, i
	for from > first && (from == i || math.Log2(p[i].Hz/p[from-1].Hz) < halfWindow) {
		from--
	}
	for to < last && (to == i || math.Log2(p[to+1].Hz/p[i].Hz) < halfWindow) {
		to++
	}
	if from == i || to == i {
		ohm, u := c.Modulus(i)
		return minimum{fit.Value{Value: ohm, U: u}, p[i].Hz}
	}
	scale := math.Log(p[to].Hz / p[from].Hz)
	x := func(k int) float64 { return math.Log(p[k].Hz/p[i].Hz) / scale }

	// Normal equations of 1, x, x^2; at most a few points, all within +-1.
	var s [5]float64
	var b [3]float64
	for k := from; k <= to; k++ {
		ohm, _ := c.Modulus(k)
		power := 1.
		for n := range s {
			s[n] += power
			if n < len(b) {
				b[n] += power * ohm
			}
			power *= x(k)
		}
	}
	inv := inverse([3][3]float64{{s[0], s[1], s[2]}, {s[1], s[2], s[3]}, {s[2], s[3], s[4]}})
	var a [3]float64
	for r := range a {
		for k := range b {
			a[r] += inv[r][k] * b[k]
		}
	}
	at := 0.
	if a[2] > 0 {
		if v := -a[1] / (2 * a[2]); v > x(from) && v < x(to) {
			at = v
		}
	}
	m := minimum{hz: p[i].Hz * math.Exp(at*scale)}
	m.ohm.Value = a[0] + at*(a[1]+at*a[2])

	// The vertex is flat, so its uncertainty is that of the value at a fixed x,
	// which is a weighted sum of the points.
	row := [3]float64{1, at, at * at}
	variance := 0.
	shared := make([]float64, len(c.Shared))
	for k := from; k <= to; k++ {
		w, power := 0., 1.
		for n := range row {
			for r := range row {
				w += row[r] * inv[r][n] * power
			}
			power *= x(k)
		}
		variance += w * w * p[k].Noise.Along(p[k].Z)
		mod := math.Hypot(real(p[k].Z), imag(p[k].Z))
		for n, src := range c.Shared {
			if mod > 0 {
				shared[n] += w * (real(p[k].Z)*real(src.DZ[k]) + imag(p[k].Z)*imag(src.DZ[k])) / mod
			}
		}
	}
	for _, d := range shared {
		variance += d * d
	}
	m.ohm.U = math.Sqrt(variance)
	return m
}

// inverse returns the inverse of a symmetric matrix.
func inverse(m [3][3]float64) [3][3]float64 {
	var c [3][3]float64
	det := 0.
	for i := range 3 {
		for j := range 3 {
			a, b, d, e := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
			c[i][j] = m[a][d]*m[b][e] - m[a][e]*m[b][d]
		}
		det += m[0][i] * c[0][i]
	}
	for i := range 3 {
		for j := range 3 {
			c[i][j] /= det
		}
	}
	return c
}
