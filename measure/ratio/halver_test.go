package ratio

import (
	"math"
	"testing"
)

// What a halver passes it leaves as it is, and where it is in time; what would fall on
// that it keeps away, by 110 dB: the length of the window is by a formula for 120 dB that
// is no closer.
func TestHalver(t *testing.T) {
	for _, passes := range []float64{0.02, 0.1, 0.21} {
		for _, part := range []float64{0, 0.3, 0.7, 1} {
			for _, stopped := range []bool{false, true} {
				f := part * passes
				if stopped {
					f = 0.5 - f
				}
				const n = 2001
				x := make([]float64, n)
				for i := range x {
					x[i] = math.Cos(2*math.Pi*f*float64(i) + 0.3)
				}
				h := newHalver(passes)
				y := h.halve(nil, x[:700])
				y = h.end(h.halve(y, x[700:]))
				if len(y) != (n+1)/2 {
					t.Fatalf("%d samples of %d", len(y), n)
				}
				for m := h.reach(); 2*m+h.reach() < n; m++ {
					want := x[2*m]
					if stopped {
						want = 0
					}
					if math.Abs(y[m]-want) > 3.2e-6 {
						t.Fatalf("passes %g: at %g of the rate sample %d is %g, want %g", passes, f, m, y[m], want)
					}
				}
			}
		}
	}
}
