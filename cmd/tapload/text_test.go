package main

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"tapload/measure/quantity"
)

func TestSignificant(t *testing.T) {
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
		if got := quantity.Digits(tt.x, tt.n); got != tt.want {
			t.Errorf("significant(%v, %d) = %s, want %s", tt.x, tt.n, got, tt.want)
		}
	}
}

// TestSignificantIsClose: what is printed is never further from x than half a
// step of its last digit.
func TestSignificantIsClose(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := math.Pow(10, rapid.Float64Range(-9, 9).Draw(t, "decade"))
		n := rapid.IntRange(1, 6).Draw(t, "n")
		got, err := strconv.ParseFloat(quantity.Digits(x, n), 64)
		if err != nil {
			t.Fatal(err)
		}
		if step := math.Pow(10, math.Floor(math.Log10(x))-float64(n-1)); math.Abs(got-x) > step*(0.5+1e-9) {
			t.Fatalf("%v to %d digits became %v", x, n, got)
		}
	})
}

func TestFormat(t *testing.T) {
	tests := []struct{ got, want string }{
		{quantity.Hz(20), "20.0 Hz"},
		{quantity.Hz(84.23), "84.2 Hz"},
		{quantity.Hz(999.4), "999 Hz"},
		{quantity.Hz(999.6), "1.00 kHz"},
		{quantity.Hz(20000), "20.0 kHz"},
		{quantity.Of(6.5237, 0.0651).In("ohm"), "6.52 ohm ± 0.13"},
		{quantity.Of(72.14, 2.6).In("ohm"), "72.1 ohm ± 5.2"},
		{quantity.Of(312.4, 31).In("ohm"), "312 ohm ± 62"},
		{quantity.Of(8, 0).In("ohm"), "8.000 ohm"},
		{quantity.Of(6.5237123, 1e-9).In("ohm"), "6.52371 ohm ± 0.00001"},
		// Joints of nothing stood as "0 ohm ± 0", whatever their uncertainty.
		{quantity.Of(0, 0.0377).In("ohm"), "0.000 ohm ± 0.075"},
		{quantity.Of(0.004, 0.0377).In("ohm"), "0.004 ohm ± 0.075"},
	}
	for _, tt := range tests {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
}

// TestFold: folding only ever turns spaces into line breaks, and no line is
// too long that a space could have broken.
func TestFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[a-z±]{1,12}( [a-z±]{1,12}){0,30}`).Draw(t, "s")
		width := rapid.IntRange(16, 80).Draw(t, "width")
		out := fold(s, width)
		if back := strings.ReplaceAll(out, "\n  ", " "); back != s {
			t.Fatalf("%q came back as %q", s, back)
		}
		for _, line := range strings.Split(out, "\n") {
			if n := utf8.RuneCountInString(line); n > width {
				t.Fatalf("line of %d characters at width %d: %q", n, width, line)
			}
		}
	})
	if s := "one two"; fold(s, 0) != s {
		t.Error("no terminal, but the text was folded")
	}
}
