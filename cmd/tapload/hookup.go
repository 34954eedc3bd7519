package main

import (
	"context"
	"errors"
	"slices"

	"github.com/spf13/cobra"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/fixtures/loads"
	"tapload/measure/impedance"
	"tapload/plot/report"
)

type hookupOptions struct {
	cabinetFlags
	ampFlags

	answer
	only       ohms
	out, share string
}

func newHookup(e env) *cobra.Command {
	var o hookupOptions
	c := &cobra.Command{
		Use:   "hookup FORMULA [NAME=]LOAD... --tap 4,8,16",
		Short: "Say how a hookup of cabinets suits an amplifier",
		Long: `Say how a hookup of cabinets suits an amplifier: combined load, taps, who gets
how much of the power, and what a pulled plug or a short does.

In the formula + is in series and || in parallel; || binds tighter, brackets go
first: "(a + b) || (c + d)". A name with blanks stands in double quotes.

` + cabinetsHelp,
		Example: `  tapload hookup "a || b" a=8 b=16 --tap 4,8,16
  tapload hookup "a + b" a=left.sweep.json b=right.sweep.json --tap 4,8,16 \
    --watts 50 --load-watts a=30,b=60 -o load.png --share-plot share.png
  tapload hookup "(a + b) || c" a=cab.sweep.json b=cab.sweep.json c=16 \
    --tap 8 --cable-awg 18 --cable-m 6
  tapload hookup "a || b" a=8 b=8 --amp-min-ohm 4
  tapload hookup "cab || small" --job lantern-hall`,
		Args: orJob(1, 2, 1+mostLoads, "a formula and its loads, such as \"a || b\" a=8 b=cab.sweep.json"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := o.ampFlags.fromJob(e, c); err != nil {
				return err
			}
			a, warnings, err := o.check()
			if err != nil {
				return usage(c, err)
			}
			t, err := hookup.Parse(args[0])
			if err != nil {
				return usage(c, err)
			}
			cabs, err := o.read(e, c, args[1:], &t)
			if err != nil {
				return err
			}
			if len(o.pictures()) > 0 && !cabs.Measured() {
				return usage(c, errors.New("there is no measured curve to draw; measure a cabinet, or leave -o and --share-plot out"))
			}
			cabs.Warnings = append(warnings, cabs.Warnings...)
			return o.run(c.Context(), e, a, t, cabs)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	o.ampFlags.register(f)
	f.Var(&o.only, "only-tap", "use this tap and no other")
	o.cabinetFlags.register(f)
	f.StringVarP(&o.out, "output", "o", "", "draw the combined load into this .png, .svg or .pdf `file`")
	alsoPlot(f, "output")
	f.StringVar(&o.share, "share-plot", "", "draw each load's share of the power into this `file`")
	o.answer.register(f)
	return c
}

// mostLoads is how many loads a command line may name.
const mostLoads = 64

func (o hookupOptions) pictures() pictures {
	return asked(picture{"-o", o.out}, picture{"--share-plot", o.share})
}

func (o hookupOptions) check() (amp.Amplifier, []impedance.Warning, error) {
	if err := o.pictures().check(); err != nil {
		return amp.Amplifier{}, nil, err
	}
	return o.amplifierOn(o.only)
}

func (o hookupOptions) run(ctx context.Context, e env, a amp.Amplifier, t hookup.Tree, cabs loads.Set) error {
	if err := o.pictures().place(); err != nil {
		return err
	}
	s, err := amp.Assess(ctx, a, t, o.wire().To(cabs.Loads), float64(o.only), o.band())
	if err != nil {
		return err
	}
	s.Warnings = slices.Concat(cabs.Warnings, s.Warnings)
	err = o.pictures().write(e, func(flag string) (chart, error) {
		if flag == "--share-plot" {
			return report.ShareChart(s), nil
		}
		return report.HookupChart(s), nil
	})
	if err != nil {
		return err
	}
	return o.show(e, s, report.Hookup(s), s.Warnings)
}
