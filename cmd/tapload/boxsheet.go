package main

import (
	"context"
	"fmt"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
	"tapload/fixtures/loads"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/plot"
	"tapload/plot/report"
)

type boxSheetOptions struct {
	cabinetFlags
	ampFlags

	only    ohms
	plug    amount // mm
	washer  amount // mm
	plastic bool
	awg     int
	paper   string
	out     string
	draw    string
	drawn   int // number of the box

	answer
}

func newBoxSheet(e env) *cobra.Command {
	o := boxSheetOptions{cabinetFlags: cabinetFlags{wantRe: true}, plug: amount{value: 1e3 * box.UsualPlug, unit: quantity.Millimetre}, washer: amount{unit: quantity.Millimetre}}
	c := &cobra.Command{
		Use:   "sheet FORMULA [NAME=]LOAD...",
		Short: "Say how to build the boxes of a hookup, and how to check them",
		Long: `Say how to build the jumper boxes of a hookup, and how to check them: drawings,
parts, wire lengths, holes, what a meter must read, what a wrong reading means,
what a pulled plug does, and labels.

In the formula + is in series and || in parallel: "(a + b) || (c + d)". The
amplifier's flags are optional; with them the sheet names the tap and what it
makes of a pulled plug.

` + cabinetsHelp,
		Example: `  tapload box sheet "a + b" a=left.sweep.json b=right.sweep.json --tap 4,8,16
  tapload box sheet "(a + b) || (c + d)" a=8 b=8 c=8 d=8 --tap 8 \
    --plug-mm 16 -o sheet.pdf --draw box2.png --box 2
  tapload box sheet "a + b" a=16 b=16 --plastic --paper letter -o sheet.html`,
		Args:    orJob(1, 2, 1+mostLoads, "a formula and its loads, such as \"a + b\" a=8 b=cab.sweep.json"),
		PreRunE: checked(o.check),
		RunE: func(c *cobra.Command, args []string) error {
			var a *amp.Amplifier
			var warnings []impedance.Warning
			if err := o.ampFlags.fromJob(e, c); err != nil {
				return err
			}
			if o.anyAmplifier(c.Flags()) {
				found, w, err := o.amplifierOn(o.only)
				if err != nil {
					return usage(c, err)
				}
				a, warnings = &found, w
			}
			t, err := hookup.Parse(args[0])
			if err != nil {
				return usage(c, err)
			}
			set, err := box.Build(t, !o.plastic)
			if err != nil {
				return usage(c, err)
			}
			if o.drawn < 1 || o.drawn > len(set.Boxes) {
				return usage(c, fmt.Errorf("--box %d: the boxes of this hookup are 1 to %d", o.drawn, len(set.Boxes)))
			}
			cabs, err := o.read(e, c, args[1:], &t)
			if err != nil {
				return err
			}
			cabs.Warnings = append(warnings, cabs.Warnings...)
			return o.run(c.Context(), e, a, set, cabs)
		},
	}
	f := c.Flags()
	f.Var(&o.plug, "plug-mm", "diameter of the plugs' bodies: measure yours")
	f.Var(&o.washer, "washer-mm", "diameter of the insulating washers' shoulder: measure yours")
	f.BoolVar(&o.plastic, "plastic", false, "the case does not conduct (default: a metal chassis)")
	f.IntVar(&o.awg, "awg", box.UsualAWG, "`gauge` of the wires inside")
	f.StringVarP(&o.out, "output", "o", "", "write the sheet into this .pdf or .html `file`")
	f.StringVar(&o.paper, "paper", report.A4.String(), "`size` to print on: a4 or letter")
	f.StringVar(&o.draw, "draw", "", "draw the wiring of one box into this .png, .svg or .pdf `file`")
	alsoPlot(f, "draw")
	f.IntVar(&o.drawn, "box", 1, "`number` of the box for --draw")
	o.ampFlags.register(f)
	f.Var(&o.only, "only-tap", "use this tap and no other")
	o.cabinetFlags.register(f)
	o.answer.register(f)
	return c
}

// anyAmplifier tells whether a flag about the amplifier was given.
func (o *boxSheetOptions) anyAmplifier(f *pflag.FlagSet) bool {
	var about ampFlags
	own := pflag.NewFlagSet("", pflag.ContinueOnError)
	about.register(own)
	given := f.Changed("only-tap") || len(o.taps) > 0 || o.min > 0 // which a job may have given
	own.VisitAll(func(flag *pflag.Flag) { given = given || f.Changed(flag.Name) })
	return given
}

func (o *boxSheetOptions) check() error {
	if _, err := report.ParsePaper(o.paper); err != nil {
		return fmt.Errorf("--paper: %w", err)
	}
	if err := (amp.Wire{AWG: o.awg}).Check(); err != nil {
		return fmt.Errorf("--awg: %w", err)
	}
	if o.plug.value < 5 || o.plug.value > 50 {
		return fmt.Errorf("--plug-mm %s: a plug's body is 5 to 50 mm thick; measure yours", quantity.Plain(o.plug.value))
	}
	if w := o.washer.value; w != 0 && (w <= box.BushHole*1e3 || w > box.MostShoulder*1e3) {
		return fmt.Errorf("--washer-mm %s: a washer's shoulder is more than the %s mm of the bush and %s mm at most; measure yours", quantity.Plain(w), quantity.Plain(box.BushHole*1e3), quantity.Plain(box.MostShoulder*1e3))
	}
	if format := documentFormat(o.out); o.out != "" && format != ".pdf" && format != ".html" {
		return fmt.Errorf("-o %s: a sheet is a .pdf or an .html file", o.out)
	}
	if err := o.drawing().check(); err != nil {
		return err
	}
	if o.draw != "" && o.draw == o.out {
		return fmt.Errorf("-o and --draw are both %s; name two files", o.out)
	}
	return nil
}

func (o *boxSheetOptions) drawing() pictures { return asked(picture{"--draw", o.draw}) }

func (o *boxSheetOptions) run(ctx context.Context, e env, a *amp.Amplifier, set box.Set, cabs loads.Set) error {
	p := box.Plan{Plug: o.plug.value / 1000, Shoulder: o.washer.value / 1000, AWG: o.awg}
	s, err := box.For(ctx, set, o.wire().To(cabs.Loads), p, a, float64(o.only), o.band())
	if err != nil {
		return err
	}
	s.Warnings = slices.Concat(cabs.Warnings, s.Warnings)
	d := report.BoxSheet(s)
	paper, err := report.ParsePaper(o.paper)
	if err != nil {
		return err
	}
	if o.draw != "" && s.InAmplifier && o.drawn == 1 {
		return fmt.Errorf("--box 1: the output jacks of the amplifier stand in for it; %d boxes are left", len(s.Built()))
	}
	files, err := o.drawing().files(func(string) (chart, error) {
		return plot.BoxDrawing{Box: s.Boxes[o.drawn-1], Invented: s.Invented}, nil
	})
	if err != nil {
		return err
	}
	if o.out != "" {
		if d.Imprint, err = e.imprint(); err != nil {
			return err
		}
		d.Imprint.Invented = s.Invented
		files = append(files, documentFile(ctx, d, o.out, paper))
	}
	if err := e.save(files...); err != nil {
		return err
	}
	return o.show(e, s, d, s.Warnings)
}
