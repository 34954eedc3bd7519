package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/plot"
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
				return usage(c, fmt.Errorf("there is no command jig %q; there are open, short, known, show and prove", args[0]))
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(
		newJigStandard(e, jig.Open), newJigStandard(e, jig.Short), newJigStandard(e, jig.Known),
		newJigShow(e), newJigProve(e),
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
		{"sense-ohm", float64(o.senseOhm), c.SenseOhm, func(v float64) string { return plain(v) + " ohm" }},
		{"sense-tolerance", float64(o.tolerance), c.Tolerance, percent},
		{"mismatch", float64(o.mismatch), c.Mismatch, percent},
	} {
		if o.given(f.flag) && math.Abs(f.says-f.file) > 1e-9*f.file {
			return fmt.Errorf("--%s %s: %s was made for %s; leave the flag away, or start a new jig file", f.flag, f.show(f.says), path, f.show(f.file))
		}
	}
	return nil
}

func percent(v float64) string { return significant(100*v, 3) + " %" }

// readJig reads the jig file at path. The error is fs.ErrNotExist if there is
// none.
func readJig(path string) (jig.Calibration, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return jig.Calibration{}, fmt.Errorf("there is no jig file %s; \"tapload jig open -o %s\" begins one%w", path, path, errNoFile{})
	}
	if err != nil {
		return jig.Calibration{}, fmt.Errorf("cannot read %s: %w", path, plainPath(err))
	}
	defer f.Close()
	c, err := jig.Read(f)
	if err != nil {
		return jig.Calibration{}, fmt.Errorf("cannot read %s: %w", path, plainPath(err))
	}
	return c, nil
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
	json   bool
}

func newJigStandard(e env, kind jig.Kind) *cobra.Command {
	o := standardOptions{kind: kind, within: 0.01}
	c := &cobra.Command{
		Use:     kind.String() + " (--card NAME | --bench FILE | --replay WAV) -o JIG.json",
		Example: fmt.Sprintf("  tapload jig %s --card \"USB Audio\" -o jig.json", kind),
		Args:    noArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := o.check(); err != nil {
				return usage(c, err)
			}
			return measureStandard(c.Context(), e, o)
		},
	}
	do := "nothing connected to the clamps, the load's lead taken off"
	switch kind {
	case jig.Short:
		do = "a short thick wire from clamp to clamp"
	case jig.Known:
		do = "a resistor of known value between the clamps, best near the\nsense resistor or the loads to come"
		c.Example += " --ohm 10 --tolerance 0.1%"
	}
	c.Short = "Measure the " + kind.String() + " standard into a jig file"
	c.Long = fmt.Sprintf(`Measure the %s standard: %s.

The jig file is begun by the first standard and extended by the next ones; a
standard that is there already is replaced. A virtual bench puts the standard
in place of its load by itself.`, kind, do)
	f := c.Flags()
	f.SortFlags = false
	o.source.register(f)
	f.StringVarP(&o.out, "output", "o", "", "jig `file` to begin or extend")
	f.StringVar(&o.name, "name", "", "`name` of a new jig; without it, made from the file's name")
	if kind == jig.Known {
		f.Var(&o.ohm, "ohm", "the known resistor")
		f.Var(&o.within, "tolerance", "its tolerance")
	}
	o.jig.register(f)
	o.signal.register(f)
	f.BoolVar(&o.json, "json", false, "print what was found as JSON")
	return c
}

func (o *standardOptions) check() error {
	switch {
	case o.out == "":
		return errors.New("name the jig file with -o JIG.json")
	case !strings.HasSuffix(o.out, ".json"):
		return fmt.Errorf("-o %q: a jig file is JSON; its name ends in .json", o.out)
	case o.kind == jig.Known && o.ohm == 0:
		return errors.New("say what the known resistor is with --ohm 10")
	}
	if err := o.source.check(); err != nil {
		return err
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
			return fmt.Errorf("--name %q: the jig in %s is called %q; start a new file for another jig", o.name, o.out, calibration.Name)
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
	out := file{path: o.out, force: true}
	if err := out.check(); err != nil {
		return err
	}
	source, closeSource, err := o.source.open(&o.signal)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeSource()) }()
	put(source, o.kind, float64(o.ohm))
	sig, err := o.signal.make()
	if err != nil {
		return err
	}
	setup := measure.Setup{Card: inSeries(source), Signal: sig, Aim: o.signal.aim(o.source), Now: e.now().UTC()}
	if o.source.live() {
		e.say(caution)
		p := newProgress(e)
		defer p.end()
		setup.Progress = p.report
	}
	before := calibration.Standards[o.kind]
	calibration, err = measure.Calibrate(ctx, setup, calibration, o.kind, jig.Resistor{Ohm: float64(o.ohm), Tolerance: float64(o.within)})
	if err != nil {
		return err
	}
	out.write = calibration.Write
	if err := writeFiles(out); err != nil {
		return err
	}
	if before != nil {
		e.say(fmt.Sprintf("the %s of %s was replaced", o.kind, before.Taken.Format(time.DateTime)))
	}
	s, err := summarizeJig(o.out, calibration, e.now())
	if err != nil {
		return err
	}
	return s.show(e, o.json)
}

// put puts a standard in place of the load of a virtual bench; on a real one
// people do.
func put(c card.Card, kind jig.Kind, ohm float64) {
	b, ok := c.(*bench.Bench)
	if !ok {
		return
	}
	part := netlist.Element(netlist.Resistor(ohm))
	switch kind {
	case jig.Open:
		part = netlist.Open()
	case jig.Short:
		part = netlist.Wire
	}
	b.Load = []netlist.Branch{{Name: kind.String(), From: bench.In, To: bench.Ground, Element: part}}
}

type showOptions struct {
	plot string
	json bool
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
			if o.plot != "" {
				if _, err := plot.ParseFormat(o.plot); err != nil {
					return usage(c, fmt.Errorf("--plot: %w", err))
				}
			}
			calibration, err := readJig(args[0])
			if err != nil {
				return err
			}
			if o.plot != "" {
				if err := plotJig(o.plot, calibration); err != nil {
					return err
				}
			}
			s, err := summarizeJig(args[0], calibration, e.now())
			if err != nil {
				return err
			}
			for _, w := range s.Warnings {
				e.warn(w.Text)
			}
			return s.show(e, o.json)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	f.StringVar(&o.plot, "plot", "", "also draw the channels, into this .png, .svg or .pdf `file`")
	f.BoolVar(&o.json, "json", false, "print as JSON")
	return c
}

func plotJig(path string, c jig.Calibration) error {
	j, err := c.Jig()
	if err != nil {
		return err
	}
	found, err := j.Found()
	if err != nil {
		return err
	}
	if found.Hz == nil {
		return errors.New("--plot: a short alone says nothing of the channels; measure an open too")
	}
	format, err := plot.ParseFormat(path)
	if err != nil {
		return err
	}
	chart := plot.ChannelChart{Title: "channels of jig " + c.Name, Hz: found.Hz, Ratio: found.Channels}
	return writeFiles(file{path: path, force: true, write: func(w io.Writer) error { return chart.Write(w, format) }})
}

// jigSummary is what "jig show" tells people and programs.
type jigSummary struct {
	Name      string                  `json:"name"`
	File      string                  `json:"file"`
	ID        string                  `json:"id"`
	Card      string                  `json:"card"`
	Inputs    [2]int                  `json:"inputs"`
	SenseOhm  float64                 `json:"sense_ohm"`
	Standards map[string]standardLine `json:"standards"`
	AtHz      float64                 `json:"at_hz"`
	Channels  *channelsLine           `json:"channels"` // null while neither open nor known are measured
	Lead      *estimateLine           `json:"lead_ohm"`
	Sense     *estimateLine           `json:"sense_measured_ohm"`
	Loading   *estimateLine           `json:"loading_siemens"`
	Noise     [2]float64              `json:"noise_floor"` // rms, fraction of full scale
	Warnings  []warningEntry          `json:"warnings"`

	tolerance float64
}

type standardLine struct {
	Taken     time.Time `json:"taken"`
	Ohm       float64   `json:"ohm,omitempty"`
	Tolerance float64   `json:"tolerance,omitempty"`
}

// channelsLine is by how much channel 2 differs from channel 1.
type channelsLine struct {
	GainDB   float64 `json:"gain_db"`
	PhaseDeg float64 `json:"phase_deg"`

	// Largest and smallest over 20 Hz to 20 kHz.
	GainDBMin   float64 `json:"gain_db_min"`
	GainDBMax   float64 `json:"gain_db_max"`
	PhaseDegMin float64 `json:"phase_deg_min"`
	PhaseDegMax float64 `json:"phase_deg_max"`
}

type estimateLine struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"` // k = 1
}

func summarizeJig(path string, c jig.Calibration, now time.Time) (jigSummary, error) {
	j, err := c.Jig()
	if err != nil {
		return jigSummary{}, err
	}
	found, err := j.Found()
	if err != nil {
		return jigSummary{}, err
	}
	s := jigSummary{
		Name: c.Name, File: path, ID: j.Note().ID, Card: c.Card, Inputs: c.Inputs, SenseOhm: c.SenseOhm,
		Standards: map[string]standardLine{}, AtHz: found.AtHz, Channels: channelsOf(found),
		Lead: (*estimateLine)(found.Lead), Sense: (*estimateLine)(found.Sense), Loading: (*estimateLine)(found.Loading),
		Warnings: []warningEntry{}, tolerance: c.Tolerance,
	}
	for k, st := range c.Standards {
		if st == nil {
			continue
		}
		line := standardLine{Taken: st.Taken}
		if jig.Kind(k) == jig.Known {
			line.Ohm, line.Tolerance = st.Resistor.Ohm, st.Resistor.Tolerance
		}
		s.Standards[jig.Kind(k).String()] = line
		for i := range s.Noise {
			s.Noise[i] = max(s.Noise[i], st.NoiseFloor[i])
		}
	}
	for _, w := range j.Doubts(c.Conditions, now) {
		s.Warnings = append(s.Warnings, warningEntry{w.Code, w.Text})
	}
	return s, nil
}

func (s jigSummary) show(e env, asJSON bool) error {
	if asJSON {
		return writeJSON(e.stdout, s)
	}
	s.print(e.stdout)
	return nil
}

func channelsOf(f jig.Found) *channelsLine {
	if f.Hz == nil {
		return nil
	}
	inf := math.Inf(1)
	l := channelsLine{GainDBMin: inf, GainDBMax: -inf, PhaseDegMin: inf, PhaseDegMax: -inf}
	near := inf
	for i, hz := range f.Hz {
		db := toDecibel(cmplx.Abs(f.Channels[i]))
		deg := cmplx.Phase(f.Channels[i]) * 180 / math.Pi
		if d := math.Abs(hz - f.AtHz); d < near {
			near, l.GainDB, l.PhaseDeg = d, db, deg
		}
		if hz < jig.ProofLowHz || hz > jig.ProofHighHz {
			continue
		}
		l.GainDBMin, l.GainDBMax = min(l.GainDBMin, db), max(l.GainDBMax, db)
		l.PhaseDegMin, l.PhaseDegMax = min(l.PhaseDegMin, deg), max(l.PhaseDegMax, deg)
	}
	if l.GainDBMin > l.GainDBMax { // the band has nothing in 20 Hz to 20 kHz
		l.GainDBMin, l.GainDBMax, l.PhaseDegMin, l.PhaseDegMax = l.GainDB, l.GainDB, l.PhaseDeg, l.PhaseDeg
	}
	return &l
}

// print writes what a technician reads; every ± is k = 2.
func (s jigSummary) print(w io.Writer) {
	fmt.Fprintf(w, "jig        %s: %s\n", s.File, s.Name)
	card := s.Card
	if card == "" {
		card = "unknown (recordings from files)"
	} else {
		card = fmt.Sprintf("%s, inputs %d and %d", card, s.Inputs[0], s.Inputs[1])
	}
	fmt.Fprintf(w, "card       %s\n", card)
	for k := jig.Open; k <= jig.Known; k++ {
		line, ok := s.Standards[k.String()]
		text := "not measured"
		if ok {
			text = line.Taken.Format(time.DateTime)
			if k == jig.Known {
				text += fmt.Sprintf(", %s ohm within %s", plain(line.Ohm), percent(line.Tolerance))
			}
		}
		fmt.Fprintf(w, "%-10s %s\n", k, text)
	}
	if c := s.Channels; c != nil {
		fmt.Fprintf(w, "channels   second over first %+.3f dB, %+.2f° at %s; %+.3f to %+.3f dB, %+.2f to %+.2f° from 20 Hz to 20 kHz\n",
			c.GainDB, c.PhaseDeg, formatHz(s.AtHz), c.GainDBMin, c.GainDBMax, c.PhaseDegMin, c.PhaseDegMax)
	}
	if s.Lead != nil {
		fmt.Fprintf(w, "leads      %.2f mohm ± %.2g, crosstalk included\n", 1000*s.Lead.Value, 2000*s.Lead.U)
	}
	if s.Sense != nil {
		fmt.Fprintf(w, "sense      %s as measured, loaded by the second input; stated %s ohm within %s\n",
			formatOhm(s.Sense.Value, s.Sense.U), plain(s.SenseOhm), percent(s.tolerance))
	}
	if l := s.Loading; l != nil {
		most := l.Value + 2*l.U
		switch {
		case l.Value > 2*l.U:
			fmt.Fprintf(w, "loading    second input of %s ohm, %s to %s, if the sense resistor is as stated\n",
				significant(1/l.Value, 2), significant(1/most, 2), significant(1/(l.Value-2*l.U), 2))
		case most > 0:
			fmt.Fprintf(w, "loading    second input of %s ohm or more, as far as the sense resistor's tolerance lets see\n", significant(1/most, 2))
		default:
			fmt.Fprintf(w, "loading    none: the sense resistor measures higher than its tolerance allows\n")
		}
	}
	fmt.Fprintf(w, "noise      %s and %s dB of full scale\n", floorText(s.Noise[0]), floorText(s.Noise[1]))
}

func floorText(rms float64) string {
	if !(rms > 0) {
		return "no"
	}
	return fmt.Sprintf("%.0f", toDecibel(rms))
}

type proveOptions struct {
	source sourceOptions
	signal signalOptions
	ohm    ohms
	within fraction
	json   bool
}

func newJigProve(e env) *cobra.Command {
	o := proveOptions{within: 0.01}
	c := &cobra.Command{
		Use:   "prove JIG.json (--card NAME | --bench FILE | --replay WAV) --ohm OHM",
		Short: "Prove a jig file with a second resistor",
		Long: `Prove a jig file: measure a second resistor as a load. It passes when it comes
back within its tolerance at every frequency from 20 Hz to 20 kHz, the
uncertainty (k = 2) included; it fails when it is outside beyond that
uncertainty; between the two it is undecided.

A virtual bench measures the load that its file says.`,
		Example: `  tapload jig prove jig.json --card "USB Audio" --ohm 22 --tolerance 1%`,
		Args:    someArgs(1, 1, "one jig file"),
		RunE: func(c *cobra.Command, args []string) error {
			if o.ohm == 0 {
				return usage(c, errors.New("say what the resistor is with --ohm 22"))
			}
			if err := o.source.check(); err != nil {
				return usage(c, err)
			}
			if err := o.signal.checkFor(o.source); err != nil {
				return usage(c, err)
			}
			return prove(c.Context(), e, args[0], o)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	o.source.register(f)
	f.Var(&o.ohm, "ohm", "the resistor that is connected")
	f.Var(&o.within, "tolerance", "its tolerance")
	o.signal.register(f)
	f.BoolVar(&o.json, "json", false, "print the verdict as JSON")
	return c
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
	source, closeSource, err := o.source.open(&o.signal)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeSource()) }()
	sig, err := o.signal.make()
	if err != nil {
		return err
	}
	setup := measure.Setup{Card: inSeries(source), Signal: sig, Aim: o.signal.aim(o.source), Jig: j, Now: e.now().UTC()}
	if o.source.live() {
		e.say(caution)
		p := newProgress(e)
		defer p.end()
		setup.Progress = p.report
	}
	rec, err := measure.Run(ctx, setup)
	if err != nil {
		return err
	}
	p, err := jig.Prove(rec.Curve, jig.Resistor{Ohm: float64(o.ohm), Tolerance: float64(o.within)})
	if err != nil {
		return err
	}
	warnings := []warningEntry{}
	for _, w := range rec.Warnings {
		e.warn(w.Text)
		warnings = append(warnings, warningEntry{w.Code, w.Text})
	}
	if o.json {
		err = writeJSON(e.stdout, struct {
			Verdict  string         `json:"verdict"`
			Ohm      float64        `json:"ohm"`
			Allowed  float64        `json:"allowed_ohm"`
			Off      float64        `json:"off_ohm"`
			U        float64        `json:"u"` // k = 1, ohm
			Hz       float64        `json:"hz"`
			Warnings []warningEntry `json:"warnings"`
		}{p.Verdict.String(), float64(o.ohm), p.Allowed, p.Off, p.Expanded / 2, p.Hz, warnings})
	} else {
		_, err = fmt.Fprintf(e.stdout, "verdict  %s\nworst    %s off %s ohm at %s; %s ohm is allowed (± is k = 2)\n",
			p.Verdict, formatOhm(p.Off, p.Expanded/2), plain(float64(o.ohm)), formatHz(p.Hz), significant(p.Allowed, 2))
	}
	if err != nil {
		return err
	}
	return verdictExit(p.Verdict)
}

// verdictExit returns what makes the exit code of a verdict.
func verdictExit(v jig.Verdict) error {
	switch v {
	case jig.Pass:
		return nil
	case jig.Fail:
		return &verdictError{exitFail}
	default:
		return &verdictError{exitUndecided}
	}
}
