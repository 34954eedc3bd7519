package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/record"
	"tapload/plot"
	"tapload/plot/report"
)

type sweepOptions struct {
	out    string
	label  string
	source sourceOptions
	signal signalOptions

	material materialOptions

	jigFile string
	jig     jigOptions

	repeat int
	budget bool

	distortion bool

	keep      string
	plot      string
	harmonics string
	force     bool

	answer
}

func newSweep(e env) *cobra.Command {
	var o sweepOptions
	c := &cobra.Command{
		Use:   "sweep (--card NAME | --bench FILE | --replay WAV) -o FILE",
		Short: "Measure the impedance of a load",
		Long: `Measure the impedance of a load: play the test signal through the sense
resistor, record the voltage before it (V1) and at the load (V2), and write the
impedance over frequency with its uncertainty.

The voltages come from a sound card, from a virtual bench, or from a recording
of the signal that "tapload stimulus" writes for the same flags.

With --signal listen it plays nothing and listens to whatever an amplifier plays
through sense resistor and load; with --signal FILE.wav it plays that file, as
it is, into an amplifier. Frequencies of which the music says too little are
left out. On a sound card both ask for --amplifier-connected; a virtual bench
(whose [music] plays) and a recording do not, since no amplifier is there.

With several levels (--level -30,-20,-10) it sweeps at each, the quietest first,
into a file for each, and says where the load stops being linear.

With --distortion the record also has the harmonics of the current by order, and
what lies above them, which a scraping coil raises. They are those of load and
amplifier together, at the level played: a driver bends and scrapes more with
more excursion.

` + paragraph("Look and listen as well: "+report.Unheard+"."),
		Example: `  tapload sweep --card "USB Audio" -o cab.sweep.json --label "2x12 cab"
  tapload sweep --card "USB Audio" --channels 3,4 --sense-ohm 22 --label cab
  tapload sweep --bench bench.toml -o cab.sweep.json --plot cab.png
  tapload sweep --card "USB Audio" --distortion -o driver.sweep.json
  tapload sweep --card "USB Audio" --level -30,-20,-10 -o driver.sweep.json
  tapload sweep --replay rec.wav -o cab.sweep.json
  tapload sweep --card "USB Audio" --signal listen --seconds 60 \
    --amplifier-connected --sense-ohm 0.47 --full-scale-volt 2 \
    --probe-ratio 10 -o box.sweep.json`,
		PreRunE: checked(o.check),
		RunE: func(c *cobra.Command, _ []string) error {
			if len(o.signal.levels) > 1 {
				return sweepSeries(c.Context(), e, o)
			}
			return sweep(c.Context(), e, o)
		},
	}
	f := c.Flags()
	o.source.register(f)
	f.StringVarP(&o.out, "output", "o", "", "`file` for the record; without it, made from the label")
	f.BoolVar(&o.force, "force", false, "replace files that are there already, keeping no copy")
	f.StringVar(&o.label, "label", "", "`name` of what is measured; without it, made from the file's name")
	f.StringVar(&o.jigFile, "jig", "", "calibration to correct with, a jig `file` of \"tapload jig\"")
	o.jig.register(f)
	o.signal.register(f)
	o.material.register(f)
	o.signal.material, o.signal.series = &o.material, true
	f.Lookup("level").Usage = "loudest sample, relative to full scale; several are a series, such as -30,-20,-10"
	f.Lookup("signal").Usage = "`kind` of test signal: chirp, tones (slow and sure) or multitone (shows distortion); or listen, or a .wav file"
	f.IntVar(&o.repeat, "repeat", 1, "sweep `n` times, average, and watch the load for drift")
	f.BoolVar(&o.budget, "budget", false, "also say what limits the answer, and what to do about it")
	f.BoolVar(&o.distortion, "distortion", false, "also tell the harmonics of the current apart, and look for a scraping coil")
	f.StringVar(&o.keep, "keep", "", "also keep the raw recording, in this WAV `file`")
	f.StringVar(&o.plot, "plot", "", "also draw the curve, into this .png, .svg or .pdf `file`")
	f.StringVar(&o.harmonics, "distortion-plot", "", "also draw the harmonics of --distortion, into this `file`")
	o.answer.register(f)
	return c
}

// check completes o and returns what is wrong with the command line.
func (o *sweepOptions) check() error {
	switch {
	case o.out == "" && o.label == "":
		return errors.New("say where the record goes with -o FILE.sweep.json, or what is measured with --label")
	case o.out == "":
		name := record.FileName(o.label)
		if name == "" {
			return fmt.Errorf("the label %q makes no file name; name the file with -o FILE.sweep.json", o.label)
		}
		o.out = name + recordSuffix
	case !strings.HasSuffix(o.out, ".json"):
		return fmt.Errorf("-o %q: the record is JSON; its name ends in %s", o.out, recordSuffix)
	case o.label == "":
		o.label = record.LabelOf(o.out)
	}
	if err := o.pictures().check(); err != nil {
		return err
	}
	if o.harmonics != "" && !o.distortion {
		return errors.New("--distortion-plot draws what --distortion measures; give both")
	}
	if o.keep != "" && !strings.EqualFold(filepath.Ext(o.keep), ".wav") {
		return fmt.Errorf("--keep %q: the recording is a WAV file; its name ends in .wav", o.keep)
	}
	if o.keep != "" && o.keep == o.source.replay {
		return fmt.Errorf("--keep %q is the recording that is replayed", o.keep)
	}
	switch {
	case o.repeat < 1 || o.repeat > measure.MaxRepeats:
		return fmt.Errorf("--repeat %d: must be 1 to %d", o.repeat, measure.MaxRepeats)
	case o.repeat > 1 && o.source.replay != "":
		return errors.New("--repeat: a recording is the same every time; repeat with --card or --bench")
	case o.repeat > 1 && o.signal.heard():
		return errors.New("--repeat is for test signals; listen for longer, or play a longer file")
	case o.repeat > 1 && o.distortion:
		return errors.New("--distortion is of one recording; take it without --repeat")
	case o.repeat > 1 && o.keep != "":
		return errors.New("--keep holds one recording; keep it without --repeat")
	}
	if len(o.signal.levels) > 1 {
		if err := o.checkSeries(); err != nil {
			return err
		}
	}
	return o.signal.checkFor(o.source)
}

func (o *sweepOptions) pictures() pictures {
	return asked(picture{"--plot", o.plot}, picture{"--distortion-plot", o.harmonics})
}

const recordSuffix = record.Suffix

func sweep(ctx context.Context, e env, o sweepOptions) (err error) {
	saved := file{path: o.out, force: o.force}
	kept := file{path: o.keep, force: o.force}
	if err := saved.check(); err != nil {
		return err
	}
	if o.keep != "" {
		if err := kept.check(); err != nil {
			return err
		}
	}
	if err := o.pictures().place(); err != nil {
		return err
	}
	setup, end, err := o.open(e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()
	wasKept := false
	if o.keep != "" {
		setup.Keep = func(r card.Recording) error {
			kept.write = func(w io.Writer) error { return card.WriteRecording(w, r) }
			err := writeFiles(kept)
			wasKept = err == nil
			return err
		}
	}
	var result record.Record
	var repeats []measure.Repeat
	if o.repeat > 1 {
		result, repeats, err = measure.RunRepeated(ctx, setup, o.repeat)
	} else {
		result, err = measure.Run(ctx, setup)
	}
	if err != nil {
		if wasKept {
			return fmt.Errorf("%w (the raw recording is in %s)", err, o.keep)
		}
		return err
	}

	saved.write = result.Write
	drawn, err := o.pictures().files(func(flag string) (chart, error) {
		if flag == "--distortion-plot" {
			one := plot.Harmonics{Label: result.Label, Distortion: *result.Distortion}
			return plot.DistortionChart{Title: "Harmonics of the current", Records: []plot.Harmonics{one}}, nil
		}
		return report.CurveChart(result.Label, result, nil), nil
	})
	if err != nil {
		return err
	}
	files := append([]file{saved}, drawn...)
	e.sayEarlier(files...)
	if err := writeFiles(files...); err != nil {
		return err
	}
	s := measure.Summarize(result, o.out)
	s.Repeats = repeats
	budget := measure.Budget(result.Curve)
	if o.budget {
		s.Budget = budget
	}
	return o.show(e, s, report.Sweep(s, budget), result.Warnings)
}

// open makes ready what measures for o, and lets go of it with end.
func (o *sweepOptions) open(e env) (setup measure.Setup, end func() error, err error) {
	j, err := o.jig.open(o.jigFile)
	if err != nil {
		return measure.Setup{}, nil, err
	}
	setup, end, err = e.setup(o.source, &o.signal)
	setup.Jig, setup.Label, setup.Distortion = j, o.label, o.distortion
	return setup, end, err
}

// open returns the jig of the file, or the one that the flags state if there
// is no file.
func (o jigOptions) open(path string) (jig.Jig, error) {
	if path == "" {
		return jig.Uncalibrated(o.options(uncalibrated))
	}
	c, err := readJig(path)
	if err != nil {
		return jig.Jig{}, err
	}
	if err := o.agree(path, c.Options); err != nil {
		return jig.Jig{}, err
	}
	return c.Jig()
}

// uncalibrated names the jig of every sweep that no calibration corrects. All
// of them share it, because nothing tells their resistors and inputs apart.
const uncalibrated = "uncalibrated"
