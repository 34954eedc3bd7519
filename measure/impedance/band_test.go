package impedance

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Within against walking over all points, with bands on, between and beyond
// them.
func TestWithin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c Curve
		for i := range rapid.IntRange(1, 12).Draw(t, "points") {
			hz := 10 * math.Exp2(float64(i))
			c.Points = append(c.Points, Point{Hz: hz, Z: complex(float64(i), 1)})
		}
		src := Source{ID: "s"}
		for i := range c.Points {
			src.DZ = append(src.DZ, complex(0, float64(i)))
		}
		c.Shared = []Source{src}
		edge := func(name string) float64 {
			return 10 * math.Exp2(rapid.Float64Range(-1, 13).Draw(t, name))
		}
		low, high := edge("low"), edge("high")
		if rapid.Bool().Draw(t, "on points") {
			low, high = 10*math.Exp2(math.Round(math.Log2(low/10)))*(1+3e-10), 10*math.Exp2(math.Round(math.Log2(high/10)))*(1-3e-10)
		}
		part := c.Within(low, high)
		var want []float64
		for _, p := range c.Points {
			if p.Hz >= low*(1-1e-9) && p.Hz <= high*(1+1e-9) {
				want = append(want, p.Hz)
			}
		}
		if !slices.Equal(part.Hz(), want) && len(want)+len(part.Points) > 0 {
			t.Fatalf("%v in %g to %g is %v, want %v", c.Hz(), low, high, part.Hz(), want)
		}
		for i, p := range part.Points {
			if imag(part.Shared[0].DZ[i]) != real(p.Z) {
				t.Fatalf("point %v has the shared change %v of another", p, part.Shared[0].DZ[i])
			}
		}
	})
}

func TestCommon(t *testing.T) {
	curve := func(hz ...float64) (c Curve) {
		for _, f := range hz {
			c.Points = append(c.Points, Point{Hz: f, Z: 1})
		}
		return c
	}
	if low, high := Common(curve(20, 100, 900), curve(30, 2000)); low != 30 || high != 900 {
		t.Errorf("20 to 900 and 30 to 2000 Hz have %g to %g in common", low, high)
	}
	if low, high := Common(curve(20, 100), curve(300, 2000)); low <= high {
		t.Errorf("20 to 100 and 300 to 2000 Hz have %g to %g in common", low, high)
	}
}
