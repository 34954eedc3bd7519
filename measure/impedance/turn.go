package impedance

import "math/cmplx"

// prominence is by how much |Z| must rise or fall on both sides of a turn for
// it to count: enough to tell a resonance from noise and from the marks that a
// cabinet's panels leave.
const prominence = 1.05

// Turns returns the indices of the lowest dip and of the highest peak of |Z|
// inside the curve, -1 for one that is not there. A turn counts when |Z|
// changes by 5 % on either side of it before it passes the turn's own value;
// so neither end of a curve is one, however low or high it lies.
func (c Curve) Turns() (dip, peak int) {
	m := make([]float64, len(c.Points))
	inverse := make([]float64, len(c.Points))
	for i, p := range c.Points {
		m[i] = cmplx.Abs(p.Z)
		inverse[i] = 1 / m[i]
	}
	return highestPeak(inverse), highestPeak(m)
}

func highestPeak(x []float64) int {
	best := -1
	for i := range x {
		if best >= 0 && x[i] <= x[best] {
			continue
		}
		if falls(x, i, -1) && falls(x, i, 1) {
			best = i
		}
	}
	return best
}

// falls reports whether x falls by the prominence in the direction step from
// i on before it rises above x[i].
func falls(x []float64, i, step int) bool {
	for j := i + step; j >= 0 && j < len(x) && x[j] <= x[i]; j += step {
		if x[j]*prominence <= x[i] {
			return true
		}
	}
	return false
}
