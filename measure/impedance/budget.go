package impedance

import (
	"cmp"
	"math"
	"slices"
)

// Share is what one cause adds to the uncertainty of a modulus.
type Share struct {
	ID string  // of the Source; empty for noise
	U  float64 // standard uncertainty, ohm
}

// Budget returns what noise and each shared source add to the uncertainty of
// |Z| at point i, largest first. The squares of the shares sum to the square
// of the uncertainty that Modulus returns.
func (c Curve) Budget(i int) []Share {
	z := c.Points[i].Z
	shares := []Share{{U: math.Sqrt(c.Points[i].Noise.Along(z))}}
	for _, s := range c.Shared {
		a, b := real(s.DZ[i]), imag(s.DZ[i])
		shares = append(shares, Share{s.ID, math.Sqrt(Cov{RR: a * a, RI: a * b, II: b * b}.Along(z))})
	}
	slices.SortStableFunc(shares, func(a, b Share) int { return cmp.Compare(b.U, a.U) })
	return shares
}
