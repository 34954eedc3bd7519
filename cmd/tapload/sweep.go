package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tapload/fit/identify"
	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/oneline"
	"tapload/measure/record"
	"tapload/measure/signal"
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

	as   string
	into *jobSweep // nil where the record goes into no job

	answer
}

func newSweep(e env) *cobra.Command {
	var o sweepOptions
	c := &cobra.Command{
		Use:   "sweep [--label NAME] [-o FILE]",
		Short: "Measure the impedance of a load",
		Long: `Measure the impedance of a load over frequency, with its uncertainty, and say
what the load is. It plays a chirp through the sense resistor and records the
voltage before it (V1) and at the load (V2).

Card, resistor and jig are those of "tapload setup", unless a flag says
otherwise. Without -o the record's name is made from the label or the time, and
replaces none. "tapload help measuring" tells of tones, music through an
amplifier (--signal listen), recordings, series of levels and harmonics.

With --job, or in a job's folder, the job's jig corrects it, and without -o the
record goes into the job: a cabinet of that --label, or what --as says. The
answer is then what the job says of it. No earlier measurement is replaced.

` + paragraph("Look and listen as well: "+report.Unheard+"."),
		Example: `  tapload sweep --label red
  tapload sweep --card "USB Audio" --sense-ohm 22 --label cab --plot cab.png
  tapload sweep --bench bench.toml -o cab.sweep.json
  tapload sweep --card "USB Audio" --level -30,-20,-10 -o driver.sweep.json
  tapload sweep --replay rec.wav -o cab.sweep.json
  tapload sweep --job hall --label cab
  tapload sweep --job hall --as proof --label pair`,
		PreRunE: func(c *cobra.Command, args []string) error {
			if err := o.toJob(e, c); err != nil {
				return err
			}
			return checked(func() error { return o.check(e.now) })(c, args)
		},
		RunE: func(c *cobra.Command, _ []string) error {
			if len(o.signal.levels) > 1 {
				return sweepSeries(c.Context(), e, o)
			}
			return sweep(c.Context(), e, o)
		},
	}
	f := c.Flags()
	o.source.register(f)
	f.StringVarP(&o.out, "output", "o", "", "`file` for the record (default: made from label or time)")
	f.BoolVar(&o.force, "force", false, "replace files that are there already, keeping no copy")
	f.StringVar(&o.label, "label", "", "`name` of what is measured (default: the file's name)")
	f.StringVar(&o.jigFile, "jig", "", "calibration to correct with, a jig `file`; \"\" is none")
	o.jig.register(f)
	o.signal.register(f)
	o.material.register(f)
	o.signal.material, o.signal.series = &o.material, true
	f.Lookup("level").Usage = "loudest sample, relative to full scale; several are a series, such as -30,-20,-10"
	f.Lookup("signal").Usage = "`kind` of test signal: chirp, tones or multitone; or listen, or a .wav file"
	f.IntVar(&o.repeat, "repeat", 1, "sweep `n` times, average, and watch the load for drift")
	f.BoolVar(&o.budget, "budget", false, "also say what limits the answer, and what to do about it")
	f.BoolVar(&o.distortion, "distortion", false, "also tell the harmonics of the current apart, and look for a scraping coil")
	f.StringVar(&o.keep, "keep", "", "also keep the raw recording, in this WAV `file`")
	f.StringVar(&o.plot, "plot", "", "also draw the curve, into this .png, .svg or .pdf `file`")
	f.StringVar(&o.harmonics, "distortion-plot", "", "also draw the harmonics of --distortion, into this `file`")
	o.registerJob(f)
	o.answer.register(f)
	seldom(f, "mismatch", "keep", "budget", "force", "distortion-plot")
	return c
}

// check completes o and returns what is wrong with the command line.
func (o *sweepOptions) check(now func() time.Time) error {
	if err := o.name(now()); err != nil {
		return err
	}
	if err := o.pictures().check(); err != nil {
		return err
	}
	if o.harmonics != "" && !o.distortion {
		return errors.New("--distortion-plot draws what --distortion measures; give both")
	}
	if o.keep != "" && !strings.EqualFold(filepath.Ext(o.keep), ".wav") {
		return fmt.Errorf("--keep %s: the recording is a WAV file; its name ends in .wav", oneline.Quote(o.keep))
	}
	if o.keep != "" && o.keep == o.source.replay {
		return fmt.Errorf("--keep %s is the recording that is replayed", oneline.Quote(o.keep))
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

// name gives the record a file and a label: each is made from the other, and
// both from the time where neither is given. A name that was made is that of no
// file yet.
func (o *sweepOptions) name(now time.Time) error {
	if o.out != "" {
		if !strings.HasSuffix(o.out, ".json") {
			return fmt.Errorf("-o %s: the record is JSON; its name ends in %s", oneline.Quote(o.out), recordSuffix)
		}
		o.label = cmp.Or(o.label, record.LabelOf(o.out))
		if err := oneline.Check(o.label); err != nil {
			return fmt.Errorf("the label, made from the name of the file, %w; give one with --label", err)
		}
		return nil
	}
	o.label = cmp.Or(o.label, now.Format("2006-01-02-1504"))
	name := record.FileName(o.label)
	if name == "" {
		return fmt.Errorf("the label %s makes no file name; name the file with -o FILE.sweep.json", oneline.Quote(o.label))
	}
	o.out = name + recordSuffix
	for n := 2; o.taken() && !o.force; n++ {
		o.out = fmt.Sprintf("%s-%d%s", name, n, recordSuffix)
	}
	return nil
}

// taken reports whether a file is there that o would write a record to.
func (o sweepOptions) taken() bool {
	if len(o.signal.levels) < 2 {
		return exists(o.out)
	}
	return slices.ContainsFunc(o.signal.levels, func(l decibel) bool { return exists(o.at(l).out) })
}

func (o *sweepOptions) pictures() pictures {
	return asked(picture{"--plot", o.plot}, picture{"--distortion-plot", o.harmonics})
}

const recordSuffix = record.Suffix

func sweep(ctx context.Context, e env, o sweepOptions) (err error) {
	saved := file{Path: o.out, Force: o.force, Measured: true}
	if o.into != nil {
		saved = inJob(o.into.of, o.into.name, nil)
		saved.Measured = true
	}
	kept := file{Path: o.keep, Force: o.force, Measured: true}
	if err := saved.Check(); err != nil {
		return err
	}
	if o.into != nil {
		if err := whole(jobPath(o.into.of), nil).Check(); err != nil {
			return err
		}
	}
	if err := o.pictures().place(); err != nil {
		return err
	}
	setup, end, err := o.open(ctx, e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()
	wasKept := false
	if o.keep != "" {
		kept.Size = recordingSize(setup.Signal)
		if err := kept.Check(); err != nil {
			return err
		}
		var notKept error // is no reason to lose the curve
		defer func() { err = errors.Join(err, notKept) }()
		setup.Keep = func(r card.Recording) error {
			kept.Write = func(w io.Writer) error { return card.WriteRecording(w, r) }
			notKept = e.save(kept)
			wasKept = notKept == nil
			return nil
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

	saved.Write = result.Write
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
	budget := measure.Budget(result.Curve)
	summary := func(path string) measure.Summary {
		s := measure.Summarize(result, path)
		s.Repeats = repeats
		if o.budget {
			s.Budget = budget
		}
		return s
	}
	if o.into != nil {
		return o.into.take(ctx, e, o, result, drawn, func(path string) (measure.Summary, report.Document) {
			s := summary(path)
			return s, report.Sweep(identify.Swept{Summary: s}, budget)
		})
	}
	files := append([]file{saved}, drawn...)
	if err := e.save(files...); err != nil {
		return err
	}
	swept, err := identify.Sweep(ctx, result, summary(o.out))
	if err != nil {
		return err
	}
	return o.show(e, swept, report.Sweep(swept, budget), swept.Warnings)
}

// recordingSize is how many bytes the raw recording of a signal takes, about.
func recordingSize(s signal.Signal) int64 {
	const channels, sample, beside = 2, 4, 2 // bytes; seconds before and after
	return channels * sample * int64(len(s.Samples())+beside*s.Rate())
}

// open makes ready what measures for o, and lets go of it with end.
func (o *sweepOptions) open(ctx context.Context, e env) (setup measure.Setup, end func() error, err error) {
	j, err := o.jig.open(o.jigFile)
	if err != nil {
		return measure.Setup{}, nil, err
	}
	setup, end, err = e.setup(ctx, o.source, &o.signal)
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
