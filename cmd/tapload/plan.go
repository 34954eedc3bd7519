package main

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"tapload/fixtures/amp"
	"tapload/fixtures/loads"
	"tapload/fixtures/plan"
	"tapload/measure/impedance"
	"tapload/plot/report"
)

type planOptions struct {
	cabinetFlags
	ampFlags

	answer
	boxes    int
	boxesSet bool
	only     ohms
	top      int
	out      string
}

func newPlan(e env) *cobra.Command {
	var o planOptions
	c := &cobra.Command{
		Use:   "plan [NAME=]LOAD... --tap 4,8,16",
		Short: "Find the hookup of some cabinets that suits an amplifier",
		Long: `Find the hookup of some cabinets that suits an amplifier: every way to join all
of them in series and parallel, each on its best tap, ranked by safety, whether
one pulled plug leaves a valve amplifier open, match, even sharing and boxes to
build. It also names those that people try first but should not, and why. Ends
with 3 when no hookup is safe.

` + cabinetsHelp,
		Example: `  tapload plan a=8 b=8 c=16 --tap 4,8,16
  tapload plan a=left.sweep.json b=right.sweep.json c=16 --tap 4,8,16 \
    --watts 50 --load-watts a=30,b=60,c=25 -o ratios.png
  tapload plan a=8 b=8 c=8 d=8 --tap 8,16 --max-boxes 1 --jacks 2
  tapload plan a=8 b=8 --amp-min-ohm 4 --json
  tapload plan --job lantern-hall`,
		Args: orJob(0, 1, mostLoads, "one or more loads, such as a=8 b=cab.sweep.json"),
		RunE: func(c *cobra.Command, args []string) error {
			o.boxesSet = c.Flags().Changed("max-boxes")
			if err := o.ampFlags.fromJob(e, c); err != nil {
				return err
			}
			a, warnings, err := o.check()
			if err != nil {
				return usage(c, err)
			}
			cabs, err := o.read(e, c, args, nil)
			if err != nil {
				return err
			}
			if o.out != "" && !cabs.Measured() {
				return usage(c, errors.New("there is no measured curve to draw; measure a cabinet, or leave -o out"))
			}
			cabs.Warnings = append(warnings, cabs.Warnings...)
			return o.run(c.Context(), e, a, cabs)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	o.ampFlags.register(f)
	f.Var(&o.only, "only-tap", "use this tap and no other")
	f.IntVar(&o.boxes, "max-boxes", 0, "most jumper boxes to build (default any `number`)")
	f.IntVar(&o.top, "top", 5, "how many hookups to show")
	o.cabinetFlags.register(f)
	f.StringVarP(&o.out, "output", "o", "", "draw |Z| over the tap of the first five into this .png, .svg or .pdf `file`")
	alsoPlot(f, "output")
	o.answer.register(f)
	return c
}

func (o planOptions) check() (amp.Amplifier, []impedance.Warning, error) {
	a, warnings, err := o.amplifierOn(o.only)
	switch {
	case err != nil:
	case o.boxesSet && o.boxes < 0:
		err = fmt.Errorf("--max-boxes %d: must be 0 or more", o.boxes)
	case o.top < 1:
		err = fmt.Errorf("--top %d: must be 1 or more", o.top)
	default:
		err = o.picture().check()
	}
	return a, warnings, err
}

func (o planOptions) picture() pictures { return asked(picture{"-o", o.out}) }

func (o planOptions) run(ctx context.Context, e env, a amp.Amplifier, cabs loads.Set) error {
	if err := o.picture().place(); err != nil {
		return err
	}
	bar := newPlanProgress(e)
	options := plan.Options{OnlyTapOhm: float64(o.only), Top: o.top, LowHz: float64(o.low), HighHz: float64(o.high), Progress: bar.report}
	if o.boxesSet {
		options.MaxBoxes = &o.boxes
	}
	r, err := plan.Find(ctx, a, o.wire().To(cabs.Loads), options)
	bar.end()
	if err != nil {
		return err
	}
	r.Warnings = slices.Concat(cabs.Warnings, r.Warnings)
	if err := o.picture().write(e, func(string) (chart, error) { return report.PlanChart(r), nil }); err != nil {
		return err
	}
	err = o.show(e, r, report.Plan(r), r.Warnings)
	if err == nil && r.Safe == 0 {
		return &verdictError{exitFail}
	}
	return err
}
