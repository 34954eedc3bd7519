package impedance

import "math"

// CothWhole is CothIntegral of infinity.
const CothWhole = math.Pi * math.Pi / 4

// CothIntegral returns the integral of ln coth|u/2| from 0 to x, which weighs the
// slope of ln|Z| in Bode's relation between modulus and phase (H. W. Bode, Network
// Analysis and Feedback Amplifier Design, 1945, chapter 14, from memory): near 0 by
// the series of ln tanh, elsewhere by that of exp(-x), to 1e-7 at least.
func CothIntegral(x float64) float64 {
	a := math.Abs(x)
	if a == 0 {
		return 0
	}
	var area float64
	if a < 0.6 {
		s := a * a
		area = a - a*math.Log(a/2) + a*s*(1./36-s*(7./7200-s*31/635040))
	} else {
		e := math.Exp(-a)
		square, sum := e*e, 0.0
		for k := 1.0; k < 22 && e > 1e-12; k += 2 {
			sum += e / (k * k)
			e *= square
		}
		area = CothWhole - 2*sum
	}
	return math.Copysign(area, x)
}
