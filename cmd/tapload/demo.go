package main

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/plot"
)

// An invented bench, so that the demonstration needs no hardware.
//
//go:embed demo/unmarked-cabinet.toml
var demoBench []byte

func newDemo(e env) *cobra.Command {
	folder := "demo"
	c := &cobra.Command{
		Use:   "demo",
		Short: "Measure an invented cabinet on the virtual bench",
		Long: `Measure an invented cabinet on the virtual bench, without any hardware, and
leave the bench's description, the record and a picture in a folder. Files that
an earlier demo left there are replaced.`,
		Example: `  tapload demo
  tapload demo -o hall`,
		Args: noArgs,
		RunE: func(c *cobra.Command, _ []string) error { return demo(c.Context(), e, folder) },
	}
	c.Flags().StringVarP(&folder, "output", "o", folder, "`folder` for the files")
	return c
}

func demo(ctx context.Context, e env, folder string) error {
	const label = "unmarked cabinet (invented)"
	b, err := bench.Read(bytes.NewReader(demoBench), "the built-in bench")
	if err != nil {
		return err
	}
	j, err := jig.Uncalibrated(jig.Options{Name: uncalibrated, SenseOhm: 10, Tolerance: 0.01, Mismatch: 0.01})
	if err != nil {
		return err
	}
	sig, err := defaultSignal().make()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return fmt.Errorf("cannot make the folder %s: %w", folder, plainPath(err))
	}
	fmt.Fprint(e.stdout, `A cabinet with no label came in: no rating, no maker. (Cabinet, bench and
numbers are invented; no hardware is used.) It is wired to the jig and measured:
12 s of chirp from 10 Hz to 20 kHz through a 10 ohm resistor.

`)
	record, err := measure.Run(ctx, measure.Setup{Card: b, Signal: sig, Jig: j, Label: label, Now: e.now().UTC()})
	if err != nil {
		return err
	}
	in := func(name string) string { return filepath.Join(folder, name) }
	bench, result, picture := in("unmarked-cabinet.toml"), in("unmarked-cabinet"+recordSuffix), in("unmarked-cabinet.png")
	draw, err := chartWriter(plot.ImpedanceChart{
		Title:  label,
		Traces: []plot.Trace{{Label: label, Curve: record.Curve}},
		TapOhm: []float64{4, 8, 16},
	}, picture)
	if err != nil {
		return err
	}
	err = writeFiles(
		file{bench, true, func(w io.Writer) error { _, err := w.Write(demoBench); return err }},
		file{result, true, record.Write},
		file{picture, true, draw},
	)
	if err != nil {
		return err
	}
	for _, w := range record.Warnings {
		e.warn(w.Text)
	}
	summarize(record, result).print(e.stdout)
	_, err = fmt.Fprintf(e.stdout, `
Open these:
  %s
      the curve, with the taps it might suit
  %s
      its numbers, which every other command takes
  %s
      the invented bench, to change and measure again with
      tapload sweep --bench %s -o mine.sweep.json
`, picture, result, bench, bench)
	return err
}
