//go:build linux

package main

import (
	"context"
	_ "embed"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"tapload/fit"
	"tapload/fixtures/bench"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/processor"
	"tapload/measure/ratio"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

// beside measures parts of the program, those that numpy and scipy have too beside
// theirs.
func beside(w io.Writer, runs int) error {
	ctx := context.Background()
	chirp, err := signal.NewChirp(signal.ChirpOptions{})
	if err != nil {
		return err
	}
	tone, err := measure.LiveSignal(ctx, signal.MultitoneOptions{})
	if err != nil {
		return err
	}
	swept, err := heard(ctx, chirp)
	if err != nil {
		return err
	}
	live, err := heard(ctx, tone)
	if err != nil {
		return err
	}
	window, err := ratio.NewWindow(tone, 2)
	if err != nil {
		return err
	}
	curve := recorded("", 0, cabinets()[0].Impedance).Curve
	told := fit.Options{Models: []fit.Model{{Coil: fit.Power, Resonances: 1}}}
	one, err := fit.Curve(ctx, curve, told)
	if err != nil {
		return err
	}
	n := chirp.Frame().Period * chirp.Frame().Periods
	python, err := besidePython(n, runs, curve, one)
	if err != nil {
		return err
	}

	fmt.Fprintf(w, "\n%-58s %9s %13s %13s\n", "", "least, ms", "numpy", "scipy")
	measured := func(name string, do func() error) (least float64, err error) {
		if least, _, err = repeated(runs, func() (float64, error) { return processorSeconds(do) }); err != nil {
			return 0, fmt.Errorf("%s: %w", name, err)
		}
		row := fmt.Sprintf("%-58s %9.2f %13s %13s", name, 1e3*least, python.ms("numpy", name), python.ms("scipy", name))
		fmt.Fprintln(w, strings.TrimRight(row, " "))
		return least, nil
	}
	transforms, err := measured(twoTransforms, func() error { return transformed(ctx, n, swept) })
	if err != nil {
		return err
	}
	analysis, err := measured("analysis of a default sweep", func() error {
		_, err := ratio.Of(ctx, swept, chirp)
		return err
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "%-58s %9.2f\n", "  a second of recording", 1e3*analysis*float64(chirp.Rate())/float64(len(swept.V1)))
	fmt.Fprintf(w, "%-58s %9.1f %13s %13s\n", "  over two transforms", analysis/transforms, python.times(analysis, "numpy"), python.times(analysis, "scipy"))
	from := (len(live.V1) - window.Len()) / 2
	for _, row := range []struct {
		name string
		do   func() error
	}{
		{"live window, of which ten a second", func() error {
			_, err := window.Ratio(ctx, live.V1[from:from+window.Len()], live.V2[from:from+window.Len()])
			return err
		}},
		{oneModel, func() error {
			_, err := fit.Curve(ctx, curve, told)
			return err
		}},
		{"fit of the same points, its model chosen among all", func() error {
			_, err := fit.Curve(ctx, curve, fit.Options{})
			return err
		}},
		{"Kramers-Kronig test of the same points", func() error {
			_, err := fit.KK(ctx, curve, one)
			return err
		}},
	} {
		if _, err := measured(row.name, row.do); err != nil {
			return err
		}
	}
	return nil
}

// Rows that are measured in Python too.
const (
	twoTransforms = "two transforms of a default sweep"
	oneModel      = "fit of 500 points by one model"
)

// heard is what the virtual bench records of a signal.
func heard(ctx context.Context, sig signal.Signal) (card.Recording, error) {
	b, err := bench.Load(filepath.Join("testdata", "bench", "unmarked-cabinet.toml"))
	if err != nil {
		return card.Recording{}, err
	}
	return b.Play(ctx, card.Output{RateHz: sig.Rate(), Channels: [][]float64{sig.Samples()}})
}

// transformed takes the transforms of both voltages, n samples each.
func transformed(ctx context.Context, n int, rec card.Recording) error {
	fft, room, lines := transform.New(n), make([]float64, n), make([]complex128, n/2+1)
	for _, v := range [][]float64{rec.V1, rec.V2} {
		copy(fft.Values(lines), v)
		if err := fft.Forward(ctx, lines, room); err != nil {
			return err
		}
	}
	return nil
}

// processorSeconds is what one call of do takes on average, of as many as take a
// third of a second.
func processorSeconds(do func() error) (float64, error) {
	begun, took := processor.Time().Seconds(), 0.
	calls := 0
	for took < 0.3 {
		if err := do(); err != nil {
			return 0, err
		}
		calls++
		took = processor.Time().Seconds() - begun
	}
	return took / float64(calls), nil
}

//go:embed beside.py
var script string

// figures are seconds by library and row; nil where there is no Python.
type figures map[string]float64

// besidePython measures transforms of n samples, and the fit of c by the model of want,
// from a start that is off by a tenth.
func besidePython(n, runs int, c impedance.Curve, want fit.Result) (figures, error) {
	// Debian's packages belong to Debian's python, whatever comes first in PATH.
	python := "/usr/bin/python3"
	if _, err := os.Stat(python); err != nil {
		if python, err = exec.LookPath("python3"); err != nil {
			return nil, nil
		}
	}
	args := []string{"-c", script, fmt.Sprint(n), fmt.Sprint(runs)}
	r := want.Resonances[0]
	for _, v := range []float64{want.Re.Value, want.Coil.K.Value, want.Coil.N.Value, r.Hz.Value, r.Qms.Value, r.Res.Value} {
		args = append(args, fmt.Sprint(1.1*v))
	}
	var lines strings.Builder
	for _, p := range c.Points {
		fmt.Fprintln(&lines, p.Hz, real(p.Z), imag(p.Z))
	}
	child := exec.Command(python, args...)
	child.Stdin, child.Stderr = strings.NewReader(lines.String()), os.Stderr
	out, err := child.Output()
	if err != nil {
		return nil, fmt.Errorf("%s beside.py: %w", python, err)
	}
	all := figures{}
	for line := range strings.Lines(string(out)) {
		var library, what string
		var seconds, re float64
		if _, err := fmt.Sscan(line, &library, &what, &seconds, &re); err != nil {
			return nil, fmt.Errorf("beside.py wrote %q: %w", line, err)
		}
		switch what {
		case "transforms":
			what = twoTransforms
		case "fit":
			what = oneModel
			if math.Abs(re/want.Re.Value-1) > 1e-4 {
				return nil, fmt.Errorf("%s fits Re as %g ohm and tapload as %g: they do not do the same", library, re, want.Re.Value)
			}
		}
		all[library+what] = seconds
	}
	return all, nil
}

// ms is what a library takes for a row, "" where it has no such thing.
func (f figures) ms(library, row string) string {
	switch seconds, ok := f[library+row]; {
	case ok:
		return fmt.Sprintf("%.2f", 1e3*seconds)
	case row == twoTransforms || row == oneModel && library == "scipy":
		return "not installed"
	}
	return ""
}

// times is how many times its two transforms a number of seconds is.
func (f figures) times(seconds float64, library string) string {
	if s, ok := f[library+twoTransforms]; ok {
		return fmt.Sprintf("%.1f", seconds/s)
	}
	return ""
}
