package recone

import (
	"math"
	"math/rand/v2"
	"testing"

	"tapload/measure/impedance"
)

// The stated uncertainty of a ratio against the scatter of 2000 seeded draws, a
// sense resistor that both curves share cancelling and one of the second curve
// alone not. 2000 draws know a standard deviation to 1.6 %, so 8 % is five of
// those.
func TestRatioUncertainty(t *testing.T) {
	zb, za := complex(7, 3), complex(11, -6)
	const noise, shared, own = 0.02, 0.05, 0.03 // ohm; relative; relative
	curve := func(z complex128, sources ...impedance.Source) impedance.Curve {
		return impedance.Curve{Points: []impedance.Point{{Hz: 100, Z: z, Noise: impedance.Cov{RR: noise * noise, II: noise * noise}}}, Shared: sources}
	}
	source := func(id string, dz complex128) impedance.Source { return impedance.Source{ID: id, DZ: []complex128{dz}} }
	all, err := Ratios(
		curve(zb, source("jig", zb*shared)),
		curve(za, source("jig", za*shared), source("other", za*own)))
	if err != nil {
		t.Fatal(err)
	}
	want := 100 * math.Hypot(11, 6) / math.Hypot(7, 3)
	if len(all) != 1 || math.Abs(all[0].Percent.Value-want) > 1e-9 {
		t.Fatalf("ratio %v, want %g %%", all, want)
	}
	rng := rand.New(rand.NewPCG(3, 3))
	const draws = 2000
	var sum, squares float64
	for range draws {
		both := complex(1+shared*rng.NormFloat64(), 0)
		one := complex(1+own*rng.NormFloat64(), 0)
		off := func() complex128 { return complex(noise*rng.NormFloat64(), noise*rng.NormFloat64()) }
		drawn, err := Ratios(curve(zb*both+off()), curve(za*both*one+off()))
		if err != nil {
			t.Fatal(err)
		}
		sum += drawn[0].Percent.Value
		squares += drawn[0].Percent.Value * drawn[0].Percent.Value
	}
	scatter := math.Sqrt((squares - sum*sum/draws) / (draws - 1))
	if r := all[0].Percent.U / scatter; math.Abs(r-1) > 0.08 {
		t.Errorf("stated %g %%, scatter %g %%", all[0].Percent.U, scatter)
	}
}
