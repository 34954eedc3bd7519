package quantity

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestIn(t *testing.T) {
	for _, c := range []struct {
		value, u float64
		unit     string
		want     string
	}{
		{6.625, 0.006, "ohm", "6.625 ohm ± 0.012"},
		{109.171, 0.0005, "Hz", "109.2 Hz ± 0.2"}, // no cabinet repeats to less than 0.1 %
		{0.798846, 0.000001, "", "0.7988 ± 0.0008"},
		{54.9, 2, "ohm", "54.9 ohm ± 4.0"},
		{8, 0, "ohm", "8.000 ohm"},
		{194.531, 0.0005, "W", "194.5 W ± 0.2"},
		{12345, 1, "Hz", "12345 Hz ± 13"},
		{1.2, 30, "ohm", "1 ohm ± 60"},
	} {
		if got := Of(c.value, c.u).In(c.unit); got != c.want {
			t.Errorf("%g(%g): %q, want %q", c.value, c.u, got, c.want)
		}
	}
}

func TestChange(t *testing.T) {
	for _, c := range []struct {
		value, u, least float64
		want            string
	}{
		{-10.6, 0.06, 0, "-10.60 % ± 0.12"},
		{2, 0.5, 0, "+2.0 % ± 1.0"},
		{0.00001, 0.05, 0, "0 % ± 0.10"},
		{0.24, 0.001, 0.1, "+0.24 % ± 0.10"},
	} {
		if got := Of(c.value, c.u).Change("%", c.least); got != c.want {
			t.Errorf("%g(%g): %q, want %q", c.value, c.u, got, c.want)
		}
	}
}

// Another unit changes value and uncertainty alike, and no uncertainty is below 0.
func TestTimes(t *testing.T) {
	for _, c := range []struct{ v, want Value }{
		{Of(0.0005, 0.000025).Times(1e3), Of(0.5, 0.025)},
		{Of(3, 0.5).Times(-2), Of(-6, 1)},
	} {
		if math.Abs(c.v.Value-c.want.Value) > 1e-15 || math.Abs(c.v.U-c.want.U) > 1e-15 {
			t.Errorf("%g(%g), want %g(%g)", c.v.Value, c.v.U, c.want.Value, c.want.U)
		}
	}
}

// What is written is the value within its written uncertainty, to four digits
// at most, and no uncertainty is less than what was meant.
func TestInHolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(1e-3, 1e3).Draw(t, "value")
		u := v * math.Pow(10, rapid.Float64Range(-8, 1).Draw(t, "u"))
		value, expanded, ok := strings.Cut(Of(v, u).In(""), " ± ")
		if !ok {
			t.Fatalf("%g(%g) without an uncertainty", v, u)
		}
		got, _ := strconv.ParseFloat(value, 64)
		e, _ := strconv.ParseFloat(expanded, 64)
		if math.Abs(got-v) > e || e < 2*u*(1-1e-4) || e < Repeats*v*(1-1e-4) {
			t.Fatalf("%g(%g) is written %s ± %s", v, u, value, expanded)
		}
		if n := len(strings.TrimLeft(strings.Replace(value, ".", "", 1), "0")); n > 4 && !strings.HasSuffix(value, "0") && v < 9999 {
			t.Fatalf("%s has %d digits", value, n)
		}
	})
}

func TestWords(t *testing.T) {
	for got, want := range map[string]string{
		Hz(94.0004): "94.0 Hz", Hz(999.4): "999 Hz", Hz(999.6): "1.00 kHz", Hz(1234): "1.23 kHz", LimitHz(10e3): "10 kHz", Ohms(8): "8", Ohms(8. / 3): "2.67",
		Percent(0.5): "50.0 %", Stated(0.001): "0.1 %", Stated(0.1): "10 %", Stated(0.125): "12.5 %", Rest(1e-6): "less than 0.001 %", Probability(0.9999): "> 99.9 %", Probability(1e-9): "< 0.1 %", Probability(0.28): "28 %",
		List([]string{"a"}): "a", List([]string{"a", "b", "c"}): "a, b and c",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestDigitsAreClose: what is printed is never further from x than half a
// step of its last digit.
func TestDigitsAreClose(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := math.Pow(10, rapid.Float64Range(-9, 9).Draw(t, "decade"))
		n := rapid.IntRange(1, 6).Draw(t, "n")
		got, err := strconv.ParseFloat(Digits(x, n), 64)
		if err != nil {
			t.Fatal(err)
		}
		if step := math.Pow(10, math.Floor(math.Log10(x))-float64(n-1)); math.Abs(got-x) > step*(0.5+1e-9) {
			t.Fatalf("%v to %d digits became %v", x, n, got)
		}
	})
}

func TestDigits(t *testing.T) {
	tests := []struct {
		x    float64
		n    int
		want string
	}{
		{0, 3, "0"},
		{1, 3, "1.00"},
		{9.996, 3, "10.0"}, // rounding makes it a digit longer
		{999.4, 3, "999"},
		{999.6, 3, "1000"},
		{12345, 3, "12300"},
		{0.0012345, 3, "0.00123"},
		{-6.524, 3, "-6.52"},
	}
	for _, tt := range tests {
		if got := Digits(tt.x, tt.n); got != tt.want {
			t.Errorf("Digits(%v, %d) = %s, want %s", tt.x, tt.n, got, tt.want)
		}
	}
}
