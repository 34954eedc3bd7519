package plot

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/measure/verdict"
	"tapload/plot/plottest"
)

// sound draws the SVG of a chart and says which of its texts lie over another or
// leave it, on a wide screen or a narrow one.
func sound(t *rapid.T, d Drawable) string {
	var b strings.Builder
	if err := Write(&b, SVG, d); err != nil {
		t.Fatal(err)
	}
	for _, p := range plottest.Problems([]byte(b.String()), phoneText*pointsPX) {
		t.Errorf("%T: %s", d, p)
	}
	return b.String()
}

var anyName = rapid.StringMatching(`[A-Za-zÄµΩ]{1,12}( [a-z0-9|(+)-]{1,14}){0,6}`)

// No text of any chart lies over another, and each verdict is in words.
func TestTextsOfChangesKeepApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := ChangeChart{Title: anyName.Draw(t, "title")}
		for range rapid.IntRange(1, 13).Draw(t, "changes") {
			c.Changes = append(c.Changes, Change{
				Label: anyName.Draw(t, "label"), Percent: rapid.Float64Range(-300, 300).Draw(t, "percent"), U: rapid.Float64Range(0, 100).Draw(t, "u"),
				Low: -rapid.SampledFrom([]float64{0, 5, 12.5}).Draw(t, "low"), High: rapid.SampledFrom([]float64{7.5, 100}).Draw(t, "high"),
				Verdict: rapid.SampledFrom([]verdict.Verdict{verdict.Pass, verdict.Fail, verdict.Undecided}).Draw(t, "verdict"),
			})
		}
		svg := string(wide([]byte(sound(t, c))))
		words := map[verdict.Verdict]int{}
		for _, ch := range c.Changes {
			words[ch.Verdict]++
		}
		for v, n := range words {
			if got := strings.Count(svg, v.String()+"</text>"); got != n {
				t.Errorf("%d changes are %s, and the chart says so %d times", n, v, got)
			}
		}
	})
}

func TestTextsOfHookupsKeepApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := driver{re: rapid.Float64Range(2, 30).Draw(t, "re"), res: rapid.Float64Range(1, 90).Draw(t, "res"), fs: rapid.Float64Range(25, 300).Draw(t, "fs"), qms: 5, k: 0.01, n: 0.7}, sixteen
		c := hookupChart()
		c.Title = anyName.Draw(t, "title")
		for i, z := range []func(float64) complex128{func(hz float64) complex128 { return a.z(hz) * b.z(hz) / (a.z(hz) + b.z(hz)) }, a.z, b.z} {
			trace := Trace{fmt.Sprint(anyName.Draw(t, "label"), i), curve(z, 10, 20000, 60, even(0.01))}
			if i == 0 {
				c.Traces = []Trace{trace}
				c.Behind = nil
			} else {
				c.Behind = append(c.Behind, trace)
			}
		}
		c.TapOhm = []float64{4, 8, 16}
		c.InUseOhm = rapid.SampledFrom([]float64{0, 4, 8, 16}).Draw(t, "in use")
		if c.InUseOhm > 0 {
			c.InUseLowHz, c.InUseHighHz = 80, 5000
		}
		svg := sound(t, c)
		for _, word := range []string{"min", "max"} {
			if strings.Count(svg, ">"+word+" ") > 2 {
				t.Errorf("%s is noted more than once", word)
			}
		}
	})
}

func TestTextsOfGapsAndRatiosKeepApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		before := curve(eight.z, 10, 20000, 60, even(0))
		size := rapid.SampledFrom([]float64{0, 0.3, 8, 90, 2000}).Draw(t, "size")
		g := Gap{Name: anyName.Draw(t, "name"), Trace: 1, Hz: before.Hz(), Limit: Limit{Percent: rapid.SampledFrom([]float64{0, 2, 25}).Draw(t, "limit"), OutLowHz: 40, OutHighHz: rapid.SampledFrom([]float64{160, 1e5}).Draw(t, "out")}}
		r := RatioChart{Title: anyName.Draw(t, "title"), Label: anyName.Draw(t, "label"), Hz: g.Hz, Limit: g.Limit}
		for i := range g.Hz {
			v := size * math.Sin(float64(i))
			g.Percent, g.U = append(g.Percent, v), append(g.U, size/50)
			r.Percent, r.U = append(r.Percent, 100*math.Exp(v/100)), append(r.U, size/50)
		}
		sound(t, r)
		sound(t, ImpedanceChart{Title: r.Title, Traces: []Trace{{"before", before}, {anyName.Draw(t, "after"), before}}, Gaps: []Gap{g}})
	})
}

func TestTextsOfFitsKeepApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := driver{re: rapid.Float64Range(2, 30).Draw(t, "re"), res: rapid.Float64Range(1, 90).Draw(t, "res"), fs: rapid.Float64Range(25, 300).Draw(t, "fs"), qms: 5, n: 1}
		var load fit.Result
		r := fit.Resonance{}
		load.Re.Value, r.Hz.Value, r.Qms.Value, r.Res.Value, r.Qts.Value = d.re, d.fs, d.qms, d.res, 0.7
		load.Resonances = []fit.Resonance{r}
		rated := rapid.SampledFrom([]float64{2, 4, 8, 16}).Draw(t, "rated")
		of := rating.Rating{Ohm: rated, Candidates: []float64{rated}, LowHz: d.fs, HighHz: 10e3, MinHz: 3 * d.fs}
		of.MinOhm.Value = 1.1 * d.re
		sound(t, FitChart{Title: anyName.Draw(t, "title"), Curve: curve(d.z, 10, 20000, 60, even(0.01)), Load: load, Rating: of})
	})
}
