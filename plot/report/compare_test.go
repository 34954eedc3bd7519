package report

import (
	"testing"

	"tapload/fit/recone"
	"tapload/measure/quantity"
)

// A change of 0.04 % that the noise was sure of read "0 ± 0.1" and stood without
// brackets. What counts is never written as 0, and what is less than a driver repeats
// to (0.1 %, k = 2) is in brackets, with its value to the place of its uncertainty
// (JCGM 100:2008, 7.2.6).
func TestChangesThatCountAreNotZero(t *testing.T) {
	for _, c := range []struct {
		percent, u  float64
		significant bool
		want        string
	}{
		{0.04, 0.001, true, "(+0.04 ± 0.10)"},
		{-0.04, 0.001, true, "(-0.04 ± 0.10)"},
		{0.004, 0.0001, true, "0 ± 0.10"},
		{0.11, 0.001, true, "+0.11 ± 0.10"},
		{-10.56, 0.03, true, "-10.56 ± 0.10"},
		{-10.56, 0.2, true, "-10.56 ± 0.40"},
		{3.21, 2, false, "(+3.2 ± 4.0)"},
		{0.001, 2, false, "0 ± 4.0"},
	} {
		ch := recone.Change{Percent: quantity.Of(c.percent, c.u), Significant: c.significant}
		if got := change(ch.Percent, ch.Counts(), true); got != c.want {
			t.Errorf("%g(%g) %%, significant %v: %q, want %q", c.percent, c.u, c.significant, got, c.want)
		}
	}
}
