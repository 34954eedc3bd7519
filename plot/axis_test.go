package plot

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	units "tapload/measure/quantity"
)

func labels(ticks []tick) string {
	var s []string
	for _, t := range ticks {
		if t.label != "" {
			s = append(s, t.label)
		}
	}
	return strings.Join(s, " ")
}

func TestLogTicks(t *testing.T) {
	for _, c := range []struct {
		name          string
		min, max, gap float64
		want          string
	}{
		{"audio band", 20, 20000, 0.14, "20 50 100 200 500 1k 2k 5k 10k 20k"},
		{"from 10 Hz", 10, 20000, 0.14, "10 20 50 100 200 500 1k 2k 5k 10k 20k"},
		{"no room", 20, 20000, 0.4, "100 1k 10k"},
		{"one decade", 30, 300, 0.07, "30 40 50 60 80 100 200 300"},
		{"one decade, wide", 30, 300, 0.04, "30 40 50 60 70 80 90 100 200 300"},
		{"narrow", 1000, 1100, 0.008, "1k 1.02k 1.04k 1.06k 1.08k 1.1k"},
		// What went wrong: these were "1000k 1e+04k 1e+06k", and the last "1e-06".
		{"megohms", 1e5, 1e7, 0.14, "100k 200k 500k 1M 2M 5M 10M"},
		{"all that an axis shows", 1e8, 1e9, 0.3, "100M 200M 500M 1G"},
		{"microhms", 1e-6, 1e-5, 0.3, "0.000001 0.000002 0.000005 0.00001"},
		{"milliohms", 0.005, 0.5, 0.1, "0.005 0.01 0.02 0.05 0.1 0.2 0.5"},
	} {
		if got := labels(logTicks(c.min, c.max, c.gap, prefixed)); got != c.want {
			t.Errorf("%s: labels %q, want %q", c.name, got, c.want)
		}
	}
	for _, tk := range logTicks(20, 20000, 0.14, prefixed) {
		if tk.at == 30 && tk.label != "" || tk.at < 20 || tk.at > 20000 {
			t.Errorf("tick %+v: 30 Hz must be minor, none may lie outside", tk)
		}
	}
}

func TestModulusAxis(t *testing.T) {
	for _, c := range []struct {
		name                      string
		least, most, axMin, axMax float64
	}{
		{"cabinet", 7.2, 58.8, 5, 100},
		{"flat resistor", 22, 22, 10, 50},
		{"high peak", 12, 300, 5, 500},
		{"open", 1e6, 2e6, 5e5, 5e6},
		{"short beside a cabinet", 1e-9, 60, 2e-3, 100},
	} {
		if a := modulusAxis(c.least, c.most); a.min != c.axMin || a.max != c.axMax {
			t.Errorf("%s: axis %g to %g ohm, want %g to %g", c.name, a.min, a.max, c.axMin, c.axMax)
		}
	}
}

func TestModulusAxisHoldsAnyCurve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		least := math.Pow(10, rapid.Float64Range(-6, 9).Draw(t, "log least"))
		most := least * math.Pow(10, rapid.Float64Range(0, 3.9).Draw(t, "decades"))
		a := modulusAxis(least, most)
		if !(a.min < least && a.max > most) || a.max/a.min < 4.9 || a.min < least/20 || a.max > most*20 {
			t.Fatalf("%g to %g ohm: axis %g to %g", least, most, a.min, a.max)
		}
	})
}

func TestPhaseAxis(t *testing.T) {
	for _, c := range []struct {
		name        string
		least, most float64
		room        int
		want        string
	}{
		{"cabinet", -50, 56, 6, "−60 −30 0 30 60"},
		{"resistor", 0, 0, 6, "−15 0 15"},
		{"inductor", 90, 90, 6, "−30 0 30 60 90 120"},
		{"all around", -180, 180, 6, "−180 −90 0 90 180"},
		{"all around, room", -180, 180, 8, "−180 −135 −90 −45 0 45 90 135 180"},
		{"small picture", -50, 56, 2, "−90 0 90"},
	} {
		if got := labels(phaseAxis(c.least, c.most, c.room).ticks); got != c.want {
			t.Errorf("%s: labels %q, want %q", c.name, got, c.want)
		}
	}
}

func TestDigits(t *testing.T) {
	for v, want := range map[float64]string{6.4213: "6.42", 58.96: "59.0", 301.4: "301", 9.996: "10.0", 0.01234: "0.0123", 1234: "1230"} {
		if got := units.Digits(v, 3); got != want {
			t.Errorf("digits(%g) = %q, want %q", v, got, want)
		}
	}
	for v, want := range map[float64]string{83.44: "83.4 Hz", 999.7: "1 kHz", 1254: "1.25 kHz", 20000: "20 kHz"} {
		if got := units.LimitHz(v); got != want {
			t.Errorf("frequency(%g) = %q, want %q", v, got, want)
		}
	}
}

// Half of the way along an axis is the mean of its ends, on a log axis the geometric
// one; what a log axis has no place for is held outside.
func TestAlongAnAxis(t *testing.T) {
	for _, tc := range []struct {
		a       axis
		v, want float64
	}{
		{axis{min: 20, max: 20e3}, 10010, 0.5},
		{axis{min: 10, max: 1000, log: true}, 100, 0.5},
		{axis{min: 20, max: 20e3, log: true}, 200, 1. / 3},
		{axis{min: 10, max: 1000, log: true}, 0, -1},
		{axis{min: 10, max: 1000, log: true}, 1e9, 2},
	} {
		if got := tc.a.frac(tc.v); math.Abs(got-tc.want) > 1e-12 {
			t.Errorf("%g from %g to %g, log %v: %g of the way, want %g", tc.v, tc.a.min, tc.a.max, tc.a.log, got, tc.want)
		}
	}
}
