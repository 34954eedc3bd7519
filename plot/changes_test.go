package plot

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"tapload/measure/verdict"
)

var changed = ChangeChart{Title: "Before and after", Changes: []Change{
	{Label: "Re", Percent: 0.3, U: 0.1, Low: -5, High: 5},
	{Label: "fs", Percent: -10.56, U: 0.03, Low: -10, High: 10, Verdict: verdict.Fail},
	{Label: "Qms", Percent: 11.8, U: 8, Low: -25, High: 25, Verdict: verdict.Undecided},
	{Label: "curves apart", Percent: 98, U: 6.5, High: 100},
}}

func TestChangeChart(t *testing.T) {
	for _, f := range []Format{PNG, SVG, PDF} {
		var one, two bytes.Buffer
		if err := Write(&one, f, changed); err != nil {
			t.Fatal(err)
		}
		if err := Write(&two, f, changed); err != nil || !bytes.Equal(one.Bytes(), two.Bytes()) {
			t.Errorf("%s differs from one time to the next (%v)", f, err)
		}
	}
	var svg bytes.Buffer
	if err := Write(&svg, SVG, changed); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"fs", "−10.6 % (−10 to 10) fail", "(−25 to 25) undecided", "curves apart", "(0 to 100) pass", "lower limit", "k = 2"} {
		if !strings.Contains(svg.String(), want) {
			t.Errorf("the chart does not say %q", want)
		}
	}
}

// Limits stand at -1 and 1 whatever they are, and what is far outside at the
// edge.
func TestChangeScale(t *testing.T) {
	c := Change{Low: -10, High: 40}
	for v, want := range map[float64]float64{0: 0, -10: -1, -5: -0.5, 40: 1, 20: 0.5, 1000: reach, -1000: -reach} {
		if got := c.of(v); math.Abs(got-want) > 1e-12 {
			t.Errorf("%g %% stands at %g, want %g", v, got, want)
		}
	}
	if got := (Change{High: 100}).of(-1); got != -reach {
		t.Errorf("below a limit of 0 stands at %g", got)
	}
}

func TestChangeChartRefuses(t *testing.T) {
	for _, c := range []ChangeChart{
		{},
		{Changes: []Change{{Label: "Re", Percent: math.NaN(), U: 0, Low: -5, High: 5}}},
		{Changes: []Change{{Label: "Re", Percent: 1, U: -1, Low: -5, High: 5}}},
		{Changes: []Change{{Label: "Re", Percent: 1, U: 1, Low: 0, High: 0}}},
		{Changes: []Change{{Label: "Re", Percent: 1, U: 1, Low: 2, High: 5}}},
	} {
		var b bytes.Buffer
		if err := Write(&b, SVG, c); err == nil || b.Len() > 0 {
			t.Errorf("%+v: error %v, %d bytes", c, err, b.Len())
		}
	}
}

// The three verdicts differ in the shape of their marks, so that a print without
// colour keeps them: of fills and strokes no two have as many.
func TestVerdictsDifferWithoutColour(t *testing.T) {
	shapes := map[[2]int]verdict.Verdict{}
	for _, v := range []verdict.Verdict{verdict.Pass, verdict.Fail, verdict.Undecided} {
		svg := written(t, ChangeChart{Changes: []Change{{Label: "Re", Percent: 1, U: 1, Low: -5, High: 5, Verdict: v}}}, SVG)
		shape := [2]int{strings.Count(svg, `style="fill:#`), strings.Count(svg, `style="fill:none`)}
		if other, taken := shapes[shape]; taken {
			t.Errorf("%s and %s have the same %d fills and %d strokes", v, other, shape[0], shape[1])
		}
		shapes[shape] = v
	}
}

// An interval that the edge cuts ends in an arrow there, on its own side only.
func TestCutIntervalsAreArrows(t *testing.T) {
	fills := func(c Change) int {
		return strings.Count(written(t, ChangeChart{Changes: []Change{c}}, SVG), `style="fill:#0072B2`)
	}
	whole := fills(Change{Label: "Re", U: 1, Low: -5, High: 5})
	for name, c := range map[string]struct {
		of   Change
		more int
	}{
		"to the right": {Change{Label: "Re", Percent: 2, U: 4, Low: -5, High: 5}, 1},
		"to both":      {Change{Label: "Re", U: 5, Low: -5, High: 5}, 2},
	} {
		if got := fills(c.of); got != whole+2*c.more { // of both layouts
			t.Errorf("%s: %d fills more than of a whole interval, want %d", name, got-whole, 2*c.more)
		}
	}
}
