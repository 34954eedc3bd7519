package main

import (
	"errors"
	"fmt"
	"os"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fit"
	"tapload/fit/identify"
	"tapload/fit/recone"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
	"tapload/plot"
)

type compareOptions struct {
	limits        string
	before, after float64 // degrees Celsius
	known         bool    // both temperatures, by a job
	out, changes  string
	ratio         string
	harmonics     string
	json          bool

	addedFlags
	with [2]string // records with what was added, before and after

	group, match string // patterns of file names
	per          int
}

func newCompare(e env) *cobra.Command {
	var o compareOptions
	c := &cobra.Command{
		Use:   "compare BEFORE.sweep.json AFTER.sweep.json",
		Short: "Say whether a reconed driver is what it was, or find which match",
		Long: `Say whether a reconed driver is what it was: parameters side by side with their
uncertainties (k = 2), what has changed beyond doubt, a verdict against limits,
and what would explain all changes together. The verdict is pass, fail or
undecided, and the exit code 0, 3 or 4.

Measure both with one jig and one set of flags, the driver held the same way and
at room temperature; give the temperatures where they differ. The limits are a
starting point of ours, not a standard; --limits reads your own. Where both were
swept with --distortion, a coil that scrapes after and did not before fails too.
With a job (see "tapload job") the label of its driver stands for both records.

With sweeps of both with one mass on the cone, or on one closed box, the
mechanical constants are compared too: moving mass (Mms), compliance (Cms),
force factor (Bl) and Vas. Mass, box and diameter cancel in a change.

With --group one record is held against those of a reference group, of four or
more: where it falls among them, and which of them do not belong.

With --match the records of many drivers are put together in pairs or quads
(--per) whose curves are closest, as a whole: the sum is the least there is.`,
		Example: `  tapload compare before.sweep.json after.sweep.json
  tapload compare before.sweep.json after.sweep.json --before-celsius 20 \
    --after-celsius 45 -o recone.png
  tapload compare before.sweep.json after.sweep.json --limits limits.toml --json
  tapload compare before.sweep.json after.sweep.json --added-mass-g 10 \
    --before-with before-mass.sweep.json --after-with after-mass.sweep.json \
    --diameter-mm 250
  tapload compare --group "drivers/*.sweep.json" after.sweep.json
  tapload compare --match "drivers/*.sweep.json" --per 2`,
		RunE: func(c *cobra.Command, args []string) error {
			if o.group != "" {
				if err := o.checkGroup(c.Flags(), args); err != nil {
					return usage(c, err)
				}
				args, err := labelledPaths(e, c, args)
				if err != nil {
					return err
				}
				return o.runGroup(c.Context(), e, args[0])
			}
			if o.match != "" {
				if err := o.checkMatch(c.Flags(), args); err != nil {
					return usage(c, err)
				}
				return o.runMatch(c.Context(), e)
			}
			args, err := o.fromJob(e, c, args)
			if err != nil {
				return err
			}
			if err := o.check(c.Flags(), args); err != nil {
				return usage(c, err)
			}
			return o.run(e, c.Flags(), args)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	f.StringVar(&o.limits, "limits", "", "`file` of limits, TOML (default: ours, printed with the result)")
	f.Float64Var(&o.before, "before-celsius", 20, "temperature of coil and room before, in `C`")
	f.Float64Var(&o.after, "after-celsius", 20, "temperature of coil and room after, in `C`")
	o.addedFlags.register(f, "--before-with and --after-with")
	f.StringVar(&o.with[0], "before-with", "", "`record` of the driver before, with the mass or on the box")
	f.StringVar(&o.with[1], "after-with", "", "`record` of the driver after, with the mass or on the box")
	f.StringVarP(&o.out, "output", "o", "", "draw both curves into this .png, .svg or .pdf `file`")
	f.StringVar(&o.changes, "changes-plot", "", "draw each change against its limits into this `file`")
	f.StringVar(&o.ratio, "ratio-plot", "", "draw |Z| after over before into this `file`")
	f.StringVar(&o.harmonics, "distortion-plot", "", "draw the harmonics of both into this `file`")
	f.StringVar(&o.group, "group", "", "hold one record against the group that the `pattern` names")
	f.StringVar(&o.match, "match", "", "find which drivers belong together, of the records that the `pattern` names")
	f.IntVar(&o.per, "per", 2, "how many belong together, 2 or 4 (`n`)")
	f.BoolVar(&o.json, "json", false, "print the result as JSON")
	return c
}

// Temperatures that a workshop or a coil can have, in degrees Celsius.
const (
	coldest = -40.
	hottest = 250.
)

func (o *compareOptions) check(f *pflag.FlagSet, args []string) error {
	switch {
	case len(args) != 2:
		return errors.New("name the record before and the record after, such as before.sweep.json after.sweep.json")
	case f.Changed("per"):
		return errors.New("--per is for --match, which names the records of many drivers")
	}
	if fileKey(args[0]) == fileKey(args[1]) {
		return fmt.Errorf("before and after are both %s; measure the driver again, after the work", args[0])
	}
	if f.Changed("before-celsius") != f.Changed("after-celsius") {
		return errors.New("give both --before-celsius and --after-celsius; one alone says nothing of the change")
	}
	for _, c := range []float64{o.before, o.after} {
		if !(c >= coldest && c <= hottest) {
			return fmt.Errorf("a temperature of %g C must be between %g and %g", c, coldest, hottest)
		}
	}
	if (o.with[0] == "") != (o.with[1] == "") {
		return errors.New("give both --before-with and --after-with; the constants of one side say nothing of the change")
	}
	if err := o.addedFlags.check("--before-with and --after-with", o.with[0] != ""); err != nil {
		return err
	}
	if o.with[0] != "" {
		if err := differentFiles([]string{"before", "after", "--before-with", "--after-with"}, append(slices.Clone(args), o.with[:]...)); err != nil {
			return err
		}
	}
	return o.pictures().check()
}

// differentFiles returns an error that names the first two of the paths that are
// one file.
func differentFiles(names, paths []string) error {
	at := map[string]int{}
	for i, path := range paths {
		if k, twice := at[fileKey(path)]; twice {
			return fmt.Errorf("%s and %s are both %s; each needs a sweep of its own", names[k], names[i], path)
		}
		at[fileKey(path)] = i
	}
	return nil
}

func (o *compareOptions) pictures() pictures {
	return asked(picture{"-o", o.out}, picture{"--changes-plot", o.changes}, picture{"--ratio-plot", o.ratio}, picture{"--distortion-plot", o.harmonics})
}

// compared is a comparison and what its page says besides.
type compared struct {
	recone.Comparison
	labels   [2]string
	records  [2]record.Record
	limits   recone.Limits
	own      bool                // limits are the user's
	added    addedFlags          // to both, for their constants
	bends    [2]*distortionEntry // nil where the record has no distortion
	scrapes  bool                // after, and not before
	warnings []impedance.Warning
}

// scraping fails what scrapes after and did not before, whatever its curve
// says.
func (r *compared) scraping() {
	after := r.bends[1]
	if after == nil || after.Scrapes == nil || r.bends[0] != nil && r.bends[0].Scrapes != nil {
		return
	}
	r.scrapes, r.Verdict = true, verdict.Fail
	than := "; before, it did not"
	if r.bends[0] == nil {
		than = ""
	}
	r.warnings = append(r.warnings, impedance.Warning{Code: "scrapes", Text: fmt.Sprintf("after: something scrapes or knocks in every cycle at %s%s; is the coil centred, is anything loose", quantity.Hz(after.Scrapes.Hz), than)})
}

// sideNames are the names of what is compared.
var sideNames = [2]string{"before", "after"}

func (o *compareOptions) run(e env, f *pflag.FlagSet, args []string) error {
	if err := o.pictures().place(); err != nil {
		return err
	}
	r, sides, harmonics, err := o.compare(f.Changed, args)
	if err != nil {
		return err
	}
	if err := o.draw(sides, harmonics, r); err != nil {
		return err
	}
	if err := show(e, o.json, r, r.warnings); err != nil {
		return err
	}
	return verdictExit(r.Verdict == verdict.Pass, r.Verdict == verdict.Fail)
}

// compare holds the record after against the record before, and returns what
// its pictures are made of too.
func (o *compareOptions) compare(changed func(flag string) bool, args []string) (r compared, sides [2]recone.Side, harmonics []plot.Harmonics, err error) {
	r = compared{limits: recone.DefaultLimits(), own: o.limits != "", added: o.addedFlags}
	if r.own {
		in, err := os.Open(o.limits)
		if err != nil {
			return r, sides, nil, fmt.Errorf("cannot read limits %s: %w", o.limits, plainPath(err))
		}
		defer in.Close()
		if r.limits, err = recone.ReadLimits(in); err != nil {
			return r, sides, nil, fmt.Errorf("limits %s: %w", o.limits, err)
		}
	}
	for i, path := range args {
		side, rec, err := readSide(path)
		if err != nil {
			return r, sides, nil, err
		}
		if d := rec.Distortion; d != nil {
			r.bends[i] = distortionOf(*d)
			harmonics = append(harmonics, plot.Harmonics{Label: sideNames[i] + ": " + side.Label, Short: sideNames[i], Distortion: *d})
		} else if o.harmonics != "" {
			return r, sides, nil, fmt.Errorf("--distortion-plot: %s holds no harmonics; measure both with \"tapload sweep --distortion\"", path)
		}
		if changed("before-celsius") || o.known {
			side.Celsius = []*float64{&o.before, &o.after}[i]
		}
		var with []impedance.Warning
		if o.with[i] != "" {
			moved, warnings, err := o.second(o.with[i], rec, fit.Options{})
			if err != nil {
				return r, sides, nil, err
			}
			side.Moved, with = &moved, warnings
		}
		sides[i], r.labels[i], r.records[i] = side, side.Label, rec
		for _, w := range slices.Concat(side.Load.Warnings, rec.Warnings, with) {
			w.Text = sideNames[i] + ": " + w.Text
			r.warnings = append(r.warnings, w)
		}
	}
	if r.Comparison, err = recone.Compare(sides[0], sides[1], recone.Options{Limits: r.limits, Added: o.added()}); err != nil {
		return r, sides, nil, err
	}
	if w, exchanged := recone.Exchanged(r.records[0], r.records[1]); exchanged {
		r.warnings = append(r.warnings, w)
	}
	r.warnings = slices.Concat(r.warnings, r.Warnings)
	r.scraping()
	return r, sides, harmonics, nil
}

// draw writes the pictures that were asked for, all or none.
func (o *compareOptions) draw(sides [2]recone.Side, harmonics []plot.Harmonics, r compared) error {
	return o.pictures().write(func(flag string) (chart, error) {
		switch flag {
		case "--changes-plot":
			return r.chart(), nil
		case "--ratio-plot":
			return ratioOf(sides[0].Curve, sides[1].Curve)
		case "--distortion-plot":
			return plot.DistortionChart{Title: "Harmonics of the current, before and after", Records: harmonics}, nil
		}
		return plot.ImpedanceChart{Title: "Before and after", Traces: []plot.Trace{
			{Label: "before: " + sides[0].Label, Curve: sides[0].Curve},
			{Label: "after: " + sides[1].Label, Curve: sides[1].Curve},
		}}, nil
	})
}

// ratioOf draws |Z| after over before.
func ratioOf(before, after impedance.Curve) (plot.RatioChart, error) {
	c := plot.RatioChart{Title: "After over before", Label: "|Z| after over before"}
	all, err := recone.Ratios(before, after)
	if err != nil {
		return c, err
	}
	for _, r := range all {
		c.Hz, c.Percent, c.U = append(c.Hz, r.Hz), append(c.Percent, r.Percent.Value), append(c.U, r.Percent.U)
	}
	c.LowHz, c.HighHz = plot.UsualBand(before.Within(all[0].Hz, all[len(all)-1].Hz))
	return c, nil
}

// readSide reads a record and fits it.
func readSide(path string) (recone.Side, record.Record, error) {
	rec, err := measured(path, "a comparison")
	if err != nil {
		return recone.Side{}, rec, err
	}
	load, err := identify.Curve(rec.Curve, fit.Options{})
	if err != nil {
		return recone.Side{}, rec, fmt.Errorf("%s: %w", path, err)
	}
	label := rec.Label
	if label == "" {
		label = path
	}
	return recone.Side{Label: label, Curve: rec.Curve, Load: load}, rec, nil
}
