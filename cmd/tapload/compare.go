package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fit"
	"tapload/fit/identify"
	"tapload/fit/recone"
	"tapload/measure/cores"
	"tapload/measure/infile"
	"tapload/measure/oneline"
	"tapload/plot"
	"tapload/plot/report"
)

type compareOptions struct {
	limits        string
	before, after float64 // degrees Celsius
	known         bool    // both temperatures, by a job
	out, changes  string
	ratio         string
	harmonics     string

	answer
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
swept with --distortion, a coil that scrapes after and did not before fails too,
as does a part that is loose after and was not before, whatever the limits say.
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
		Args: cobra.ArbitraryArgs, // which suits depends on the flags
		RunE: func(c *cobra.Command, args []string) error {
			if o.group != "" {
				if err := o.checkGroup(c.Flags(), args); err != nil {
					return usage(c, err)
				}
				args, err := labelled(e, c, args, false)
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
			return o.run(c.Context(), e, c.Flags(), args)
		},
	}
	f := c.Flags()
	f.StringVar(&o.limits, "limits", "", "`file` of limits, TOML (default: ours, printed with the result)")
	f.Float64Var(&o.before, "before-celsius", 20, "temperature of coil and room before, in `C`")
	f.Float64Var(&o.after, "after-celsius", 20, "temperature of coil and room after, in `C`")
	o.addedFlags.register(f, "--before-with and --after-with")
	f.StringVar(&o.with[0], "before-with", "", "`record` of the driver before, with the mass or on the box")
	f.StringVar(&o.with[1], "after-with", "", "`record` of the driver after, with the mass or on the box")
	f.StringVarP(&o.out, "output", "o", "", "draw both curves into this .png, .svg or .pdf `file`")
	alsoPlot(f, "output")
	f.StringVar(&o.changes, "changes-plot", "", "draw each change against its limits into this `file`")
	f.StringVar(&o.ratio, "ratio-plot", "", "draw |Z| after over before into this `file`")
	f.StringVar(&o.harmonics, "distortion-plot", "", "draw the harmonics of both into this `file`")
	f.StringVar(&o.group, "group", "", "hold one record against the group that the `pattern` names")
	f.StringVar(&o.match, "match", "", "find which drivers belong together, of the records that the `pattern` names")
	f.IntVar(&o.per, "per", 2, "how many belong together, 2 or 4 (`n`)")
	o.answer.register(f)
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

func (o *compareOptions) run(ctx context.Context, e env, f *pflag.FlagSet, args []string) error {
	if err := o.pictures().place(); err != nil {
		return err
	}
	r, sides, err := o.compare(ctx, f.Changed, args)
	if err != nil {
		return err
	}
	if err := o.pictures().write(e, func(flag string) (chart, error) { return o.picture(flag, r, sides) }); err != nil {
		return err
	}
	return o.judge(e, r, report.Compare(r), r.Warnings, r.Verdict)
}

// compare holds the record after against the record before.
func (o *compareOptions) compare(ctx context.Context, changed func(flag string) bool, args []string) (r recone.Comparison, sides [2]recone.Side, err error) {
	options := recone.Options{Added: o.added()}
	if o.limits != "" {
		in, err := infile.Open(o.limits)
		if err != nil {
			return r, sides, fmt.Errorf("cannot read limits %s: %w", o.limits, plainPath(err))
		}
		defer in.Close()
		if options.Limits, err = recone.ReadLimits(in); err != nil {
			return r, sides, fmt.Errorf("%s: %w", o.limits, err)
		}
	}
	for i, path := range args {
		if sides[i], err = readSide(ctx, path, true); err != nil {
			return r, sides, err
		}
		if o.harmonics != "" && sides[i].Record.Distortion == nil {
			return r, sides, fmt.Errorf("--distortion-plot: %s holds no harmonics; measure both with \"tapload sweep --distortion\"", path)
		}
		if changed("before-celsius") || o.known {
			sides[i].Celsius = []*float64{&o.before, &o.after}[i]
		}
		if o.with[i] != "" {
			moved, err := readSide(ctx, o.with[i], true)
			if err != nil {
				return r, sides, err
			}
			sides[i].Moved = &moved
		}
	}
	r, err = recone.Compare(ctx, sides[0], sides[1], options)
	return r, sides, err
}

// picture is the chart that a flag asks for.
func (o *compareOptions) picture(flag string, r recone.Comparison, sides [2]recone.Side) (chart, error) {
	switch flag {
	case "--changes-plot":
		return report.ChangeChart(r), nil
	case "--distortion-plot":
		return report.HarmonicsChart(sides[0], sides[1]), nil
	case "--ratio-plot":
		c, err := report.RatioChart(r, sides[0].Curve, sides[1].Curve)
		if err == nil {
			c.LowHz, c.HighHz = plot.UsualBand(sides[0].Curve.Within(c.Hz[0], c.Hz[len(c.Hz)-1]))
		}
		return c, err
	}
	return report.CurvesChart(r, sides[0], sides[1]), nil
}

// readSide reads a record, and fits it where that is asked for.
func readSide(ctx context.Context, path string, fitted bool) (recone.Side, error) {
	rec, err := measured(path, "a comparison")
	if err != nil {
		return recone.Side{}, err
	}
	var load fit.Result
	if fitted {
		if load, err = identify.Curve(ctx, rec.Curve, fit.Options{}); err != nil {
			return recone.Side{}, fmt.Errorf("%s: %w", path, err)
		}
	}
	return recone.Of(rec, load, path), nil
}

// nameOf is how a driver of many is called: by its file.
func nameOf(path string) string { return strings.TrimSuffix(filepath.Base(path), recordSuffix) }

// ofPair are the flags that are for two records alone.
var ofPair = []string{"limits", "before-celsius", "after-celsius", "added-mass-g", "box-l", "diameter-mm", "before-with", "after-with", "output", "plot", "changes-plot", "ratio-plot", "distortion-plot"}

// only refuses the flags that are for another use of the command.
func only(f *pflag.FlagSet, use string, others ...string) error {
	for _, flag := range others {
		if f.Changed(flag) {
			return fmt.Errorf("--%s does not go with %s", flag, use)
		}
	}
	return nil
}

// checkGroup is check for --group.
func (o *compareOptions) checkGroup(f *pflag.FlagSet, args []string) error {
	if len(args) != 1 {
		return errors.New("--group holds one record against a group; name that one, such as after.sweep.json")
	}
	return only(f, "--group", append([]string{"match", "per"}, ofPair...)...)
}

// checkMatch is check for --match.
func (o *compareOptions) checkMatch(f *pflag.FlagSet, args []string) error {
	switch {
	case len(args) > 0:
		return fmt.Errorf("%s: --match takes the records from its pattern, and no others", oneline.Quote(args[0]))
	case o.per != 2 && o.per != 4:
		return fmt.Errorf("--per %d: drivers are matched in pairs (2) or quads (4)", o.per)
	}
	return only(f, "--match", ofPair...)
}

// recordsOf reads the records that a pattern names, fitted or not; one record
// can be left out.
func recordsOf(ctx context.Context, flag, pattern string, least int, fitted bool, but string) (sides []recone.Side, err error) {
	paths, err := filepath.Glob(pattern)
	if err != nil {
		return nil, fmt.Errorf("%s %s is no pattern of file names: a [ in it needs its ]", flag, oneline.Quote(pattern))
	}
	paths = slices.DeleteFunc(paths, func(p string) bool { return but != "" && fileKey(p) == fileKey(but) })
	if len(paths) < least {
		return nil, fmt.Errorf("%s %s finds %d of the %d records or more that are needed", flag, oneline.Quote(pattern), len(paths), least)
	}
	err = cores.InOrder(ctx, len(paths), func(i int) (recone.Side, error) { return readSide(ctx, paths[i], fitted) }, func(i int, one recone.Side, err error) error {
		one.Label = nameOf(paths[i])
		sides = append(sides, one)
		return err
	})
	return sides, cmp.Or(err, ctx.Err())
}

func (o *compareOptions) runGroup(ctx context.Context, e env, path string) error {
	const fewest = 4
	group, err := recordsOf(ctx, "--group", o.group, fewest, true, path)
	if err != nil {
		return err
	}
	one, err := readSide(ctx, path, true)
	if err != nil {
		return err
	}
	one.Label = nameOf(path)
	r, err := recone.Group(ctx, group, one)
	if err != nil {
		return err
	}
	return o.judge(e, r, report.Group(r), r.Warnings, r.Verdict)
}

func (o *compareOptions) runMatch(ctx context.Context, e env) error {
	sides, err := recordsOf(ctx, "--match", o.match, o.per, false, "")
	if err != nil {
		return err
	}
	r, err := recone.Match(ctx, sides, o.per)
	if err != nil {
		return err
	}
	return o.show(e, r, report.Match(r), r.Warnings)
}
