package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
	"tapload/fixtures/job/findings"
	"tapload/fixtures/loads"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
)

// jobFlag names the folder of a job, for every command.
const jobFlag = "job"

// jobOf returns the job that --job names or that the current folder holds, nil
// where there is none.
func jobOf(c *cobra.Command) (*job.Job, error) {
	f := c.Flag(jobFlag)
	folder := "."
	if f != nil && f.Changed {
		if f.Value.String() == "" {
			return nil, errors.New("--job \"\": there is no folder without a name")
		}
		var err error
		if folder, err = job.Find(c.Context(), f.Value.String()); err != nil {
			return nil, fmt.Errorf("--job: %w", err)
		}
	}
	if isFile(folder) {
		return nil, fmt.Errorf("--job %s: it is a file; name the folder that it is in", folder)
	}
	j, err := job.Read(folder)
	switch {
	case errors.Is(err, job.ErrNone) && folder == "." && (f == nil || !f.Changed):
		return nil, nil
	case errors.Is(err, job.ErrNone):
		return nil, fmt.Errorf("%w; \"tapload job new %s\" makes one", err, screen.Word(folder))
	case err != nil:
		return nil, err
	}
	return &j, nil
}

// theJob is jobOf where a job must be.
func theJob(c *cobra.Command) (*job.Job, error) {
	j, err := jobOf(c)
	if err == nil && j == nil {
		err = fmt.Errorf("%w in this folder; make one with \"tapload job new FOLDER\", or name its folder with --job", job.ErrNone)
	}
	return j, err
}

// orJob is a rule for arguments: from low to high of them, or at least some
// where a job has the rest.
func orJob(least, low, high int, what string) cobra.PositionalArgs {
	want := someArgs(low, high, what)
	return func(c *cobra.Command, args []string) error {
		if len(args) >= low || len(args) < least {
			return want(c, args)
		}
		j, err := jobOf(c)
		if err != nil {
			return err
		}
		if j == nil {
			return want(c, args)
		}
		return nil
	}
}

// labelled returns args with each label of a job's cabinet as NAME=RECORD, or as
// the record alone where a command takes those without names. A file of that name
// goes first.
func labelled(e env, c *cobra.Command, args []string, names bool) ([]string, error) {
	out := slices.Clone(args)
	var j *job.Job
	var from []string
	for i, arg := range args {
		if !bare(arg) {
			continue
		}
		if j == nil {
			var err error
			if j, err = jobOf(c); err != nil || j == nil {
				return args, err
			}
		}
		record, err := recordOf(j, arg)
		if err != nil {
			return nil, err
		}
		if out[i] = record; names {
			out[i] = arg + "=" + record
		}
		from = append(from, arg)
	}
	sayFrom(e, j, from)
	return out, nil
}

// bare says whether an argument may be a label: a word that names no file.
func bare(arg string) bool { return !strings.Contains(arg, "=") && !isFile(arg) }

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && !info.IsDir()
}

// recordOf returns the record of a cabinet of the job.
func recordOf(j *job.Job, label string) (path string, err error) {
	switch cab := j.Cabinet(label); {
	case cab == nil:
		return "", noCabinet(j, label)
	case cab.Record == "":
		return "", fmt.Errorf("cabinet %s of the job is known by its rating alone; measure it, and name its record in %s", label, jobPath(j))
	default:
		return j.Path(cab.Record), nil
	}
}

// noCabinet is the error of a word that is neither a file nor a label.
func noCabinet(j *job.Job, arg string) error {
	var labels []string
	for _, cab := range j.Cabinets {
		labels = append(labels, cab.Label)
	}
	has := "which has none yet"
	if len(labels) > 0 {
		has = "which has " + quantity.List(labels)
	}
	return fmt.Errorf("%s is neither a file nor a cabinet of %s, %s", oneline.Quote(arg), jobPath(j), has)
}

func jobPath(j *job.Job) string { return filepath.Join(j.Folder, job.FileName) }

// sayFrom tells what a job stood for.
func sayFrom(e env, j *job.Job, what []string) {
	if len(what) == 0 {
		return
	}
	verb := "are those"
	if len(what) == 1 {
		verb = "is that"
	}
	e.say(fmt.Sprintf("note: %s %s of %s", quantity.List(what), verb, jobPath(j)))
}

// loadsFromJob completes a command line of loads: labels become what they stand
// for, with what else the job says of them in to, and no loads at all are those of
// the formula, or with nil all of the job.
func loadsFromJob(e env, c *cobra.Command, args []string, formula *hookup.Tree, to *loads.Options) ([]string, error) {
	whole := len(args) == 0
	if !whole && !slices.ContainsFunc(args, bare) {
		return args, nil
	}
	j, err := jobOf(c)
	if err != nil || j == nil {
		return args, err
	}
	if whole {
		if formula != nil {
			args = formula.Leaves()
		} else {
			for _, cab := range j.Cabinets {
				args = append(args, cab.Label)
			}
		}
		for _, name := range args {
			if j.Cabinet(name) == nil {
				return nil, fmt.Errorf("%s of the formula is no cabinet of %s; add it with \"tapload job add cabinet\", or name all loads", name, jobPath(j))
			}
		}
		if len(args) == 0 {
			return nil, fmt.Errorf("%s has no cabinets yet; add one with \"tapload job add cabinet\", or name loads", jobPath(j))
		}
	}
	out := slices.Clone(args)
	var from []string
	for i, arg := range args {
		if !whole && !bare(arg) {
			continue
		}
		cab := j.Cabinet(arg)
		if cab == nil {
			if _, err := quantity.Ohm.Read(arg); err == nil {
				continue // a rating without a name, of which there is more to say
			}
			return nil, noCabinet(j, arg)
		}
		out[i] = findings.Load(j, *cab, to)
		from = append(from, arg)
	}
	sayFrom(e, j, from)
	return out, nil
}

// fromJob takes of the amplifier of a job what no flag says. Flags that describe an
// amplifier of another kind describe it whole.
func (o *ampFlags) fromJob(e env, c *cobra.Command) error {
	j, err := jobOf(c)
	changed := c.Flags().Changed
	if err != nil && !changed(jobFlag) && (changed("tap") || changed("amp-min-ohm")) {
		e.say("note: the job of this folder says nothing of the amplifier: " + err.Error())
		return nil
	}
	if err != nil || j == nil || j.Amplifier == nil {
		return err
	}
	a := j.Amplifier
	valve := len(a.TapsOhm) > 0
	if changed("tap") && !valve || changed("amp-min-ohm") && valve || changed("amp") && (o.kind == amp.Valve.String()) != valve {
		return nil
	}
	what := "the amplifier"
	switch {
	case changed("tap"):
		what += ", but for its taps,"
	case changed("amp-min-ohm"):
		what += ", but for its lowest load,"
	default:
		o.taps, o.min = slices.Clone(a.TapsOhm), ohms(a.MinOhm)
	}
	sayFrom(e, j, []string{what})
	if !changed("amp") {
		o.kind = a.Kind
	}
	// Watts are into a load, which a lowest load of the flags may not allow.
	into := ohms(cmp.Or(a.WattsAtOhm, a.MinOhm))
	if !changed("watts") && into >= o.min {
		o.watts.value = a.Watts
		if !changed("watts-at-ohm") && into != o.min {
			o.wattsAt = into
		}
	}
	if !changed("allow-low") {
		o.allowLow.value = a.AllowLow
	}
	if !changed("allow-high") {
		o.allowHigh.value = a.AllowHigh
	}
	if !changed("bridged") {
		o.bridged = a.Bridged
	}
	if !changed("jacks") && a.Jacks > 0 {
		o.jacks = a.Jacks
	}
	if !changed("output-ohm") && !changed("damping") {
		o.output = ohms(a.OutputOhm)
	}
	if !changed("primary-ohm") {
		o.primary = ohms(a.PrimaryOhm)
	}
	return nil
}

// fromJob completes a proof: the label of a proof is its record, with its
// hookup and how much warmer its coils were; that of a cabinet is its record;
// and no cabinets at all are those of the hookup, or of the job's.
func (o *boxVerifyOptions) fromJob(e env, c *cobra.Command) error {
	f := c.Flags()
	if f.Changed("dc-ohm") || f.Changed("dc-cab") {
		return nil
	}
	if f.Changed("seen") && !isFile(o.seen) {
		if err := o.proofFromJob(e, c); err != nil {
			return err
		}
	}
	if f.Changed("cab") {
		cabs, err := labelled(e, c, o.cabs, true)
		o.cabs = cabs
		return err
	}
	j, err := jobOf(c)
	if err != nil || j == nil {
		return err
	}
	if o.hookup == "" {
		if j.Hookup == nil {
			return nil
		}
		o.hookup = j.Hookup.Formula
		sayFrom(e, j, []string{"the hookup"})
	}
	if j.Hookup != nil && !f.Changed("plastic") && o.hookup == j.Hookup.Formula {
		o.plastic = j.Hookup.Plastic
	}
	if j.Hookup != nil && !f.Changed("cable-ohm") && j.Hookup.CableM > 0 {
		o.cable.all, o.cable.any = amp.Wire{AWG: j.Hookup.CableAWG, Metre: j.Hookup.CableM}.Ohm(), true
		sayFrom(e, j, []string{"the cable to each cabinet"})
	}
	t, err := hookup.Parse(o.hookup)
	if err != nil {
		return nil // check says what is wrong with it
	}
	for _, label := range t.Leaves() {
		record, err := recordOf(j, label)
		if err != nil {
			return err
		}
		o.cabs = append(o.cabs, label+"="+record)
	}
	sayFrom(e, j, t.Leaves())
	return nil
}

// proofFromJob puts a proof of the job in the place of its label.
func (o *boxVerifyOptions) proofFromJob(e env, c *cobra.Command) error {
	j, err := jobOf(c)
	if err != nil || j == nil {
		return err
	}
	i := slices.IndexFunc(j.Proofs, func(p job.Proof) bool { return p.Label == o.seen })
	if i < 0 {
		return nil
	}
	p := j.Proofs[i]
	sayFrom(e, j, []string{p.Label})
	o.seen = j.Path(p.Seen)
	if o.hookup == "" {
		o.hookup = p.Formula
	}
	if !c.Flags().Changed("warmer") {
		o.warmer.of = p.WarmerK
	}
	return nil
}

// fromJob puts the two records of a job's driver in the place of its label, and
// a cabinet's record in the place of its own.
func (o *compareOptions) fromJob(e env, c *cobra.Command, args []string) ([]string, error) {
	if len(args) != 1 || !bare(args[0]) {
		return labelled(e, c, args, false)
	}
	j, err := jobOf(c)
	if err != nil || j == nil {
		return args, err
	}
	i := slices.IndexFunc(j.Drivers, func(d job.Driver) bool { return d.Label == args[0] })
	if i < 0 {
		return args, nil
	}
	d := j.Drivers[i]
	sayFrom(e, j, []string{d.Label})
	changed := c.Flags().Changed
	if d.BeforeCelsius != nil && !changed("before-celsius") && !changed("after-celsius") {
		o.before, o.after, o.known = *d.BeforeCelsius, *d.AfterCelsius, true
	}
	if !changed("limits") {
		o.limits = j.Path(d.Limits)
	}
	return []string{j.Path(d.Before), j.Path(d.After)}, nil
}
