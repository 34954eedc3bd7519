package recone

import (
	"testing"

	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// How sure, how large and how high a part must be to fail a driver, and what a title
// says of it.
func TestLoosened(t *testing.T) {
	for _, c := range []struct {
		odds, percent, hz, elsewhere float64
		before                       bool
		want                         verdict.Verdict
		title                        string
	}{
		{1, 6, 400, 0, false, verdict.Fail, "FAIL: a part is loose"},
		{0.99, 6, 400, 0, false, verdict.Undecided, "UNDECIDED: a part may be loose"},
		{1, 2.1, 400, 0, false, verdict.Undecided, "UNDECIDED: a part may be loose"},
		{1, 6, 1200, 0, false, verdict.Undecided, "UNDECIDED: a part may be loose"},
		{0.4, 6, 400, 0, false, verdict.Pass, "PASS: within the limits"},
		{1, 6, 400, 500, false, verdict.Pass, "PASS: within the limits"},
		{1, 6, 400, 0, true, verdict.Pass, "PASS: within the limits"},
	} {
		part := looseness{hz: quantity.Of(c.hz, 1), share: quantity.Of(c.percent/100, 0.001), after: !c.before, elsewhere: c.elsewhere}
		k := part.cause()
		k.Probability = c.odds
		got := Comparison{Causes: []Cause{k}}
		got.loosened(&part)
		if got.Verdict != c.want || (got.Loose != nil) != (c.want != verdict.Pass) || got.Title() != c.title || (got.Damage() != "") != (c.want == verdict.Fail) || got.Outside() {
			t.Errorf("%+v: %v, %+v, %q", c, got.Verdict, got.Loose, got.Title())
		}
	}
}
