package impedance

import (
	"math"
	"slices"
)

// InBand reports whether a frequency is in a band, whose edges count with
// allowance for rounding (1e-9 of the frequency). All in Hz.
func InBand(hz, lowHz, highHz float64) bool { return hz >= lowHz*(1-1e-9) && hz <= highHz*(1+1e-9) }

// Common returns the band in Hz that all curves have, none of which may be
// empty. Its upper end is below the lower one where they have none in common.
func Common(curves ...Curve) (lowHz, highHz float64) {
	lowHz, highHz = 0, math.Inf(1)
	for _, c := range curves {
		lowHz, highHz = max(lowHz, c.Points[0].Hz), min(highHz, c.Points[len(c.Points)-1].Hz)
	}
	return lowHz, highHz
}

// Within returns the part of c in a band, edges included as in InBand; it may
// be empty. It shares its values with c.
func (c Curve) Within(lowHz, highHz float64) Curve {
	out := func(p Point) bool { return !InBand(p.Hz, lowHz, highHz) }
	in := func(p Point) bool { return !out(p) }
	from := slices.IndexFunc(c.Points, in)
	if from < 0 {
		return Curve{}
	}
	to := len(c.Points)
	if n := slices.IndexFunc(c.Points[from:], out); n >= 0 {
		to = from + n
	}
	part := Curve{Points: c.Points[from:to:to]}
	for _, s := range c.Shared {
		part.Shared = append(part.Shared, Source{ID: s.ID, DZ: s.DZ[from:to:to]})
	}
	return part
}
