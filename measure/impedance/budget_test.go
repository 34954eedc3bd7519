package impedance

import (
	"math"
	"testing"
)

// TestBudget holds the shares of a point against their closed forms: for
// Z = 3 + 4j ohm the unit vector along Z is (0.6, 0.8).
func TestBudget(t *testing.T) {
	c := Curve{
		Points: []Point{{Hz: 100, Z: 3 + 4i, Noise: Cov{RR: 0.01, RI: 0.002, II: 0.04}}},
		Shared: []Source{
			{ID: "along", DZ: []complex128{0.3 + 0.4i}},   // 0.5 ohm along Z
			{ID: "across", DZ: []complex128{-0.8 + 0.6i}}, // stands across Z: nothing
			{ID: "against", DZ: []complex128{-2}},         // -2 ohm of Re Z: 1.2 ohm along Z
		},
	}
	want := []Share{
		{"against", 1.2},
		{"along", 0.5},
		{"", math.Sqrt(0.36*0.01 + 2*0.48*0.002 + 0.64*0.04)},
		{"across", 0},
	}
	got := c.Budget(0)
	if len(got) != len(want) {
		t.Fatalf("got %d shares, want %d", len(got), len(want))
	}
	sum := 0.0
	for i := range want {
		// Squares cancel to about 1e-16 of the largest term, 1 ohm^2.
		if got[i].ID != want[i].ID || math.Abs(got[i].U-want[i].U) > 2e-8 {
			t.Errorf("share %d is %q %g ohm, want %q %g ohm", i, got[i].ID, got[i].U, want[i].ID, want[i].U)
		}
		sum += got[i].U * got[i].U
	}
	if _, u := c.Modulus(0); math.Abs(math.Sqrt(sum)-u) > 1e-12 {
		t.Errorf("the shares make %g ohm, Modulus says %g ohm", math.Sqrt(sum), u)
	}
}
