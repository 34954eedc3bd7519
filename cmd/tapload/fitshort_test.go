package main

import (
	"bytes"
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// A curve long enough to fit but too short for the Kramers-Kronig test must say
// that nothing has tested it.
func TestFitSaysWhatWasNotTested(t *testing.T) {
	driver := netlist.Driver{Re: 6.2, Coil: netlist.Inductor(0.5e-3), Resonances: []netlist.Resonance{{Hz: 90, Qm: 2, Res: 40}}}
	for _, tc := range []struct {
		points   int
		untested bool
	}{{20, true}, {60, false}} {
		var c impedance.Curve
		for i := range tc.points {
			hz := 20 * math.Pow(200, float64(i)/float64(tc.points-1))
			z := driver.Impedance(hz)
			u := 1e-4 * math.Hypot(real(z), imag(z))
			c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Cov{RR: u * u, II: u * u}})
		}
		path := recorded(t, "short", c)
		e, stdout, stderr := testEnv()
		if code := run(context.Background(), []string{"fit", path, "--json"}, e); code != exitDone {
			t.Fatalf("%d points: exit code %d: %s", tc.points, code, stderr)
		}
		if got := strings.Contains(stdout.String(), `"kk-untested"`); got != tc.untested {
			t.Errorf("%d points: warned that the curve is untested: %v, want %v", tc.points, got, tc.untested)
		}
		if got := strings.Contains(stdout.String(), `"kk_percent":null`); got != tc.untested {
			t.Errorf("%d points: %s", tc.points, stdout)
		}
	}
}

// recorded writes a curve as the record of that label, and returns its path.
func recorded(t *testing.T, label string, c impedance.Curve) string {
	t.Helper()
	var text bytes.Buffer
	if err := (record.Record{Label: label, Curve: c}).Write(&text); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), label+recordSuffix)
	writeText(t, path, text.String())
	return path
}
