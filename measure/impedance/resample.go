package impedance

import (
	"fmt"
	"math"
	"sort"
)

// Resample returns c at the frequencies hz, which must rise and lie inside
// c's band: nothing is extrapolated. At a frequency that c has already (to
// 1e-9 of it) the point and its noise are copied; in between, real and
// imaginary part are interpolated over log frequency by the polynomial through
// the six nearest points, three on either side, or through the four at the end
// where a side has fewer than three (Lagrange's formula; a curve of fewer than
// four points uses all of them). Shared sources go the same way.
//
// Error of the interpolation: a resonance of quality factor Q has its pole
// 1/(2Q) off the real axis of ln f, so what counts is 2Qh with h the distance
// of the points in ln f. For a peak of 50 times its foot at 48 points an
// octave (h = 0.0144) the worst error, as a fraction of |Z|, is
//
//	Q                                      5      8      12
//	three points on either side, (2Qh)^6   3e-5   4e-4   3e-3
//	first and last two intervals, (2Qh)^4  5e-4   3e-3   1.2e-2
//
// This error is not in the noise of the result: where a sharp peak matters,
// measure on one grid. Nor does it know of gaps: between points far apart it
// draws a smooth line.
//
// The noise covariance is propagated with the weights of the points. New
// points that share old ones are correlated with each other, which Noise,
// independent between points by definition, does not say: an average or fit
// over a resampled curve has fewer independent points than it seems.
func (c Curve) Resample(hz []float64) (Curve, error) {
	if err := c.Check(); err != nil {
		return Curve{}, fmt.Errorf("resample: %w", err)
	}
	old := c.Points
	logHz := make([]float64, len(old))
	for i, p := range old {
		logHz[i] = math.Log(p.Hz)
	}
	out := Curve{Points: make([]Point, len(hz)), Shared: make([]Source, len(c.Shared))}
	for k, s := range c.Shared {
		out.Shared[k] = Source{ID: s.ID, DZ: make([]complex128, len(hz))}
	}
	low, high := old[0].Hz, old[len(old)-1].Hz
	for j, f := range hz {
		if !(f >= low || sameHz(f, low)) || !(f <= high || sameHz(f, high)) {
			return Curve{}, fmt.Errorf("resample: frequency %d, %v Hz, is outside the curve's band from %v to %v Hz", j, f, low, high)
		}
		first, weights := window(logHz, old, f)
		q := Point{Hz: f}
		for i, w := range weights {
			p := old[first+i]
			q.Z += complex(w, 0) * p.Z
			q.Noise = q.Noise.Add(p.Noise.Times(complex(w, 0)))
			for k, s := range c.Shared {
				out.Shared[k].DZ[j] += complex(w, 0) * s.DZ[first+i]
			}
		}
		out.Points[j] = q
	}
	if err := out.Check(); err != nil {
		return Curve{}, fmt.Errorf("resample: %w", err)
	}
	return out, nil
}

// window returns the first of the points that f is interpolated from, and the
// weights of it and those that follow.
func window(logHz []float64, points []Point, f float64) (first int, weights []float64) {
	n := len(points)
	above := sort.Search(n, func(i int) bool { return points[i].Hz >= f })
	for _, i := range []int{above, above - 1} {
		if i >= 0 && i < n && sameHz(points[i].Hz, f) {
			return i, []float64{1}
		}
	}
	size := 6
	if above < 3 || n-above < 3 {
		size = min(4, n)
	}
	first = max(0, min(above-size/2, n-size))
	return first, lagrange(logHz[first:first+size], math.Log(f))
}

// lagrange returns the weights with which the values at the knots add up to
// the value at x of the polynomial through them.
func lagrange(knots []float64, x float64) []float64 {
	w := make([]float64, len(knots))
	for i, a := range knots {
		w[i] = 1
		for k, b := range knots {
			if k != i {
				w[i] *= (x - b) / (a - b)
			}
		}
	}
	return w
}
