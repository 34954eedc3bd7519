package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/fixtures/plan"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/plot"
)

type planOptions struct {
	cabinetFlags
	ampFlags

	boxes    int
	boxesSet bool
	only     ohms
	top      int
	out      string
	json     bool
}

func newPlan(e env) *cobra.Command {
	var o planOptions
	c := &cobra.Command{
		Use:   "plan [NAME=]LOAD... --tap 4,8,16",
		Short: "Find the hookup of some cabinets that suits an amplifier",
		Long: `Find the hookup of some cabinets that suits an amplifier: every way to join all
of them in series and parallel, each on its best tap, ranked by safety, match,
even sharing, boxes to build and what a pulled plug does. It also names those
that people try first but should not. Ends with 3 when no hookup is safe.

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
			loads, err := o.cabinetFlags.fromJob(e, c, args, nil)
			if err != nil {
				return err
			}
			cabs, err := o.read(c.Context(), c, loads)
			if err != nil {
				return err
			}
			if o.out != "" && !anyCurve(cabs.loads) {
				return usage(c, errors.New("there is no measured curve to draw; measure a cabinet, or leave -o out"))
			}
			cabs.warnings = append(warnings, cabs.warnings...)
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
	f.BoolVar(&o.json, "json", false, "print the result as JSON")
	return c
}

func (o planOptions) check() (amp.Amplifier, []impedance.Warning, error) {
	a, warnings, err := o.amplifier()
	if err == nil {
		err = onlyTap(a, float64(o.only))
	}
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

// planned is a finished search.
type planned struct {
	plan.Result
	amp      amp.Amplifier
	loads    []hookup.Load
	hookups  []assessed // of Result.Hookups
	dead     suspects
	warnings []impedance.Warning
}

func (o planOptions) run(ctx context.Context, e env, a amp.Amplifier, cabs cabinets) error {
	if err := o.picture().place(); err != nil {
		return err
	}
	loads := o.wired(cabs.loads)
	bar := newPlanProgress(e)
	options := plan.Options{OnlyTapOhm: float64(o.only), Top: o.top, LowHz: float64(o.low), HighHz: float64(o.high), Progress: bar.report}
	if o.boxesSet {
		options.MaxBoxes = &o.boxes
	}
	found, err := plan.Find(ctx, a, loads, options)
	bar.end()
	if err != nil {
		return err
	}
	p := planned{Result: found, amp: a, loads: loads, dead: cabs.dead, warnings: cabs.warnings}
	for _, h := range found.Hookups {
		p.hookups = append(p.hookups, assessed{h.Assessment, o.outputOn(a, h.TapOhm), cabs.dead, h.Assessment.Warnings})
	}
	if len(p.hookups) > 0 { // every hookup is of the same loads
		for _, w := range p.hookups[0].warnings {
			if w.Code == amp.WarnRatedOnly {
				p.warnings = append(p.warnings, w)
			}
		}
	}
	if err := o.picture().write(func(string) (chart, error) { return p.matchChart(), nil }); err != nil {
		return err
	}
	err = show(e, o.json, p, p.warnings)
	if err == nil && p.safe() == 0 {
		return &verdictError{exitFail}
	}
	return err
}

// safe is how many of the hookups may be called so.
func (p planned) safe() int {
	if len(p.dead) > 0 {
		return 0
	}
	return p.Safe
}

// matchChart draws the best hookups on their taps.
func (p planned) matchChart() plot.MatchChart {
	const most = 5
	c := plot.MatchChart{Title: "Hookups, best first", Least: p.amp.Kind == amp.SolidState}
	for i, s := range p.hookups {
		if len(c.Hookups) == most || p.Hookups[i].Avoid && p.Safe > 0 {
			break
		}
		c.Hookups = append(c.Hookups, plot.OnTap{Label: s.Tree.String() + ", " + s.tapName(), Curve: s.Combined.Curve, TapOhm: s.TapOhm})
	}
	if len(c.Hookups) > 0 {
		c.LowHz, c.HighHz = chartBand(c.Hookups[0].Curve)
	}
	return c
}

type planObject struct {
	Considered int                `json:"considered"`
	Hookups    []plannedEntry     `json:"hookups"`
	Warnings   impedance.Warnings `json:"warnings"`

	TooManyBoxes int `json:"too_many_boxes"` // of those considered, left out by --max-boxes
	Safe         int `json:"safe"`           // of the rest; none where a driver may be dead

	Advice []string `json:"advice"` // when none is safe: what single change would help

	Dead []deadDriverObject `json:"dead_drivers"` // loads that most likely have one
}

type plannedEntry struct {
	hookupObject
	Why   string `json:"why"`
	Avoid bool   `json:"avoid"`
}

func (p planned) object() planObject {
	o := planObject{
		Considered: p.Considered, Hookups: []plannedEntry{}, Warnings: impedance.Warnings(p.warnings),
		TooManyBoxes: p.TooManyBoxes, Safe: p.safe(), Dead: p.dead.objects(), Advice: append([]string{}, p.Advice...),
	}
	for i, s := range p.hookups {
		o.Hookups = append(o.Hookups, plannedEntry{s.object(), p.Hookups[i].Why, p.Hookups[i].Avoid})
	}
	return o
}

// tapName names the tap for tables.
func (s assessed) tapName() string {
	if s.amp.Kind == amp.SolidState {
		return quantity.Ohms(s.TapOhm) + " ohm or more"
	}
	return quantity.Ohms(s.TapOhm) + " ohm tap"
}

// print writes the ranking for people.
func (p planned) print(w io.Writer) error {
	pg := page{w: w}
	head := fmt.Sprintf("%d hookups of %d loads", p.Considered, len(p.loads))
	if p.Considered == 1 {
		head = fmt.Sprintf("one hookup of %d loads", len(p.loads))
	}
	if p.TooManyBoxes > 0 {
		head += fmt.Sprintf(", %d of them with too many boxes", p.TooManyBoxes)
	}
	if dead := p.dead.words(); dead != "" {
		pg.words(dead + "; " + head)
	} else if p.Safe > 0 {
		pg.words(fmt.Sprintf("%s; %d safe", head, p.Safe))
	} else {
		pg.words(head + ": NO HOOKUP OF THESE IS SAFE ON THIS AMPLIFIER")
	}
	with := "with " + loadList(p.loads)
	if anyCurve(p.loads) {
		with += "   (± is k = 2)"
	}
	pg.words(with)
	for _, a := range p.Advice[min(1, len(p.Advice)):] { // the first says that none is safe
		pg.under(2, "-", a)
	}
	avoiding := false
	for i, s := range p.hookups {
		c := p.Hookups[i]
		pg.line("")
		if c.Avoid && !avoiding {
			avoiding = true
			pg.line("do not use:")
		}
		title := s.Tree.String()
		if !c.Avoid {
			title = fmt.Sprintf("%d. %s", i+1, title)
		}
		pg.words(title)
		numbers := fmt.Sprintf("rated %s ohm", quantity.Ohms(s.RatedOhm))
		if s.Measured {
			numbers += fmt.Sprintf(", lowest |Z| %s", quantity.Of(s.Lowest.Value, s.Lowest.U).In("ohm"))
		}
		pg.under(5, "", fmt.Sprintf("%s: %s; %s", s.tapName(), s.verdict(s.Grade, s.Safe), numbers))
		pg.under(5, "", c.Why)
	}
	pg.line("")
	for _, c := range p.amp.Cautions() {
		pg.under(2, "-", c)
	}
	return pg.err
}
