package fit

import (
	"math"
	"math/cmplx"

	"tapload/measure/impedance"
)

// mostRe returns the most that Re of c can be, in ohm. A load takes no less for
// its current at any frequency than its resistances do, and those no less than
// at 0 Hz, where the current divides so that it heats least (W. Thomson, from
// memory). So Re is at most the least Re Z, here that of means over a sixth of an
// octave, plus what their noise and a phase that is off may take from it. Where
// the reactance is most of Z the phase says little of Re Z, and such points do
// not count.
func mostRe(c impedance.Curve) float64 {
	const (
		window   = 1. / 6 // octave
		noises   = 4      // standard deviations
		mostTilt = 0.5    // |Im Z| over Re Z of points that count
	)
	own := ownScatter(c)
	most := math.Inf(1)
	var sum, variance float64
	turned := make([]float64, len(c.Shared))
	from, count := 0, 0
	take := func(i int, sign float64) {
		p := c.Points[i]
		if math.Abs(imag(p.Z)) > mostTilt*real(p.Z) {
			return
		}
		count += int(sign)
		sum += sign * real(p.Z)
		variance += sign * max(p.Noise.RR, own*own*(real(p.Z)*real(p.Z)+imag(p.Z)*imag(p.Z)))
		for k, source := range c.Shared {
			// What scales Z scales Re alike; what turns it does not.
			turned[k] += sign * imag(source.DZ[i]/p.Z) * imag(p.Z)
		}
	}
	for i, p := range c.Points {
		take(i, 1)
		for math.Log2(p.Hz/c.Points[from].Hz) > window {
			take(from, -1)
			from++
		}
		if count == 0 {
			continue
		}
		v := max(variance, 0)
		for _, d := range turned {
			v += d * d
		}
		most = min(most, (sum+noises*math.Sqrt(v))/float64(count))
	}
	return most
}

// atBound reports whether Re of t is held at the most that the curve allows.
func (s *search) atBound(t *trial) bool {
	return t.pinned == 0 && math.Exp(t.p[0]) > s.bound*(1-1e-6)
}

// ownScatter is the standard deviation of each part of a point of c relative to
// |Z|, from its scatter; 0 where c states its noise.
func ownScatter(c impedance.Curve) float64 {
	y := make([]complex128, len(c.Points))
	for i, p := range c.Points {
		if p.Noise.RR > 0 {
			return 0
		}
		y[i] = cmplx.Log(p.Z)
	}
	return math.Sqrt(scatter(y))
}
