package plot

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"os"
	"strings"
	"testing"

	"tapload/measure/impedance"
)

func text(t *testing.T, traces []Trace, width, height int) []string {
	t.Helper()
	var out bytes.Buffer
	if err := Text(&out, traces, width, height); err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
}

func TestTextShowsTheCurve(t *testing.T) {
	const width, height = 80, 24
	lines := text(t, []Trace{{"cabinet (invented)", curve(cabinet.z, 10, 24000, 480, even(0.01))}}, width, height)
	if len(lines) != height {
		t.Fatalf("%d lines, want %d", len(lines), height)
	}
	for _, l := range lines {
		for _, r := range l {
			if r > '~' || len(l) > width {
				t.Fatalf("line %q: not ASCII or more than %d columns", l, width)
			}
		}
	}
	if got := strings.Fields(lines[height-1]); strings.Join(got, " ") != "Hz 20 50 100 200 500 1k 2k 5k 10k 20k" {
		t.Errorf("frequency labels %q", got)
	}
	// Inside the frame: 72 columns and 21 rows, axis 5 to 100 ohm.
	for _, hz := range []float64{30, 60, 84, 200, 1000, 10000} {
		column := int(72 * math.Log(hz/20) / math.Log(1000))
		middle := 20 * math.Pow(1000, (float64(column)+0.5)/72)
		row := int(21 * (1 - math.Log(cmplx.Abs(cabinet.z(middle))/5)/math.Log(20)))
		if l := lines[1+row]; len(l) <= 8+column || l[8+column] == ' ' {
			t.Errorf("%g Hz: nothing in column %d of line %q", hz, 8+column, l)
		}
	}
}

func TestTextSeveralCurves(t *testing.T) {
	lines := text(t, []Trace{
		{"low", curve(resistor(10), 10, 24000, 30, even(0))},
		{"high, with a name that is far too long for the line that it has (invented)", curve(resistor(40), 1000, 1000, 1, even(0))},
	}, 40, 12)
	all := strings.Join(lines, "\n")
	if strings.Count(all, "a") < 32 || strings.Count(strings.Join(lines[:10], ""), "b") != 1 {
		t.Errorf("curves a over the whole band and b as one point expected:\n%s", all)
	}
	// What went wrong: of a name that was cut "(invented)" went, or its bracket.
	if got := lines[len(lines)-1]; got != "      b  high, with a n...has (invented)" {
		t.Errorf("key line %q", got)
	}
}

func TestTextErrors(t *testing.T) {
	good := []Trace{{"a", curve(resistor(8), 20, 20000, 9, even(0))}}
	for _, c := range []struct {
		traces        []Trace
		width, height int
		want          string
	}{
		{good, 39, 20, "text chart: 39 by 20 characters are too few; use at least 40 by 10"},
		{good, 80, 9, "text chart: 80 by 9 characters are too few; use at least 40 by 10"},
		{nil, 80, 20, "text chart: there is no curve to draw; give at least one"},
		{[]Trace{{"x", impedance.Curve{}}}, 80, 20, `text chart: curve 1 ("x"): curve has no points`},
	} {
		if err := Text(io.Discard, c.traces, c.width, c.height); err == nil || err.Error() != c.want {
			t.Errorf("error %v, want %q", err, c.want)
		}
	}
}

func ExampleText() {
	resonance := driver{re: 7, res: 50, fs: 100, qms: 2, n: 1}
	err := Text(os.Stdout, []Trace{{"invented", curve(resonance.z, 20, 20000, 200, even(0))}}, 60, 14)
	if err != nil {
		fmt.Println(err)
	}
	// Output:
	//     ohm
	//    100 +
	//        |
	//     50 +           ''.
	//        |          '   .
	//        |        .'     .
	//     20 +       -        -
	//        |     .'          '.
	//        |   .-              '-
	//     10 +.-'                  '--.
	//        |                         '''------..................
	//      5 +
	//        ++-----+-----+----+------+----+----+------+----+----+
	//   Hz   20    50    100  200    500  1k   2k     5k   10k 20k
}
