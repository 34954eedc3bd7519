package fit

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"tapload/measure/impedance"
)

// Bode's relation gives the phase of minimum-phase impedances whose phase is
// known in closed form: of a power of s exactly, and of a resistance with an
// inductance or a capacitance as far as the grid reaches.
func TestBodePhase(t *testing.T) {
	for _, tc := range []struct {
		name string
		z    func(s complex128) complex128
		off  float64 // degrees
	}{
		{"resistance", func(complex128) complex128 { return 8 }, 1e-9},
		{"inductance", func(s complex128) complex128 { return s * 1e-3 }, 0.01},
		{"half a power", func(s complex128) complex128 { return cmplx.Sqrt(s) }, 0.01},
		{"resistance and inductance", func(s complex128) complex128 { return 8 + s*1e-3 }, 1},
		{"resistance and capacitance", func(s complex128) complex128 { return 8 + 1/(s*20e-6) }, 1},
	} {
		const n, low, step = 144, 15., math.Ln2 / bodeSteps
		modulus, want := make([]float64, n), make([]float64, n)
		for i := range modulus {
			z := tc.z(complex(0, 2*math.Pi*low*math.Exp(float64(i)*step)))
			modulus[i], want[i] = cmplx.Abs(z), cmplx.Phase(z)
		}
		for i, got := range bodePhase(modulus, step) {
			if i < bodeSteps/2 || i >= n-bodeSteps/2 {
				continue // half an octave hangs on what lies beyond
			}
			if e := degrees(got - want[i]); math.Abs(e) > tc.off {
				t.Errorf("%s: phase %.3f degrees at step %d, want %.3f", tc.name, degrees(got), i, degrees(want[i]))
			}
		}
	}
}

// A load keeps its sign, and its mirror image has the wrong one, whatever the
// noise and a lag of three degrees either way.
func TestMirrored(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		l := randomKKLoad(rng)
		noise := rapid.Float64Range(0, 0.02).Draw(t, "noise")
		lag := rapid.Float64Range(-3, 3).Draw(t, "lag")
		c := passed(kkGrid(l, 120, noise, true, rng), func(float64) float64 { return lag })
		if mirrored(c.Points) {
			t.Fatal("a load is called mirrored")
		}
		if !mirrored(KKResult{Fault: PhaseSign}.Without(c)[0].Points) {
			t.Fatal("the mirror image of a load passes")
		}
	})
}

// A curve without a phase to speak of does not tell its sign: a resistor, and
// one on a cable of 5 uH measured with a delay that turns its phase round.
func TestResistorIsNotMirrored(t *testing.T) {
	for _, z := range []func(hz float64) complex128{
		func(hz float64) complex128 { return complex(8, -1e-4*hz/20) },
		func(hz float64) complex128 { return complex(8, 2*math.Pi*hz*5e-6) * rotate(-10*hz/20e3) },
	} {
		var c impedance.Curve
		for hz := 20.0; hz < 20e3; hz *= 1.05 {
			c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z(hz)})
		}
		if mirrored(c.Points) {
			t.Error("a resistor is called mirrored")
		}
	}
}
