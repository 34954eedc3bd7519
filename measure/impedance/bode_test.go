package impedance

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
)

// Against quadrature of the definition; whole is its limit, pi^2/4.
func TestCothIntegral(t *testing.T) {
	for _, x := range []float64{0.01, 0.1, 0.3, 0.599, 0.6, 1, 2, 5} {
		// v^2 takes the edge off the logarithm at 0.
		want := quad.Fixed(func(v float64) float64 { return -2 * v * math.Log(math.Tanh(v*v/2)) }, 0, math.Sqrt(x), 400, nil, 0)
		if got := CothIntegral(x); math.Abs(got-want) > 1e-7 || CothIntegral(-x) != -got {
			t.Errorf("to %g: %.10g and %.10g below 0, want %.10g", x, got, CothIntegral(-x), want)
		}
	}
	if got := CothIntegral(40); math.Abs(got-CothWhole) > 1e-12 || CothIntegral(0) != 0 {
		t.Errorf("to 40: %v, to 0: %v", got, CothIntegral(0))
	}
}
