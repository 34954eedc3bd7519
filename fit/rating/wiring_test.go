package rating

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"tapload/fit"
	"tapload/fixtures/netlist"
	"tapload/measure/quantity"
)

// The wirings of 16 ohm that every technician names: common practice, no source.
func TestWirings(t *testing.T) {
	list, err := Wirings(16, 0)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, w := range list {
		got = append(got, w.String())
	}
	want := []string{"one 16 ohm", "two 8 ohm in series", "two 32 ohm in parallel", "four 16 ohm in series-parallel", "four 4 ohm in series"}
	if !slices.Equal(got, want) {
		t.Errorf("16 ohm: %q, want %q", got, want)
	}
	three, err := Wirings(16./3, 3)
	if err != nil || len(three) != 1 || three[0].String() != "three 16 ohm in parallel" {
		t.Errorf("5.33 ohm of three: %v, %v", three, err)
	}
	for _, n := range []int{-1, 13} {
		if _, err := Wirings(8, n); err == nil {
			t.Errorf("%d drivers: no error", n)
		}
	}
}

// network solves w with its first driver replaced, by nodal analysis.
func network(t *testing.T, w Wiring, f Fault) float64 {
	t.Helper()
	var b []netlist.Branch
	add := func(s, p int, from, to string) {
		e := netlist.Resistor(w.DriverOhm)
		if s == 0 && p == 0 {
			switch f {
			case Open:
				e = netlist.Resistor(math.Inf(1))
			case Shorted:
				e = netlist.Wire
			}
		}
		b = append(b, netlist.Branch{Name: fmt.Sprintf("%d.%d", s, p), From: from, To: to, Element: e})
	}
	for s := range w.Series {
		for p := range w.Parallel {
			node := func(k int) string {
				switch {
				case k == 0:
					return "in"
				case k == w.Series:
					return "0"
				case w.Grouped:
					return fmt.Sprint("n", k)
				}
				return fmt.Sprint("n", k, ".", p)
			}
			add(s, p, node(s), node(s+1))
		}
	}
	n, err := netlist.New(b...)
	if err != nil {
		t.Fatal(err)
	}
	port, err := n.Port("in", "0")
	if err != nil {
		t.Fatal(err)
	}
	z, err := port.Impedance(100)
	if err != nil {
		t.Fatal(err)
	}
	return real(z)
}

func TestDeadDriverAgainstNodalAnalysis(t *testing.T) {
	for n := 1; n <= MostDrivers; n++ {
		for _, w := range wirings(n) {
			for _, grouped := range []bool{false, true} {
				w.Grouped = grouped
				for _, f := range []Fault{Healthy, Open, Shorted} {
					got, want := w.With(f), network(t, w, f)
					if got != want && !(math.Abs(got-want) < 1e-9*want) {
						t.Errorf("%v (%s), %v: %g ohm, want %g", w, w.Layout(), f, got, want)
					}
				}
			}
		}
	}
}

// Four 8 ohm drivers in series-parallel, one open: by hand, two strings leave
// one of 16 ohm; two groups in series leave 8 + 4 = 12 ohm.
func TestExplain(t *testing.T) {
	reading := func(ohm float64) (load fit.Result, min quantity.Value) {
		return fit.Result{Re: quantity.Value{Value: usualDC * ohm, U: 0.02}}, quantity.Value{Value: usualMin * ohm, U: 0.02}
	}
	for _, tc := range []struct {
		ohm, marked float64
		drivers     int
		first       string
	}{
		{8, 0, 0, "one 8 ohm"},
		{8, 8, 4, "four 8 ohm in series-parallel"},
		{16, 8, 4, "four 8 ohm in series-parallel (two strings in parallel, each of two in series), one open"},
		{12, 8, 4, "four 8 ohm in series-parallel (two groups in series, each of two in parallel), one open"},
		{16. / 3, 8, 4, "four 8 ohm in series-parallel (two strings in parallel, each of two in series), one shorted"},
		{4, 8, 4, "four 8 ohm in series-parallel (two groups in series, each of two in parallel), one shorted"},
		{16, 8, 2, "two 16 ohm in parallel, one open"},
		{8, 16, 2, "two 8 ohm in series, one shorted"},
	} {
		load, min := reading(tc.ohm)
		list, err := Explain(load, min, tc.drivers, tc.marked)
		if err != nil || len(list) == 0 {
			t.Errorf("%g ohm of %d marked %g: %v, %v", tc.ohm, tc.drivers, tc.marked, list, err)
			continue
		}
		if got := list[0].String(); got != tc.first || math.Abs(list[0].Ohm/tc.ohm-1) > 1e-9 {
			t.Errorf("%g ohm of %d marked %g: %q first (%g ohm), want %q", tc.ohm, tc.drivers, tc.marked, got, list[0].Ohm, tc.first)
		}
		for i, e := range list {
			if i > 0 && e.Probability > list[i-1].Probability || e.Probability < 0.01 || e.Probability > 1+1e-12 || e.Check == "" {
				t.Errorf("%g ohm: entry %d has odds %g and check %q", tc.ohm, i, e.Probability, e.Check)
			}
		}
	}
	load, min := reading(100)
	if list, err := Explain(load, min, 2, 8); err != nil || len(list) != 0 {
		t.Errorf("100 ohm of two drivers marked 8 ohm explains nothing, got %v, %v", list, err)
	}
	if _, err := Explain(load, quantity.Value{}, 2, 8); err == nil || !strings.Contains(err.Error(), "above 0") {
		t.Errorf("no minimum: %v", err)
	}
}
