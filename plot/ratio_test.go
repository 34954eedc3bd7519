package plot

import (
	"bytes"
	"strings"
	"testing"
)

func TestRatioChart(t *testing.T) {
	c := RatioChart{Title: "After over before", Label: "|Z| after over before", Hz: []float64{20, 80, 300, 20e3}, Percent: []float64{100, 140, 93, 100}, U: []float64{0.1, 2, 0.3, 0.2}}
	for _, f := range []Format{PNG, SVG, PDF} {
		var one, two bytes.Buffer
		if err := Write(&one, f, c); err != nil {
			t.Fatal(err)
		}
		if err := Write(&two, f, c); err != nil || !bytes.Equal(one.Bytes(), two.Bytes()) {
			t.Errorf("%s differs from one time to the next (%v)", f, err)
		}
	}
	var svg bytes.Buffer
	if err := Write(&svg, SVG, c); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"no change", "after / before (%)", "k = 2"} {
		if !strings.Contains(svg.String(), want) {
			t.Errorf("the chart does not say %q", want)
		}
	}
	c.U = c.U[:2]
	var none bytes.Buffer
	if err := Write(&none, SVG, c); err == nil || none.Len() > 0 {
		t.Errorf("uncertainties of half the points: error %v, %d bytes", err, none.Len())
	}
}
