package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
	"tapload/plot/report"
)

func newJig(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "jig",
		Short: "Calibrate the jig: open, short and one known resistor",
		Long: `Calibrate the jig with three standards in place of the load: nothing, a wire,
and a resistor whose value is known. Together they take channel mismatch, input
loading, lead resistance and crosstalk out of every sweep that names the jig
file; what is left is the tolerance of the known resistor.

One file is filled step by step, in any order. It holds for one card, its
inputs, their gain knobs and one set of signal flags.`,
		Example: `  tapload jig open  -o jig.json --card "USB Audio"
  tapload jig short -o jig.json --card "USB Audio"
  tapload jig known -o jig.json --card "USB Audio" --ohm 10 --tolerance 0.1%
  tapload jig prove jig.json --card "USB Audio" --ohm 22 --tolerance 1%
  tapload jig show jig.json --plot jig.png
  tapload sweep --jig jig.json --card "USB Audio" -o cab.sweep.json`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usage(c, fmt.Errorf("there is no command jig %s; there are open, short, known, show, prove and wiring", oneline.Quote(args[0])))
			}
			return nil
		},
	}
	c.AddCommand(
		newJigStandard(e, jig.Open), newJigStandard(e, jig.Short), newJigStandard(e, jig.Known),
		newJigShow(e), newJigProve(e), newJigWiring(e),
	)
	return c
}

// jigOptions are the flags that state an uncalibrated jig.
type jigOptions struct {
	senseOhm            ohms
	tolerance, mismatch fraction

	given func(flag string) bool
}

func (o *jigOptions) register(f *pflag.FlagSet) {
	*o = jigOptions{senseOhm: 10, tolerance: 0.01, mismatch: 0.01, given: f.Changed}
	f.Var(&o.senseOhm, "sense-ohm", "the sense resistor")
	f.Var(&o.tolerance, "sense-tolerance", "its tolerance")
	f.Var(&o.mismatch, "mismatch", "how far the gains of the two inputs may be apart")
}

func (o jigOptions) options(name string) jig.Options {
	return jig.Options{Name: name, SenseOhm: float64(o.senseOhm), Tolerance: float64(o.tolerance), Mismatch: float64(o.mismatch)}
}

// agree returns an error if a flag was given that says something else than the
// jig file does.
func (o jigOptions) agree(path string, c jig.Options) error {
	for _, f := range []struct {
		flag       string
		says, file float64
		show       func(float64) string
	}{
		{"sense-ohm", float64(o.senseOhm), c.SenseOhm, func(v float64) string { return quantity.Plain(v) + " ohm" }},
		{"sense-tolerance", float64(o.tolerance), c.Tolerance, quantity.Stated},
		{"mismatch", float64(o.mismatch), c.Mismatch, quantity.Stated},
	} {
		if o.given(f.flag) && math.Abs(f.says-f.file) > 1e-9*f.file {
			return fmt.Errorf("--%s %s: %s was made for %s; leave the flag away, or start a new jig file", f.flag, f.show(f.says), path, f.show(f.file))
		}
	}
	return nil
}

// readJig reads the jig file at path. The error is fs.ErrNotExist if there is
// none.
func readJig(path string) (jig.Calibration, error) {
	return read(path, fmt.Errorf("there is no jig file %s; \"tapload jig open -o %s\" begins one%w", path, screen.Word(path), errNoFile{}), jig.Read)
}

// errNoFile is fs.ErrNotExist without words: the sentence around it has them.
type errNoFile struct{}

func (errNoFile) Error() string        { return "" }
func (errNoFile) Is(target error) bool { return target == fs.ErrNotExist }

type standardOptions struct {
	kind   jig.Kind
	out    string
	name   string
	source sourceOptions
	signal signalOptions
	jig    jigOptions
	ohm    ohms
	within fraction

	answer
}

func newJigStandard(e env, kind jig.Kind) *cobra.Command {
	o := standardOptions{kind: kind, within: 0.01}
	c := &cobra.Command{
		Use:     kind.String() + " (--card NAME | --bench FILE | --replay WAV) -o FILE",
		Example: fmt.Sprintf("  tapload jig %s --card \"USB Audio\" -o jig.json", kind),
		PreRunE: checked(o.check),
		RunE:    func(c *cobra.Command, _ []string) error { return measureStandard(c.Context(), e, o) },
	}
	if kind == jig.Known {
		c.Example += " --ohm 10 --tolerance 0.1%"
	}
	c.Short = "Measure the " + kind.String() + " standard into a jig file"
	c.Long = paragraph(fmt.Sprintf("Measure the %s standard: %s.", kind, report.Standards[kind])) + `

The jig file is begun by the first standard and extended by the next ones; a
standard that is there already is replaced. What does not look like the standard
is refused, and nothing is written. A virtual bench puts the standard
in place of its load by itself.`
	f := c.Flags()
	o.source.register(f)
	f.StringVarP(&o.out, "output", "o", "", "jig `file` to begin or extend")
	f.StringVar(&o.name, "name", "", "`name` of a new jig; without it, made from the file's name")
	if kind == jig.Known {
		f.Var(&o.ohm, "ohm", "the known resistor")
		f.Var(&o.within, "tolerance", "its tolerance, such as 0.1%")
	}
	o.jig.register(f)
	o.signal.register(f)
	o.answer.registerWhole(f)
	return c
}

func (o *standardOptions) check() error {
	switch {
	case o.out == "":
		return errors.New("name the jig file with -o JIG.json")
	case !strings.HasSuffix(o.out, ".json"):
		return fmt.Errorf("-o %s: a jig file is JSON; its name ends in .json", oneline.Quote(o.out))
	case o.kind == jig.Known && o.ohm == 0:
		return errors.New("say what the known resistor is with --ohm 10")
	}
	return o.signal.checkFor(o.source)
}

func measureStandard(ctx context.Context, e env, o standardOptions) (err error) {
	calibration, err := readJig(o.out)
	switch begun := !errors.Is(err, fs.ErrNotExist); {
	case begun && err != nil:
		return err
	case begun:
		if err := o.jig.agree(o.out, calibration.Options); err != nil {
			return err
		}
		if o.name != "" && o.name != calibration.Name {
			return fmt.Errorf("--name %s: the jig in %s is called %s; start a new file for another jig", oneline.Quote(o.name), o.out, oneline.Quote(calibration.Name))
		}
	default:
		if o.name == "" {
			o.name = strings.TrimSuffix(filepath.Base(o.out), ".json")
		}
		calibration.Options = o.jig.options(o.name)
		if _, err := jig.Uncalibrated(calibration.Options); err != nil {
			return err
		}
	}
	out := file{Path: o.out, Force: true, Measured: true}
	if err := out.Check(); err != nil {
		return err
	}
	o.source.onBench = func(b *bench.Bench) { put(b, o.kind, float64(o.ohm)) }
	setup, end, err := e.setup(ctx, o.source, &o.signal)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()
	before := calibration.Standards[o.kind]
	calibration, err = measure.Calibrate(ctx, setup, calibration, o.kind, jig.Resistor{Ohm: float64(o.ohm), Tolerance: float64(o.within)})
	if err != nil {
		return err
	}
	out.Write = calibration.Write
	tried := false
	// Another standard may have been measured into the file meanwhile.
	err = locked(ctx, o.out, func() error {
		switch now, err := readJig(o.out); {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return err
		default:
			if err := o.jig.agree(o.out, now.Options); err != nil {
				return err
			}
			before = now.Standards[o.kind]
			if calibration, err = now.With(o.kind, *calibration.Standards[o.kind], calibration.Conditions); err != nil {
				return err
			}
			out.Write = calibration.Write
		}
		tried = true
		return e.write(out)
	})
	if err != nil && !tried { // a jig file that another program holds must not cost the standard
		return e.rescue(out, err)
	}
	if err != nil {
		return err
	}
	if o.kind == jig.Known {
		e.say(fmt.Sprintf("note: the known resistor was taken as %s ohm within %s", quantity.Plain(float64(o.ohm)), quantity.Stated(float64(o.within))))
	}
	if before != nil {
		e.say(fmt.Sprintf("the %s of %s was replaced", o.kind, before.Taken.Format(time.DateTime)))
	}
	s, err := jig.Summarize(calibration, o.out, e.now())
	if err != nil {
		return err
	}
	return o.show(e, s, report.Jig(s), calibration.Standards[o.kind].Warnings)
}

// put puts a standard in place of the load of a virtual bench.
func put(b *bench.Bench, kind jig.Kind, ohm float64) {
	part := netlist.Element(netlist.Resistor(ohm))
	switch kind {
	case jig.Open:
		part = netlist.Open()
	case jig.Short:
		part = netlist.Wire
	}
	b.Load = []netlist.Branch{{Name: kind.String(), From: bench.In, To: bench.Ground, Element: part}}
}
