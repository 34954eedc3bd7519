package rating

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"tapload/fit"
	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// cabinet is an invented driver whose coil loses energy as real ones do, a
// power law (W. M. Leach Jr., JAES 50(6), 442-450, 2002).
func cabinet(re, k, n float64, resonances ...netlist.Resonance) netlist.Driver {
	return netlist.Driver{Re: re, Coil: netlist.Coil{K: k, N: n}, Resonances: resonances}
}

func peak(hz, qms, res float64) netlist.Resonance {
	return netlist.Resonance{Hz: hz, Qm: qms, Res: res}
}

// sample measures e with 48 points an octave from 20 Hz to 20 kHz, with noise
// and a shared source of the given relative standard uncertainties.
func sample(e netlist.Element, noise, shared float64, rng *rand.Rand) impedance.Curve {
	var c impedance.Curve
	src := impedance.Source{ID: "sense-resistor:invented"}
	common := 0.
	if rng != nil {
		common = rng.NormFloat64()
	}
	for hz := 20.; hz <= 20e3; hz *= math.Pow(2, 1./48) {
		z := e.Impedance(hz)
		s := noise * cmplx.Abs(z)
		d := z * complex(shared, 0)
		if rng != nil {
			z += complex(rng.NormFloat64()*s, rng.NormFloat64()*s) + d*complex(common, 0)
		}
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Cov{RR: s * s, II: s * s}})
		src.DZ = append(src.DZ, d)
	}
	if shared > 0 {
		c.Shared = []impedance.Source{src}
	}
	return c
}

func result(d netlist.Driver) fit.Result {
	r := fit.Result{Re: quantity.Value{Value: d.Re, U: 0.005 * d.Re}}
	for _, res := range d.Resonances {
		r.Resonances = append(r.Resonances, fit.Resonance{Hz: quantity.Value{Value: res.Hz}, Res: quantity.Value{Value: res.Res}})
	}
	return r
}

// trueMinimum scans the closed form, fine and slow.
func trueMinimum(e netlist.Element, low, high float64) (ohm, hz float64) {
	ohm = math.Inf(1)
	for f := low; f <= high; f *= 1.0002 {
		if m := cmplx.Abs(e.Impedance(f)); m < ohm {
			ohm, hz = m, f
		}
	}
	return ohm, hz
}

// DC readings of cabinets of known rating: common practice, no source.
func TestOrdinaryLoads(t *testing.T) {
	for _, tc := range []struct {
		name string
		load netlist.Driver
		want float64
		tap  float64
		warn string
	}{
		{"4 ohm", cabinet(3.3, 0.006, 0.7, peak(85, 5, 28)), 4, 4, ""},
		{"8 ohm", cabinet(6.2, 0.0125, 0.7, peak(92, 5.5, 46)), 8, 8, ""},
		{"8 ohm, high", cabinet(6.9, 0.0125, 0.7, peak(75, 6, 60)), 8, 8, ""},
		{"16 ohm cabinet", cabinet(13.5, 0.025, 0.7, peak(110, 5, 90)), 16, 16, ""},
		{"reflex box", cabinet(6.4, 0.0125, 0.68, peak(41, 5, 38), peak(96, 6, 47)), 8, 8, ""},
		{"wrinkle below", cabinet(6.2, 0.0125, 0.7, peak(92, 5.5, 46), peak(31, 8, 0.5)), 8, 8, ""},
		{"two 16 ohm in series", cabinet(27, 0.05, 0.7, peak(100, 5, 150)), 32, 0, ""}, // its lowest, 32.4 ohm, is above twice the 16 ohm tap
		{"two 16 ohm of less in series", cabinet(25.5, 0.05, 0.7, peak(100, 5, 150)), 32, 16, ""},
		// What went wrong: "rated 32 ohm; safe on a 16 ohm tap".
		{"a string with Re of 79 ohm", cabinet(79, 0.1, 0.7, peak(100, 5, 400)), 64, 0, "re-disagrees"},
		{"three 16 ohm in parallel", cabinet(4.5, 0.008, 0.7, peak(90, 5, 30)), 16. / 3, 4, ""},
		{"two 4 ohm in parallel", cabinet(1.65, 0.003, 0.7, peak(85, 5, 14)), 2, 2, ""},
		{"low 8 ohm", cabinet(5.6, 0.006, 0.7, peak(92, 5.5, 46)), 4, 4, "near-miss"},
		{"four 8 ohm, one pair dead", cabinet(9.6, 0.01, 0.7, peak(92, 5.5, 70)), 8, 8, "re-disagrees"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r, err := Of(sample(tc.load, 1e-4, 1e-3, nil), result(tc.load), Options{})
			if err != nil {
				t.Fatal(err)
			}
			if r.Ohm != tc.want || r.Verdict != verdict.Pass || r.Tap() != tc.tap {
				t.Errorf("rated %g (%v), tap %g, want %g and %g; minimum %.3f", r.Ohm, r.Verdict, r.Tap(), tc.want, tc.tap, r.MinOhm.Value)
			}
			ohm, hz := trueMinimum(tc.load, tc.load.Resonances[0].Hz, HighHz)
			if math.Abs(r.MinOhm.Value/ohm-1) > 1e-4 || math.Abs(r.MinHz/hz-1) > 0.01 {
				t.Errorf("minimum %.5f ohm at %.2f Hz, want %.5f at %.2f", r.MinOhm.Value, r.MinHz, ohm, hz)
			}
			if want := (ohm/(0.8*tc.want) - 1) * 100; math.Abs(r.MarginPercent-want) > 0.02 {
				t.Errorf("margin %.3f %%, want %.3f %%", r.MarginPercent, want)
			}
			codes := ""
			for _, w := range r.Warnings {
				codes += w.Code
			}
			if codes != tc.warn {
				t.Errorf("warnings %v, want %q", r.Warnings, tc.warn)
			}
		})
	}
}

// 80 % of 4, 8 and 16 ohm are 3.2, 6.4 and 12.8 ohm (IEC 60268-5, read in
// secondary sources).
func TestLimits(t *testing.T) {
	for _, tc := range []struct {
		ohm, u     float64
		want       float64
		verdict    verdict.Verdict
		candidates []float64
	}{
		{6.401, 0, 8, verdict.Pass, []float64{8}},
		{6.399, 0, 4, verdict.Pass, []float64{4}},
		{3.201, 0, 4, verdict.Pass, []float64{4}},
		{12.799, 0, 8, verdict.Pass, []float64{8}},
		{12.801, 0, 16, verdict.Pass, []float64{16}},
		{6.45, 0.05, 0, verdict.Undecided, []float64{4, 8}},
		{6.35, 0.05, 0, verdict.Undecided, []float64{4, 8}},
		{6.45, 0.02, 8, verdict.Pass, []float64{8}},
		{1.55, 0.001, 0, verdict.Fail, nil},
		{1.59, 0.01, 0, verdict.Undecided, []float64{2}},
	} {
		c := sample(netlist.Resistor(tc.ohm), 0, tc.u/tc.ohm, nil)
		r, err := Of(c, fit.Result{}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Ohm != tc.want || r.Verdict != tc.verdict || len(r.Candidates) != len(tc.candidates) {
			t.Errorf("%g(%g) ohm: %g, %v, %v; want %g, %v, %v", tc.ohm, tc.u, r.Ohm, r.Verdict, r.Candidates, tc.want, tc.verdict, tc.candidates)
			continue
		}
		for i, v := range tc.candidates {
			if r.Candidates[i] != v {
				t.Errorf("%g(%g) ohm: candidates %v, want %v", tc.ohm, tc.u, r.Candidates, tc.candidates)
			}
		}
		if math.Abs(r.MinOhm.U-tc.u) > 1e-9 {
			t.Errorf("%g(%g) ohm: stated uncertainty %g", tc.ohm, tc.u, r.MinOhm.U)
		}
	}
}

// Stated uncertainty of the minimum against the scatter of 1000 seeded curves.
func TestMinimumUncertainty(t *testing.T) {
	load := cabinet(6.2, 0.0125, 0.7, peak(92, 5.5, 46))
	want, _ := trueMinimum(load, 92, HighHz)
	rng := rand.New(rand.NewPCG(4, 1))
	const runs = 1000
	inside, sum, sq, stated := 0, 0., 0., 0.
	for range runs {
		low, _, err := lowest(sample(load, 0.002, 0.003, rng), 92, HighHz)
		if err != nil {
			t.Fatal(err)
		}
		d := low.ohm.Value - want
		if math.Abs(d) < 1.96*low.ohm.U {
			inside++
		}
		sum, sq, stated = sum+d, sq+d*d, stated+low.ohm.U
	}
	mean := sum / runs
	scatter, u := math.Sqrt(sq/runs-mean*mean), stated/runs
	t.Logf("bias %.2g ohm, scatter %.4f ohm, stated %.4f ohm, %d of %d inside 95 %%", mean, scatter, u, inside, runs)
	if inside < 930 || inside > 970 {
		t.Errorf("%d of %d minima are within the stated 95 %%; want 930 to 970", inside, runs)
	}
}

func TestRange(t *testing.T) {
	load := cabinet(6.2, 0.004, 0.7, peak(200, 5.5, 46))
	c := sample(load, 1e-4, 0, nil)
	// Down to DC an ordinary 8 ohm driver misses its rating: why the range
	// starts at the resonance.
	r, err := Of(c, result(load), Options{LowHz: 20})
	if err != nil || r.Ohm != 4 {
		t.Errorf("from 20 Hz: %+v, %v", r, err)
	}
	if _, err := Of(c, result(load), Options{LowHz: 30e3, HighHz: 40e3}); err == nil || !strings.Contains(err.Error(), "30000") {
		t.Errorf("a range outside the curve: %v", err)
	}
	c.Points = c.Points[:180] // to 265 Hz, on the flank
	r, err = Of(c, result(load), Options{})
	if err != nil || len(r.Warnings) == 0 || r.Warnings[0].Code != "minimum-at-end" {
		t.Errorf("a curve that ends on the flank: %+v, %v", r, err)
	}
}

// A load counts as its rating, or as the least that it may be, and says so.
func TestCountsAs(t *testing.T) {
	for _, c := range []struct {
		r    Rating
		ohm  float64
		code string
	}{
		{Rating{Ohm: 8, Verdict: verdict.Pass, Candidates: []float64{8}}, 8, ""},
		{Rating{Verdict: verdict.Undecided, Candidates: []float64{4, 8}, MinOhm: quantity.Of(6.4, 0.1)}, 4, "rating-undecided"},
		{Rating{Verdict: verdict.Undecided, Candidates: []float64{2}, MinOhm: quantity.Of(1.6, 0.1)}, 2, "rating-too-low"},
		{Rating{Verdict: verdict.Fail, MinOhm: quantity.Of(1, 0.01)}, 1.25, "rating-too-low"},
		{Rating{Verdict: verdict.Fail, MinOhm: quantity.Of(1000, 1)}, 1250, "rating-too-high"},
	} {
		ohm, doubt := c.r.CountsAs()
		code := ""
		if len(doubt) > 0 {
			code = doubt[0].Code
		}
		if ohm != c.ohm || code != c.code {
			t.Errorf("%+v counts as %g ohm, %v; want %g, %q", c.r, ohm, doubt, c.ohm, c.code)
		}
	}
}

// Of a curve that is a parabola over ln f the lowest |Z| is its vertex, wherever
// between two points that lies.
func TestMinimumIsTheVertex(t *testing.T) {
	for _, hz := range []float64{500, 502, 503.6} {
		var c impedance.Curve
		for i := -96; i <= 96; i++ {
			f := 500 * math.Exp2(float64(i)/48)
			x := math.Log(f / hz)
			c.Points = append(c.Points, impedance.Point{Hz: f, Z: complex(6.4+20*x*x, 0)})
		}
		low, edge, err := lowest(c, 150, 1900)
		if err != nil || edge || math.Abs(low.ohm.Value-6.4) > 1e-9 || math.Abs(low.hz/hz-1) > 1e-9 {
			t.Errorf("the lowest is %.9g ohm at %.9g Hz, %v, %v; want 6.4 at %g", low.ohm.Value, low.hz, edge, err, hz)
		}
	}
}

// A parabola through |Z| took 3 % off the top of a sharp peak, and stated 0.1 %.
func TestPeakIsThatOfTheCurve(t *testing.T) {
	for _, q := range []float64{2, 4, 8, 16} {
		for _, hz := range []float64{41.3, 83.1} {
			load := cabinet(6.2, 0.0125, 0.7, peak(hz, q, 60))
			want, _ := trueMinimum(admittance{load}, hz/1.2, hz*1.2)
			r, err := Of(sample(load, 1e-4, 0, nil), result(load), Options{})
			if err != nil {
				t.Fatal(err)
			}
			if got := r.MaxOhm.Value; math.Abs(got*want-1) > 0.002 {
				t.Errorf("Q %g at %g Hz: the peak is %.4g ohm, not %.4g", q, hz, got, 1/want)
			}
		}
	}
}

type admittance struct{ netlist.Element }

func (a admittance) Impedance(hz float64) complex128 { return 1 / a.Element.Impedance(hz) }

// On the flank of a peak that a few points make, the vertex of a parabola was
// below 0 ohm.
func TestLowestBesideASharpPeak(t *testing.T) {
	for _, hz := range []float64{500, 523, 541} {
		load := cabinet(1.5, 0.0125, 0.7, peak(hz, 300, 15e3))
		c := sample(load, 1e-4, 0, nil)
		least := math.Inf(1)
		for _, p := range c.Points {
			if p.Hz >= 100 && p.Hz <= HighHz {
				least = min(least, cmplx.Abs(p.Z))
			}
		}
		r, err := Of(c, result(load), Options{LowHz: 100})
		if err != nil || r.MinOhm.Value < 0.98*least {
			t.Errorf("the lowest point is %.4g ohm, the lowest |Z| %.4g, %v", least, r.MinOhm.Value, err)
		}
	}
}

func TestResonanceAboveTheRange(t *testing.T) {
	load := cabinet(40, 0.0125, 0.7, peak(12e3, 4, 100))
	if r, err := Of(sample(load, 1e-4, 0, nil), result(load), Options{}); err != nil || r.LowHz != LowHz || r.Ohm != 32 {
		t.Errorf("a load whose one resonance is at 12 kHz: %+v, %v", r, err)
	}
}
