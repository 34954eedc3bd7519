package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"tapload/fit/identify"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot/report"
)

type importOptions struct {
	out    string
	format string
	label  string
	noise  partOfZ
	force  bool

	answer
}

func newImport(e env) *cobra.Command {
	var o importOptions
	c := &cobra.Command{
		Use:   "import CURVE.csv|CURVE.s1p -o RECORD.sweep.json",
		Short: "Make a record of a curve that was measured elsewhere",
		Long: `Make a record of a curve that was measured elsewhere, so that it can be fitted
and drawn.

CSV has a line of column names, in any order: frequency_hz with resistance_ohm
and reactance_ohm, or with modulus_ohm and phase_deg; "Phase (deg)" will do.
Commas, semicolons or tabs stand between the columns; numbers have a decimal
point. Lines that start with # are comments. The standard uncertainties (k = 1)
may have columns of their own: u_resistance_ohm and u_reactance_ohm, or
u_modulus_ohm and u_phase_deg.
Touchstone is read in its versions 1 and 2, one port, parameter Z.

Without such columns and without --u-percent the uncertainty is unknown.`,
		Example: `  tapload import lab.csv -o lab.sweep.json
  tapload import lab.s1p -o lab.sweep.json --label "lab, 2x12" --u-percent 0.5`,
		Args: someArgs(1, 1, "one CURVE.csv or CURVE.s1p"),
		RunE: func(c *cobra.Command, args []string) error {
			read, err := o.reader(args[0])
			if err != nil {
				return usage(c, err)
			}
			if !c.Flags().Changed("label") {
				o.label = record.LabelOf(o.out)
			}
			return importCurve(e, args[0], o, read)
		},
	}
	f := c.Flags()
	f.StringVarP(&o.out, "output", "o", "", "`file` to write, a .sweep.json")
	f.StringVar(&o.format, "format", "", "csv or touchstone, whatever the `name` of the file")
	f.StringVar(&o.label, "label", "", "`name` of the load (default: the name of the output file)")
	f.Var(&o.noise, "u-percent", "standard uncertainty of each point in percent of |Z| (k = 1), such as 0.5")
	f.BoolVar(&o.force, "force", false, "do not keep an earlier record beside the new one")
	o.registerWhole(f)
	return c
}

// partOfZ is a flag for an uncertainty in percent of |Z|: "0.5" and "0.5%".
type partOfZ float64

func (p *partOfZ) Set(s string) error {
	return setNumber((*float64)(p), s, quantity.Percentage, func(v float64) bool { return v > 0 && v < 100 }, "must be a number of percent above 0 and below 100, such as 0.5")
}
func (p *partOfZ) Type() string { return "percent" }
func (p *partOfZ) String() string {
	if *p == 0 {
		return ""
	}
	return quantity.Plain(float64(*p))
}

type curveReader func(io.Reader) (impedance.Curve, error)

// reader returns what reads the format that the flags and the file's name ask
// for.
func (o importOptions) reader(path string) (curveReader, error) {
	if o.out == "" {
		return nil, errors.New("name the record to write with -o RECORD.sweep.json")
	}
	csv, err := isCSV(o.format, path, strconv.Quote(path))
	if csv {
		return record.ReadCSV, err
	}
	return record.ReadTouchstone, err
}

func importCurve(e env, path string, o importOptions, decode curveReader) error {
	curve, err := read(path, fmt.Errorf("there is no file %s", path), decode)
	if err != nil {
		return err
	}
	note := "the curve was measured elsewhere, with the uncertainty its file states"
	stated := slices.ContainsFunc(curve.Points, func(p impedance.Point) bool { return p.Noise != impedance.Cov{} })
	switch {
	case o.noise > 0 && stated:
		return fmt.Errorf("%s has uncertainties of its own; leave out --u-percent, or take the columns out", path)
	case o.noise > 0:
		for i, p := range curve.Points {
			u := float64(o.noise) / 100 * cmplx.Abs(p.Z)
			// u is that of the modulus, and as large across it.
			curve.Points[i].Noise = impedance.Circular(2 * u * u)
		}
		note = fmt.Sprintf("the curve was measured elsewhere; the uncertainty of %s %% was given on import", quantity.Plain(math.Round(1e4*float64(o.noise))/1e4))
	case !stated:
		note = "the curve was measured elsewhere and its uncertainty is unknown; a fit can only estimate it from its own scatter"
	}
	rec := record.Record{
		Label:    o.label,
		Taken:    e.now().UTC(),
		Curve:    curve,
		Warnings: []impedance.Warning{{Code: "imported", Text: note + "; an error common to all points is not known"}},
	}
	if err := e.save(file{Path: o.out, Force: o.force, Write: rec.Write}); err != nil {
		return err
	}
	s := measure.Summarize(rec, o.out)
	if o.noise == 0 && !stated {
		s.Limit = "not known"
	}
	return o.show(e, s, report.Sweep(identify.Swept{Summary: s}, nil), rec.Warnings)
}
