package recone

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// noisy is s with the noise of the points that are meant, relative to |Z|.
func noisy(t *testing.T, s Side, noise float64, meant func(hz float64) bool) Side {
	t.Helper()
	c := impedance.Curve{Points: append([]impedance.Point{}, s.Curve.Points...), Shared: s.Curve.Shared}
	for i := range c.Points {
		if p := &c.Points[i]; meant(p.Hz) {
			u := noise * math.Hypot(real(p.Z), imag(p.Z)) / math.Sqrt2
			p.Noise = impedance.Circular(2 * u * u)
			p.Z += complex(u, -u/2)
		}
	}
	return fitted(t, s.Label, c, fit.Options{})
}

// What went wrong: one point at the hum, known to 20000 %, left the verdict of one
// driver measured twice undecided, and a calibrated jig was to help.
func TestNoisyPointsDoNotJudge(t *testing.T) {
	hum := func(hz float64) bool { return hz > 21 && hz < 24 || hz > 790 && hz < 820 }
	before, after := guitarDriver.measure(t, 1e-3, 1, 0), noisy(t, guitarDriver.measure(t, 1e-3, 2, 0), 3, hum)
	got := compare(t, before, after)
	w := got.Worst
	if got.Verdict != verdict.Pass || w.Hidden < 4 || w.Hidden > 8 || len(w.Where) != 2 || hum(w.Hz) || w.Significant || w.Percent.U > 1 {
		t.Errorf("hum: %d of %d hidden, %v\n%s", w.Hidden, w.Points, w.Where, tell(got))
	}
	if text := got.Warnings[len(got.Warnings)-1]; text.Code != "curves-hidden" || !strings.Contains(text.Text, "at 6 of 216 frequencies (21.2 to 23.8 Hz, 809 Hz)") || !strings.Contains(text.Text, "less hum and noise") {
		t.Errorf("%+v", got.Warnings)
	}

	// A point that is outside beyond doubt counts however uncertain it is.
	broken := guitarDriver.measure(t, 1e-3, 2, 0)
	for i := range broken.Curve.Points {
		if p := &broken.Curve.Points[i]; p.Hz > 3000 && p.Hz < 3100 {
			p.Z *= 3
			p.Noise = p.Noise.Times(50)
		}
	}
	got.Worst, _ = deviation(before.Curve, broken.Curve, 0, Limit{0, 25}, func(float64) bool { return true })
	if w := got.Worst; w.Verdict != verdict.Fail || w.Hz < 3000 || w.Hz > 3100 {
		t.Errorf("broken: %+v", w)
	}

	// Too little is left, and what shows is a point that is known best.
	most := noisy(t, guitarDriver.measure(t, 1e-3, 2, 0), 0.2, func(hz float64) bool { return hz > 300 })
	got = compare(t, before, most)
	if got.Verdict != verdict.Undecided || !strings.Contains(got.Words(), lessNoise) || strings.Contains(got.Words(), "jig") {
		t.Errorf("noise: %s\n%s", got.Words(), tell(got))
	}

	// What a jig is unsure of is alike at all points: it is not left out, and it is
	// the jig that helps. The point that shows is one that makes it undecided.
	other := guitarDriver.measure(t, 1e-3, 2, 0)
	other.Curve.Shared = []impedance.Source{{ID: "another jig", DZ: make([]complex128, len(other.Curve.Points))}}
	for i, p := range other.Curve.Points {
		if p.Hz > 2000 {
			other.Curve.Shared[0].DZ[i] = 0.1 * p.Z
		}
	}
	got.Worst, _ = deviation(before.Curve, other.Curve, 0, Limit{0, 25}, func(float64) bool { return true })
	if w := got.Worst; w.Verdict != verdict.Undecided || w.noise || w.Hidden > 0 || w.Hz < 2000 {
		t.Errorf("another jig: %+v", w)
	}
}

// What went wrong: a change of 0.003 % was known to 0.0006 % and significant in JSON,
// and nothing within 0.1 %, to which a driver repeats, on the page.
func TestFilesStateWhatPagesState(t *testing.T) {
	for _, c := range []struct {
		percent, u, want float64
		significant      bool
	}{
		{0.003, 0.0006, 0.05, false},
		{0.3, 0.0006, 0.05, true},
		{3, 0.2, 0.2, true},
	} {
		v := quantity.Of(c.percent, c.u)
		for _, one := range []any{Change{Percent: v, Significant: true}, Deviation{Percent: v, Significant: true, Hz: 100}} {
			var got struct {
				U           float64 `json:"u_percent"`
				Significant bool    `json:"significant"`
			}
			text, err := json.Marshal(one)
			if err == nil {
				err = json.Unmarshal(text, &got)
			}
			if err != nil || math.Abs(got.U-c.want) > 1e-12 || got.Significant != c.significant {
				t.Errorf("%v: %s, %v", v, text, err)
			}
		}
	}
}
