package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/plot/report"
)

type proveOptions struct {
	source sourceOptions
	signal signalOptions
	ohm    ohms
	within fraction

	answer
}

func newJigProve(e env) *cobra.Command {
	o := proveOptions{within: 0.01}
	c := &cobra.Command{
		Use:   "prove JIG.json --ohm OHM --card NAME",
		Short: "Prove a jig file with a second resistor",
		Long: `Prove a jig file: measure a second resistor as a load. It passes when it comes
back within its tolerance at every frequency from 20 Hz to 20 kHz, the
uncertainty (k = 2) included; it fails when it is outside beyond that
uncertainty; between the two it is undecided.

A virtual bench measures the load that its file says.`,
		Example: `  tapload jig prove jig.json --card "USB Audio" --ohm 22 --tolerance 1%`,
		Args:    someArgs(1, 1, "one jig file"),
		PreRunE: checked(o.check),
		RunE:    func(c *cobra.Command, args []string) error { return prove(c.Context(), e, args[0], o) },
	}
	f := c.Flags()
	o.source.register(f)
	f.Var(&o.ohm, "ohm", "the resistor that is connected")
	f.Var(&o.within, "tolerance", "its tolerance, such as 0.5%")
	o.signal.register(f)
	o.registerWhole(f)
	return c
}

func (o *proveOptions) check() error {
	if o.ohm == 0 {
		return errors.New("say what the resistor is with --ohm 22")
	}
	return o.signal.checkFor(o.source)
}

func prove(ctx context.Context, e env, path string, o proveOptions) (err error) {
	calibration, err := readJig(path)
	if err != nil {
		return err
	}
	j, err := calibration.Jig()
	if err != nil {
		return err
	}
	setup, end, err := e.setup(ctx, o.source, &o.signal)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()
	setup.Jig = j
	rec, err := measure.Run(ctx, setup)
	if err != nil {
		return err
	}
	p, err := jig.Prove(rec.Curve, jig.Resistor{Ohm: float64(o.ohm), Tolerance: float64(o.within)})
	if err != nil {
		return err
	}
	p.Warnings = impedance.Warnings(rec.Warnings)
	return o.judge(e, p, report.JigProof(p), rec.Warnings, p.Verdict)
}
