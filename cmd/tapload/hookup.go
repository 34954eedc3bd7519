package main

import (
	"errors"
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/measure/impedance"
	"tapload/plot"
)

type hookupOptions struct {
	cabinetFlags
	ampFlags

	only       ohms
	out, share string
	json       bool
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
			loads, err := o.cabinetFlags.fromJob(e, c, args[1:], &t)
			if err != nil {
				return err
			}
			cabs, err := o.read(c.Context(), c, loads)
			if err != nil {
				return err
			}
			if err := goTogether(t, cabs.loads); err != nil {
				return usage(c, err)
			}
			if len(o.pictures()) > 0 && !anyCurve(cabs.loads) {
				return usage(c, errors.New("there is no measured curve to draw; measure a cabinet, or leave -o and --share-plot out"))
			}
			cabs.warnings = append(warnings, cabs.warnings...)
			return o.run(e, a, t, cabs)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	o.ampFlags.register(f)
	f.Var(&o.only, "only-tap", "use this tap and no other")
	o.cabinetFlags.register(f)
	f.StringVarP(&o.out, "output", "o", "", "draw the combined load into this .png, .svg or .pdf `file`")
	f.StringVar(&o.share, "share-plot", "", "draw each load's share of the power into this `file`")
	f.BoolVar(&o.json, "json", false, "print the result as JSON")
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
	a, warnings, err := o.amplifier()
	if err == nil {
		err = onlyTap(a, float64(o.only))
	}
	return a, warnings, err
}

// goTogether returns an error that names a load of the formula that is not
// given, or one that is given and not used.
func goTogether(t hookup.Tree, loads []hookup.Load) error {
	leaves := t.Leaves()
	for _, name := range leaves {
		if !slices.ContainsFunc(loads, func(l hookup.Load) bool { return l.Name == name }) {
			return fmt.Errorf("load %s of the formula is not given; add %s=RECORD%s or its rating, such as %s=8", name, name, recordSuffix, name)
		}
	}
	for _, l := range loads {
		if !slices.Contains(leaves, l.Name) {
			return fmt.Errorf("load %s is given, but is not in the formula %s", l.Name, t)
		}
	}
	return nil
}

func anyCurve(loads []hookup.Load) bool {
	return slices.ContainsFunc(loads, func(l hookup.Load) bool { return l.Curve != nil })
}

// assessed is a hookup on its tap and what else its page says.
type assessed struct {
	amp.Assessment
	amp      amp.Amplifier
	dead     suspects // of its loads
	warnings []impedance.Warning
}

// assess puts t on a tap: the given one, or with 0 the nearest that it is safe
// on, and where it is safe on none the nearest, as plan does.
func (o ampFlags) assess(a amp.Amplifier, t hookup.Tree, loads []hookup.Load, tapOhm float64) (assessed, error) {
	band := amp.Options{LowHz: float64(o.low), HighHz: float64(o.high)}
	if tapOhm == 0 {
		// What a hookup is graded as does not depend on the tap.
		s, err := amp.Assess(a, t, loads, a.Levels()[0], band)
		if err != nil {
			return assessed{}, err
		}
		safe := a
		safe.TapOhm = slices.DeleteFunc(slices.Clone(a.TapOhm), func(tap float64) bool { return !a.Safe(s.EffectiveOhm, tap) })
		if tapOhm = safe.BestTap(s.EffectiveOhm); tapOhm == 0 {
			tapOhm = a.BestTap(s.EffectiveOhm)
		}
	}
	a = o.outputOn(a, tapOhm)
	s, err := amp.Assess(a, t, loads, tapOhm, band)
	return assessed{Assessment: s, amp: a, warnings: s.Warnings}, err
}

func (o hookupOptions) run(e env, a amp.Amplifier, t hookup.Tree, cabs cabinets) error {
	if err := o.pictures().place(); err != nil {
		return err
	}
	s, err := o.assess(a, t, o.wired(cabs.loads), float64(o.only))
	if err != nil {
		return err
	}
	s.warnings, s.dead = slices.Concat(cabs.warnings, s.warnings), cabs.dead
	err = o.pictures().write(func(flag string) (chart, error) {
		if flag == "--share-plot" {
			return s.shareChart(), nil
		}
		return s.loadChart(), nil
	})
	if err != nil {
		return err
	}
	return show(e, o.json, s, s.warnings)
}

// loadChart draws the combined load against the taps, its cabinets behind it.
func (s assessed) loadChart() plot.ImpedanceChart {
	c := plot.ImpedanceChart{Title: s.Tree.String(), TapOhm: s.amp.TapOhm, LeastOhm: s.amp.MinOhm, NoteLowHz: s.LowHz, NoteHighHz: s.HighHz}
	whole := s.Combined.Curve
	c.Traces = []plot.Trace{{Label: "the whole", Curve: whole}}
	for _, l := range s.Combined.Loads {
		own := plot.Trace{Label: l.Name}
		if l.Curve != nil {
			own.Curve = *l.Curve
		} else {
			own.Label += " (rated only)"
			for _, p := range whole.Points {
				own.Curve.Points = append(own.Curve.Points, impedance.Point{Hz: p.Hz, Z: complex(l.RatedOhm, 0)})
			}
		}
		if len(s.Combined.Loads) > 1 {
			c.Behind = append(c.Behind, own)
		}
	}
	c.LowHz, c.HighHz = chartBand(whole)
	return c
}

func (s assessed) shareChart() plot.ShareChart {
	c := plot.ShareChart{Title: "Power in " + s.Tree.String(), Hz: s.Combined.Curve.Hz()}
	for k, p := range s.Parts {
		label := p.Load.Name
		if p.Load.Curve == nil {
			label += " (rated only)"
		}
		c.Shares = append(c.Shares, plot.Share{Label: label, Part: s.Combined.Share[k], U: s.Combined.U[k], Rated: p.RatedShare})
	}
	c.LowHz, c.HighHz = chartBand(s.Combined.Curve)
	return c
}

// chartBand is the usual band of a chart, cut to what the curve has by so much
// as to be seen.
func chartBand(c impedance.Curve) (low, high float64) {
	const ordinaryLow, ordinaryHigh = 20, 20e3
	first, last := c.Points[0].Hz, c.Points[len(c.Points)-1].Hz
	low, high = ordinaryLow, ordinaryHigh
	if first > 1.5*low {
		low = first
	}
	if last < high/1.5 {
		high = last
	}
	if high < 1.01*low {
		return ordinaryLow, ordinaryHigh
	}
	return low, high
}
