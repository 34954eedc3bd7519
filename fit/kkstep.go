package fit

import (
	"math"
)

// Limits of a step that shows locally, chosen by us.
const (
	stepReach = 0.5  // octaves that an extrapolation is taken from, at most
	stepLeast = 4    // bins that it is taken from, at least
	stepClear = 6    // standard uncertainties that it should stand out by
	stepAgree = 0.35 // of its size by which it may differ there from what the whole curve says
	stepAlone = 0.5  // of its size that the curve may do beside it in the way of steps
)

// local reports whether a step of the part by size at bin shows in the bins
// beside it alone, once what a load can have is taken out of them: in straight
// lines through a few on either side, drawn out to where the step is. It takes as few as the noise allows. A curve that does the
// like a little to either side is rough there, and does not step.
func (c *causal) local(part, bin int, size float64) bool {
	y := c.with(part, bin, size)
	for m := stepLeast; ; m++ {
		d, u, ok := c.gap(y, part, bin, m)
		if !ok {
			return false
		}
		_, _, more := c.gap(y, part, bin, m+1)
		if more && u*stepClear > math.Abs(size) {
			continue
		}
		if math.Abs(d-size) > stepAgree*math.Abs(size)+2*u {
			return false
		}
		for _, beside := range [2]int{bin - m, bin + m} {
			// A window that holds the step half way sees nothing of it in
			// the mean of the two.
			if e, v, ok := c.gap(y, part, beside, m/2); ok && math.Abs(e) > stepAlone*math.Abs(size)+2*v {
				return false
			}
		}
		return true
	}
}

// gap returns the difference of the part of values, with its standard uncertainty from noise, of two
// straight lines drawn out to before bin: through the m bins from it on and
// through the m before. ok is false where the curve has none within reach.
func (c *causal) gap(values []complex128, part, bin, m int) (d, u float64, ok bool) {
	if m < 2 || bin-m < 0 || bin+m > len(c.hz) ||
		m > stepLeast && math.Log2(c.hz[bin+m-1]/c.hz[bin-m]) > 2*stepReach {
		return 0, 0, false
	}
	at := (math.Log(c.hz[bin-1]) + math.Log(c.hz[bin])) / 2
	var variance float64
	for side, from := range [2]int{bin - m, bin} {
		var s0, s1, s2, y0, y1 float64
		for i := from; i < from+m; i++ {
			x, y := math.Log(c.hz[i])-at, real(values[i])
			if part == 1 {
				y = imag(values[i])
			}
			s0, s1, s2 = s0+1, s1+x, s2+x*x
			y0, y1 = y0+y, y1+x*y
		}
		det := s0*s2 - s1*s1
		value := (s2*y0 - s1*y1) / det
		if side == 0 {
			value = -value
		}
		d += value
		variance += s2 / det * c.noise[bin]
	}
	return d, math.Sqrt(variance), true
}
