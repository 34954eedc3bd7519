package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// writeRecords writes n records of invented cabinets with noise, 264 points
// each, and returns their paths.
func writeRecords(tb testing.TB, n int) []string {
	rng := rand.New(rand.NewPCG(4, 7))
	folder := tb.TempDir()
	paths := make([]string, n)
	for i := range paths {
		d := netlist.Driver{
			Re:         6.2 * (1 + 0.05*rng.NormFloat64()),
			Coil:       netlist.Coil{K: 0.0125, N: 0.7},
			Resonances: []netlist.Resonance{{Hz: 80 + 30*rng.Float64(), Qm: 4 + 3*rng.Float64(), Res: 40 + 20*rng.Float64()}},
		}
		if i%3 == 0 {
			d.Resonances = append(d.Resonances, netlist.Resonance{Hz: 35 + 10*rng.Float64(), Qm: 5, Res: 35})
		}
		rec := record.Record{Label: fmt.Sprintf("cabinet %d (invented)", i+1), Taken: time.Unix(0, 0).UTC(), SenseOhm: 10}
		shared := impedance.Source{ID: "sense-resistor:invented"}
		for k := range 264 {
			hz := 10 * math.Pow(2000, float64(k)/263)
			z := d.Impedance(hz)
			u := 2e-4 * cmplx.Abs(z)
			z += complex(u*rng.NormFloat64(), u*rng.NormFloat64())
			rec.Curve.Points = append(rec.Curve.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Circular(2 * u * u)})
			shared.DZ = append(shared.DZ, 0.001*z)
		}
		rec.Curve.Shared = []impedance.Source{shared}
		paths[i] = filepath.Join(folder, fmt.Sprintf("%04d%s", i+1, recordSuffix))
		f, err := os.Create(paths[i])
		if err != nil {
			tb.Fatal(err)
		}
		if err := errors.Join(rec.Write(f), f.Close()); err != nil {
			tb.Fatal(err)
		}
	}
	return paths
}

// Every line of the page fits an 80-column terminal.
func TestFitPageWidth(t *testing.T) {
	var out strings.Builder
	o := fitOptions{explain: true}
	if err := fitRecords(context.Background(), env{stdout: &out, stderr: io.Discard}, writeRecords(t, 6), o); err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(out.String(), "\n") {
		if n := utf8.RuneCountInString(line); n > pageColumns {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if n := strings.Count(out.String(), "(invented): "); n != 2*6 { // each of them is long, and ends as it begins
		t.Errorf("%d first and last lines, want those of 6 pages", n)
	}
}

// BenchmarkFolderOf1000 is "tapload fit *.sweep.json --json" of 1000 records.
func BenchmarkFolderOf1000(b *testing.B) {
	paths := writeRecords(b, 1000)
	for b.Loop() {
		if err := fitRecords(context.Background(), env{stdout: io.Discard, stderr: io.Discard}, paths, fitOptions{answer: answer{json: true}}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N)/float64(len(paths)), "ms/record")
}
