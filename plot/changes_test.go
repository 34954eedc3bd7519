package plot

import (
	"bytes"
	"math"
	"strings"
	"testing"
)

var changed = ChangeChart{Title: "Before and after", Changes: []Change{
	{"Re", 0.3, 0.1, -5, 5}, {"fs", -10.56, 0.03, -10, 10}, {"Qms", 11.8, 8, -25, 25}, {"curves", 98, 6.5, 0, 100},
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
	for _, want := range []string{"fs", "-10.56 % (-10 to 10)", "lower limit", "k = 2"} {
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
		{Changes: []Change{{"Re", math.NaN(), 0, -5, 5}}},
		{Changes: []Change{{"Re", 1, -1, -5, 5}}},
		{Changes: []Change{{"Re", 1, 1, 0, 0}}},
		{Changes: []Change{{"Re", 1, 1, 2, 5}}},
	} {
		var b bytes.Buffer
		if err := Write(&b, SVG, c); err == nil || b.Len() > 0 {
			t.Errorf("%+v: error %v, %d bytes", c, err, b.Len())
		}
	}
}
