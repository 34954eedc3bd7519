package main

import (
	"errors"

	"github.com/spf13/cobra"

	"tapload/plot"
)

func newJigWiring(e env) *cobra.Command {
	var out string
	sense := ohms(10)
	c := &cobra.Command{
		Use:   "wiring -o FILE.png",
		Short: "Draw how card, sense resistor and load are wired",
		Long: `Draw how card, sense resistor and load are wired, to hang above the bench. The
current takes the thick lines; what the inputs hear takes wires of its own.`,
		Example: `  tapload jig wiring -o wiring.png
  tapload jig wiring --sense-ohm 33 -o wiring.pdf`,
		RunE: func(c *cobra.Command, _ []string) error {
			if out == "" {
				return usage(c, errors.New("name the picture with -o FILE.png, .svg or .pdf"))
			}
			p := asked(picture{"-o", out})
			if err := p.check(); err != nil {
				return usage(c, err)
			}
			return e.draw(plot.JigDrawing{SenseOhm: float64(sense)}, p)
		},
	}
	f := c.Flags()
	f.StringVarP(&out, "output", "o", "", "`file` to write: .png, .svg or .pdf")
	alsoPlot(f, "output")
	f.Var(&sense, "sense-ohm", "the sense resistor")
	return c
}
