package rating

import (
	"math"
	"math/rand/v2"
	"testing"

	"tapload/fit"
	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/verdict"
)

// randomCabinet is an invented loudspeaker whose coil no model of package fit need
// have, and its curve.
func randomCabinet(r *rand.Rand) (netlist.Driver, impedance.Curve) {
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	re, n := []float64{3.2, 6.3, 12.5}[r.IntN(3)]*between(0.9, 1.1), between(0.55, 0.85)
	k := re * between(0.3, 0.8) / math.Pow(2*math.Pi*1000, n)
	d := cabinet(re, k, n, peak(between(50, 120), between(2, 8), re*between(3, 12)))
	return d, sample(d, 5e-4, 0, r)
}

// What went wrong: a curve that had only a part of the rated range was rated, and
// called safe on a tap, as if it had all of it: 30 of 174 such curves, up to 32 ohm for
// a loudspeaker of 4. What lies in it may be wrong with them all the same: it is the
// lowest |Z| elsewhere that counts.
func TestPartialCurveDecidesNothingWrong(t *testing.T) {
	bands := []struct {
		low, high float64
		whole     bool // the rating is to be found
	}{
		{20, 20e3, true}, {100, 20e3, true}, {200, 20e3, true}, {20, 5e3, true},
		{20, 2e3, false}, {20, 800, false}, {20, 300, false}, {20, 200, false}, {20, 120, false},
		{500, 20e3, false}, {1e3, 20e3, false}, {2e3, 20e3, false}, {3e3, 20e3, false}, {5e3, 20e3, false},
	}
	each := 4
	if testing.Short() {
		each = 1
	}
	r := rand.New(rand.NewPCG(7, 11))
	for _, b := range bands {
		decided := 0
		for range each {
			d, c := randomCabinet(r)
			c = c.Within(b.low, b.high)
			load, err := fit.Curve(t.Context(), c, fit.Options{})
			if err != nil {
				load = fit.Result{}
			}
			got, err := Of(c, load, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if got.Verdict == verdict.Pass {
				decided++
			}
			const almost = 0.98
			ohm, _ := trueMinimum(d, d.Resonances[0].Hz, HighHz)
			if tap := got.Tap(); max(tap, got.Ohm)*Floor*almost > ohm {
				t.Errorf("%g to %g Hz: rated %g ohm, safe on %g ohm, with a lowest |Z| of %.3g ohm: %+v", b.low, b.high, got.Ohm, tap, ohm, d)
			}
			if got.AtMost() && (got.Ohm > 0 || got.Tap() > 0 || got.Verdict == verdict.Pass) {
				t.Errorf("at most, and decided: %+v", got)
			}
		}
		t.Logf("%5g to %5g Hz: %d of %d decided", b.low, b.high, decided, each)
		if b.whole && decided < each*9/10 {
			t.Errorf("%g to %g Hz: %d of %d decided, where the range is seen", b.low, b.high, decided, each)
		}
	}
}

// What went wrong: a load of 1000 ohm was rated 64 ohm.
func TestTooHigh(t *testing.T) {
	for _, tc := range []struct {
		ohm  float64
		want bool
	}{{1000, true}, {130, true}, {120, false}, {64, false}, {0.5, false}} {
		got, err := Of(sample(netlist.Resistor(tc.ohm), 1e-4, 0, nil), fit.Result{}, Options{})
		if err != nil || got.TooHigh() != tc.want || got.Tap() != 0 || tc.want && got.Ohm != 0 {
			t.Errorf("%g ohm: %+v, %v", tc.ohm, got, err)
		}
	}
}

// What went wrong: the hump between a woofer of 4 ohm and a tweeter of 8 was taken for
// the resonance that the rated range begins at, in a curve that began at 500 Hz. A
// tweeter by itself is rated by such a curve.
func TestHumpIsNoResonance(t *testing.T) {
	tweeter := cabinet(6.6, 0.0002, 0.8, peak(1300, 2, 5))
	hump := netlist.Parallel{
		netlist.Series{cabinet(3.2, 0.002, 0.7, peak(80, 5, 30)), netlist.Inductor(0.7e-3)},
		netlist.Series{tweeter, netlist.Capacitor(4.7e-6), netlist.Resistor(2)},
	}
	for _, tc := range []struct {
		name   string
		load   netlist.Element
		from   float64
		atMost bool
		ohm    float64
	}{
		{"woofer and tweeter, whole", hump, 20, false, 4},
		{"woofer and tweeter from 500 Hz", hump, 500, true, 0},
		{"tweeter from 500 Hz", tweeter, 500, false, 8},
	} {
		c := sample(tc.load, 1e-4, 0, nil).Within(tc.from, 20e3)
		load, err := fit.Curve(t.Context(), c, fit.Options{})
		if err != nil {
			load = fit.Result{}
		}
		got, err := Of(c, load, Options{})
		if err != nil || got.AtMost() != tc.atMost || got.Ohm != tc.ohm {
			t.Errorf("%s: %+v, %v", tc.name, got, err)
		}
	}
}

// What a curve must have for its rating, one case each.
func TestUnseen(t *testing.T) {
	load := cabinet(6.2, 0.004, 0.7, peak(200, 5.5, 46))
	all := sample(load, 1e-4, 0, nil)
	within := func(keep func(hz float64) bool) (c impedance.Curve) {
		for _, p := range all.Points {
			if keep(p.Hz) {
				c.Points = append(c.Points, p)
			}
		}
		return c
	}
	for _, tc := range []struct {
		name string
		keep func(hz float64) bool
		o    Options
		want bool
	}{
		{"whole", func(float64) bool { return true }, Options{}, false},
		{"above the minimum alone", func(hz float64) bool { return hz > 1000 }, Options{}, true},
		{"the same, as asked for", func(hz float64) bool { return hz > 1000 }, Options{LowHz: 1000}, false},
		{"the bass alone", func(hz float64) bool { return hz < 120 }, Options{}, true},
		{"without its minimum", func(hz float64) bool { return hz < 120 || hz > 2500 }, Options{}, true},
		{"past its minimum", func(hz float64) bool { return hz < 2000 }, Options{}, false},
		{"one point", func(hz float64) bool { return hz > 1000 && hz < 1014 }, Options{}, true},
	} {
		c := within(tc.keep)
		got, err := Of(c, fit.Result{}, tc.o)
		if err != nil || got.AtMost() != tc.want {
			t.Errorf("%s (%d points): %+v, %v", tc.name, len(c.Points), got, err)
		}
		if tc.want {
			if ohm, _ := got.CountsAs(); ohm != 0 || got.Tap() != 0 || got.Ohm != 0 || len(got.Candidates) != 1 {
				t.Errorf("%s: counts as %g ohm, tap %g, %+v", tc.name, ohm, got.Tap(), got)
			}
		}
	}
}
