package main

import (
	"github.com/spf13/cobra"

	"tapload/fixtures/jig"
	"tapload/plot/report"
)

type showOptions struct {
	plot string

	answer
}

func newJigShow(e env) *cobra.Command {
	var o showOptions
	c := &cobra.Command{
		Use:   "show JIG.json [--plot FILE.png]",
		Short: "Show what a jig file found",
		Long: `Show what the standards of a jig file found of the jig and the card. With --plot
the difference of the two channels is drawn over frequency.`,
		Example: `  tapload jig show jig.json --plot jig.png`,
		Args:    someArgs(1, 1, "one jig file"),
		RunE: func(c *cobra.Command, args []string) error {
			p := asked(picture{"--plot", o.plot})
			if err := p.check(); err != nil {
				return usage(c, err)
			}
			calibration, err := readJig(args[0])
			if err != nil {
				return err
			}
			s, err := jig.Summarize(calibration, args[0], e.now())
			if err != nil {
				return err
			}
			files, err := p.files(func(string) (chart, error) { return report.JigChart(s) })
			if err != nil {
				return err
			}
			if err := e.write(files...); err != nil {
				return err
			}
			return o.show(e, s, report.Jig(s), s.Warnings)
		},
	}
	f := c.Flags()
	f.StringVar(&o.plot, "plot", "", "also draw the channels, into this .png, .svg or .pdf `file`")
	o.registerWhole(f)
	return c
}
