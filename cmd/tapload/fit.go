package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"tapload/fit/identify"
	"tapload/fit/rating"
	"tapload/measure/cores"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/plot/report"
)

type fitOptions struct {
	re, dc    ohms
	low, high hertz

	drivers int
	marked  ohms

	addedFlags
	with string

	answer
	explain bool
	plot    string
}

func newFit(e env) *cobra.Command {
	var o fitOptions
	c := &cobra.Command{
		Use:   "fit RECORD.sweep.json...",
		Short: "Say what a load is: rating, resonances, Re",
		Long: `Say what a measured load is: what it may be rated at, its resonances, its DC
resistance (Re) and its voice coil, each with its uncertainty (k = 2).

A load may be rated at 4, 8 or 16 ohm where its lowest |Z| in the rated
frequency range is not below 80 % of that (IEC 60268-5), and at 2, 2.67, 5.33
or 32 ohm as combinations of such loads are. The range starts at the lowest
resonance, since every driver falls to Re below it, and ends at 10 kHz.

With the sweep of the driver with a known mass on its cone, or on a closed box
of a known volume, its mechanical constants come too.`,
		Example: `  tapload fit cab.sweep.json
  tapload fit cab.sweep.json --dc-ohm 6.1 --plot fit.png
  tapload fit cab.sweep.json --drivers 4 --marked-ohm 8
  tapload fit d.sweep.json --added-mass-g 10 --with mass.sweep.json \
    --diameter-mm 200
  tapload fit d.sweep.json --box-l 28.3 --with box.sweep.json \
    --diameter-mm 200
  tapload fit *.sweep.json --json`,
		Args: someArgs(1, 1e6, "one or more RECORD.sweep.json"),
		RunE: func(c *cobra.Command, args []string) error {
			args = filesOf(args)
			if err := o.check(len(args)); err != nil {
				return usage(c, err)
			}
			args, err := labelled(e, c, args, true)
			if err != nil {
				return err
			}
			return fitRecords(c.Context(), e, args, o)
		},
	}
	f := c.Flags()
	f.Var(&o.re, "re-ohm", "take Re as this reading of a DC meter instead of fitting it")
	f.Var(&o.dc, "dc-ohm", "hold Re against this reading of a DC meter")
	f.Var(&o.low, "low", "lower end of the rated frequency range (default: the lowest resonance)")
	f.Var(&o.high, "high", "upper end of the rated frequency range (default 10000)")
	f.IntVar(&o.drivers, "drivers", 0, "`number` of drivers in the cabinet, to find a dead one")
	f.Var(&o.marked, "marked-ohm", "rating marked on the cabinet, to find a dead driver")
	o.addedFlags.register(f, "--with")
	f.StringVar(&o.with, "with", "", "`record` of the driver with the mass or on the box")
	f.StringVar(&o.plot, "plot", "", "draw curve, fit and what it leaves into this .png, .svg or .pdf `file`")
	f.BoolVar(&o.explain, "explain", false, "also show which models were tried and which cabinets might read so")
	o.answer.register(f)
	return c
}

func (o fitOptions) check(records int) error {
	if records > 1 && o.plot != "" {
		return errors.New("--plot draws one record; name one, or draw several with \"tapload plot\"")
	}
	if err := o.picture().check(); err != nil {
		return err
	}
	if o.re > 0 && o.dc > 0 {
		return errors.New("--re-ohm and --dc-ohm are one reading put to two uses; give one of them")
	}
	if o.drivers < 0 || o.drivers > rating.MostDrivers {
		return fmt.Errorf("--drivers %d: must be from 1 to %d, those on one jack", o.drivers, rating.MostDrivers)
	}
	if o.low > 0 && o.high > 0 && o.high <= o.low {
		return fmt.Errorf("--high %s must be above --low %s", quantity.Hz(float64(o.high)), quantity.Hz(float64(o.low)))
	}
	if o.any() && records > 1 {
		return errors.New("--added-mass-g and --box-l are about one driver; name one record")
	}
	return o.addedFlags.check("--with", o.with != "")
}

func (o fitOptions) picture() pictures { return asked(picture{"--plot", o.plot}) }

// fitRecords fits every record and prints the results in their order.
func fitRecords(ctx context.Context, e env, args []string, o fitOptions) error {
	if err := o.picture().place(); err != nil {
		return err
	}
	failed, printed := 0, 0
	err := cores.InOrder(ctx, len(args), func(i int) (identify.Result, error) { return o.identify(ctx, args[i]) }, func(_ int, r identify.Result, err error) error {
		if err != nil {
			if len(args) == 1 {
				return err
			}
			failed++
			e.fail(err)
			return nil
		}
		if err := o.picture().write(e, func(string) (chart, error) { return report.FitChart(r), nil }); err != nil {
			return err
		}
		if printed++; printed > 1 && !o.json {
			fmt.Fprintln(e.stdout)
		}
		warnings := r.Warnings
		if len(args) > 1 {
			var about impedance.Named
			about.Add(r.Name, warnings)
			warnings = about.List()
		}
		return o.show(e, r, report.Fit(r), warnings)
	})
	if err == nil && failed > 0 {
		return fmt.Errorf("%d of %d records gave no fit", failed, len(args))
	}
	return err
}

// identify says what the load of one argument is.
func (o fitOptions) identify(ctx context.Context, arg string) (identify.Result, error) {
	l, err := readLoad(arg)
	if err != nil {
		return identify.Result{}, err
	}
	own := identify.Options{ReOhm: float64(o.re), LowHz: float64(o.low), HighHz: float64(o.high)}
	own.Known = identify.Known{MarkedOhm: float64(o.marked), DCOhm: float64(o.dc), Drivers: o.drivers}
	if o.with != "" {
		rec, err := measured(o.with, "a driver's constants")
		if err != nil {
			return identify.Result{}, fmt.Errorf("--with: %w", err)
		}
		own.Second = &identify.Second{Name: o.with, Record: rec, Added: o.added()}
	}
	r, err := identify.Record(ctx, l.record, own)
	if err != nil {
		return identify.Result{}, fmt.Errorf("%s: %w", arg, err)
	}
	r.Name, r.Explain = l.name, o.explain
	return r, nil
}
