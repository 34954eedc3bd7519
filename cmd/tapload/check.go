package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/measure/oneline"
	"tapload/measure/signal"
	"tapload/plot/report"
)

type checkOptions struct {
	source  sourceOptions
	jigFile string
	jig     jigOptions
	rate    int
	expect  string

	knownOhm  ohms
	known     fraction
	fullScale volts

	answer
}

func newCheck(e env) *cobra.Command {
	o := checkOptions{known: 0.01}
	c := &cobra.Command{
		Use:   "check (--card NAME | --bench FILE)",
		Short: "Listen, play quietly, and say whether the jig is wired right",
		Long: `Listen to the silence, then play a short chirp at three levels from quiet on,
and say what is wrong with card, leads, jig and load, and what to do about it.
It goes no louder once something is wrong. At the end it proposes a level for
"tapload sweep --level", and plays a little louder than that to see that nothing
clips.

It also says what looks connected. An open end or a short in place of the load
fails, unless --expect says that it is meant to be there.

It also finds what a computer does to sound, and says where to turn that off:
automatic gain, noise suppression, echo cancelling, mono inputs, another sample
rate on the way, sounds of other programs, volume in software.

The ohms of a load cannot tell whether the sense resistor is what it should be.
Plug in a known resistor instead, and say its value with --known-ohm.`,
		Example: `  tapload check --card "USB Audio"
  tapload check --card "USB Audio" --full-scale-volt 2
  tapload check --card "USB Audio" --sense-ohm 10 --known-ohm 8.2
  tapload check --card "USB Audio" --jig jig.json
  tapload check --card "USB Audio" --expect open`,
		PreRunE: checked(o.check),
		RunE:    func(c *cobra.Command, _ []string) error { return check(c.Context(), e, o) },
	}
	f := c.Flags()
	o.source.register(f)
	f.StringVar(&o.jigFile, "jig", "", "calibration to correct with, a jig `file` of \"tapload jig\"")
	o.jig.register(f)
	f.StringVar(&o.expect, "expect", measure.ExpectLoad.String(), "`what` is connected: load, open or short")
	o.rate = signal.DefaultRateHz
	f.Var((*sampleRate)(&o.rate), "rate", "sample rate")
	f.Var(&o.knownOhm, "known-ohm", "a known resistor is plugged in instead of the load")
	f.Var(&o.known, "known-tolerance", "its tolerance")
	f.Var(&o.fullScale, "full-scale-volt", "peak volts at the inputs that are full scale")
	o.registerWhole(f)
	f.Lookup("known-ohm").DefValue = ""
	f.Lookup("full-scale-volt").DefValue = ""
	f.Lookup("replay").Hidden = true
	return c
}

func (o *checkOptions) check() error {
	if o.source.replay != "" {
		return errors.New("--replay: a check decides by what it hears how loud to go on, which a recording cannot follow; \"tapload sweep --replay\" finds the same faults in a recording")
	}
	if o.rate < 8000 || o.rate > 768000 {
		return fmt.Errorf("--rate %d: must be 8000 to 768000 Hz", o.rate)
	}
	if !slices.Contains(measure.ExpectedNames[:], o.expect) {
		return fmt.Errorf("--expect %s: must be %s or %s", oneline.Quote(o.expect), strings.Join(measure.ExpectedNames[:2], ", "), measure.ExpectedNames[2])
	}
	if o.expect != measure.ExpectLoad.String() && o.knownOhm > 0 {
		return fmt.Errorf("--known-ohm: a known resistor is a load; leave out --expect %s", o.expect)
	}
	return o.source.check()
}

func check(ctx context.Context, e env, o checkOptions) (err error) {
	j, err := o.jig.open(o.jigFile)
	if err != nil {
		return err
	}
	if rate := j.RateHz(); rate > 0 && rate != o.rate {
		if o.source.given("rate") {
			return fmt.Errorf("--rate %d: %s was made at %d Hz; leave the flag away, or start a new jig file", o.rate, o.jigFile, rate)
		}
		o.rate = rate
	}
	sig := signalOptions{rate: o.rate}
	source, closeSource, err := o.source.open(e, &sig)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeSource()) }()
	setup := measure.CheckSetup{
		Card: inSeries(source), RateHz: o.rate, Jig: j,
		Expect:        measure.Expected(slices.Index(measure.ExpectedNames[:], o.expect)),
		Known:         jig.Resistor{Ohm: float64(o.knownOhm), Tolerance: float64(o.known)},
		FullScaleVolt: float64(o.fullScale),
	}
	if o.source.live() {
		e.say(caution)
	}
	c, err := measure.Check(ctx, setup)
	if err != nil {
		return err
	}
	return o.judge(e, c, report.Check(c), nil, c.Verdict())
}
