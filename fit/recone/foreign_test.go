package recone

import (
	"strings"
	"testing"

	"tapload/fit"
	"tapload/fixtures/bench/foreign"
	"tapload/measure/verdict"
)

// foreignCount is what comparisons of loads that nobody touched come to.
type foreignCount struct{ pairs, unfitted, failed, undecided, significant, blamed int }

// countForeign compares loads of models that the fit does not have with
// themselves, measured twice. A load without a fit is none that can be compared.
func countForeign(t testing.TB, pairs int, say func(load string, c Comparison)) (n foreignCount) {
	kinds := foreign.Kinds()
	for i := range pairs {
		load := kinds[i%len(kinds)].Draw(uint64(1000 + i/len(kinds)))
		var sides [2]Side
		unfitted := false
		for take := range sides {
			c := load.Curve(uint64(take + 1))
			r, err := fit.Curve(t.Context(), c, fit.Options{})
			unfitted = unfitted || err != nil
			sides[take] = Side{Label: load.String(), Curve: c, Load: r}
		}
		n.pairs++
		if unfitted {
			n.unfitted++
			continue
		}
		c := compare(t, sides[0], sides[1])
		bad := c.Verdict != verdict.Pass
		switch c.Verdict {
		case verdict.Fail:
			n.failed++
		case verdict.Undecided:
			n.undecided++
		}
		if len(c.significant()) > 0 {
			n.significant++
		}
		if best := c.Causes[0]; best.Name != "nothing changed" && best.Probability > 0.5 {
			n.blamed++
			bad = true
		}
		if bad {
			say(load.String(), c)
		}
	}
	return n
}

// One load of each of the twelve kinds, or of four of them with -short.
func TestForeignLoadTwice(t *testing.T) {
	pairs := 12
	if testing.Short() {
		pairs = 4
	}
	n := countForeign(t, pairs, func(load string, c Comparison) { t.Logf("%s: %s", load, tell(c)) })
	if n.failed > 0 || n.undecided > 1 || n.blamed > 0 || n.significant > 3 {
		t.Errorf("%+v", n)
	}
}

// BenchmarkForeignLoadTwice is kept in testdata/figures/recone.txt.
func BenchmarkForeignLoadTwice(b *testing.B) {
	for b.Loop() {
		var told []string
		n := countForeign(b, 200, func(load string, c Comparison) { told = append(told, load+": "+tell(c)) })
		b.Logf("%s\n%+v", strings.Join(told, "\n"), n)
		b.ReportMetric(float64(n.pairs-n.unfitted), "compared")
		b.ReportMetric(float64(n.failed), "failed")
		b.ReportMetric(float64(n.undecided), "undecided")
		b.ReportMetric(float64(n.significant), "significant")
		b.ReportMetric(float64(n.blamed), "blamed")
	}
}
