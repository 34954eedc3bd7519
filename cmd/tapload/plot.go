package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"tapload/measure/quantity"
	"tapload/plot"
	"tapload/plot/report"
)

type plotOptions struct {
	out       string
	title     string
	taps      taps
	low, high hertz
}

func newPlot(e env) *cobra.Command {
	var o plotOptions
	c := &cobra.Command{
		Use:   "plot [NAME=]RECORD.sweep.json... [-o FILE.png]",
		Short: "Draw measured curves",
		Long: `Draw measured curves: modulus and phase over frequency, with the uncertainty
(k = 2) as a shade. A curve is named by its record's label, or by NAME= before
the file. The output's name, .png, .svg or .pdf, chooses the format; without -o
the modulus is drawn as text, for a quick look.`,
		Example: `  tapload plot cab.sweep.json
  tapload plot cab.sweep.json -o cab.png
  tapload plot before=old.sweep.json after=new.sweep.json -o recone.svg
  tapload plot cab.sweep.json --tap 4,8,16 --low 20 --high 5k -o cab.pdf`,
		Args:    someArgs(1, 100, "one or more RECORD.sweep.json"),
		PreRunE: checked(o.check),
		RunE: func(c *cobra.Command, args []string) error {
			args, err := labelled(e, c, filesOf(args), true)
			if err != nil {
				return err
			}
			return draw(c.Context(), e, args, o)
		},
	}
	f := c.Flags()
	f.StringVarP(&o.out, "output", "o", "", "`file` to write: .png, .svg or .pdf")
	alsoPlot(f, "output")
	f.StringVar(&o.title, "title", "", "`text` above the chart")
	f.Var(&o.taps, "tap", "amplifier taps to mark, such as 4,8,16")
	f.Var(&o.low, "low", "left end of the chart (default 20)")
	f.Var(&o.high, "high", "right end of the chart (default 20000)")
	return c
}

func (o *plotOptions) check() error {
	if o.out == "" {
		if o.title != "" || o.taps != nil || o.low > 0 || o.high > 0 {
			return errors.New("--title, --tap, --low and --high are for a picture; name its file with -o FILE.png")
		}
		return nil
	}
	if err := o.picture().check(); err != nil {
		return err
	}
	if o.low > 0 && o.high > 0 && o.high <= o.low {
		return fmt.Errorf("--high %s must be above --low %s", quantity.Hz(float64(o.high)), quantity.Hz(float64(o.low)))
	}
	return nil
}

func (o *plotOptions) picture() pictures { return asked(picture{"-o", o.out}) }

// Size of a chart in text, in characters.
const (
	textColumns = 80
	textLines   = 22
)

func draw(ctx context.Context, e env, args []string, o plotOptions) error {
	var curves []report.NamedRecord
	for _, arg := range args {
		l, err := readLoad(arg)
		if err != nil {
			return err
		}
		curves = append(curves, report.NamedRecord{Name: l.name, Record: l.record})
	}
	if o.out == "" {
		var traces []plot.Trace
		for _, c := range curves {
			traces = append(traces, plot.Trace{Label: c.Name, Curve: c.Record.Curve})
		}
		return plot.Text(e.stdout, traces, textColumns, textLines)
	}
	chart, err := report.CurvesOf(ctx, curves, o.title)
	if err != nil {
		return err
	}
	chart.TapOhm, chart.LowHz, chart.HighHz = o.taps, float64(o.low), float64(o.high)
	return e.draw(chart, o.picture())
}
