package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
	"tapload/fixtures/job/findings"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/oneline"
	"tapload/measure/record"
	"tapload/measure/verdict"
	"tapload/plot/report"
)

// What a measurement can be in a job.
const (
	asCabinet = "cabinet"
	asProof   = "proof"
	asBefore  = "before"
	asAfter   = "after"
)

// jobSweep is a sweep that goes into a job.
type jobSweep struct {
	command *cobra.Command
	of      *job.Job
	as      string
	label   string // of the entry
	name    string // of the record in the job's folder, unless another has it by then
}

// toJob makes o a sweep into the job that the command line or the current folder
// names, unless -o names a file.
func (o *sweepOptions) toJob(e env, c *cobra.Command) error {
	j, err := jobOf(c)
	changed := c.Flags().Changed
	switch {
	case err != nil && (changed("as") || changed(jobFlag)), err != nil && o.out == "":
		return err
	case j == nil && changed("as"):
		_, err := theJob(c)
		return err
	case err != nil:
		e.say("note: the job of this folder is left out of it: " + err.Error())
		return nil
	case j == nil:
		return nil
	case changed("as") && o.out != "":
		return usage(c, errors.New("--as puts the record into the job, under a name of its own; leave -o out"))
	}
	if o.out != "" {
		return keepNamed(c.Context(), e, j, o.out)
	}
	if len(o.signal.levels) > 1 {
		return usage(c, errors.New("a series of levels does not go into a job; name its files with -o"))
	}
	in := &jobSweep{command: c, of: j, as: o.as, label: o.label}
	if err := in.check(); err != nil {
		return err
	}
	in.name = job.NameOf(in.fileLabel(), e.now(), 1, recordSuffix)
	o.into, o.label, o.out = in, in.label, j.Path(in.name)
	if err := job.Inside(j.Folder, in.name); err != nil {
		return fmt.Errorf("cannot write %s: %w", o.out, err)
	}
	return nil
}

// keepNamed keeps what a job names at path, where a sweep is about to write.
func keepNamed(ctx context.Context, e env, j *job.Job, path string) error {
	in := (&jobEdit{of: j}).inside(path)
	label := j.Named(in)
	if in == "" || label == "" {
		return nil
	}
	return locked(ctx, jobPath(j), func() error {
		d, err := editJob(j.Folder)
		if err != nil {
			return err
		}
		if err := d.keepOld(in, label); err != nil || len(d.copies) == 0 {
			return err
		}
		e.say(fmt.Sprintf("note: %s names %s; the earlier measurement stays in %s", jobPath(j), in, d.copies[0].Path))
		return d.write(e, replaced, label)
	})
}

// check completes s and holds it against the job before anything is measured.
func (s *jobSweep) check() error {
	j := s.of
	switch s.as {
	case asCabinet:
		if s.label == "" {
			return usage(s.command, errors.New("name the cabinet with --label"))
		}
	case asProof:
		if s.label == "" {
			s.label = fmt.Sprintf("try %d", len(j.Proofs)+1)
		}
		if j.Hookup == nil {
			return fmt.Errorf("%s has no hookup that a box could be proved against; choose it with \"tapload job add hookup\"", jobPath(j))
		}
		if t, err := hookup.Parse(j.Hookup.Formula); err == nil && t.Kind == hookup.Leaf {
			return fmt.Errorf("the hookup of %s is %s alone, which needs no box: there is nothing to prove", jobPath(j), t.Load)
		}
	case asBefore, asAfter:
		if s.label == "" && len(j.Drivers) == 1 {
			s.label = j.Drivers[0].Label
		}
		if s.label == "" {
			return usage(s.command, errors.New("name the driver with --label"))
		}
		if _, err := driversOf.find(j, s.label); err != nil && s.as == asAfter {
			return fmt.Errorf("%w; a driver is measured before the work first, with --as before", err)
		}
	default:
		return usage(s.command, fmt.Errorf("--as %s: must be cabinet, proof, before or after", oneline.Quote(s.as)))
	}
	if err := job.CheckLabel(s.label); err != nil {
		return usage(s.command, fmt.Errorf("--label: %w", err))
	}
	return nil
}

// fileLabel is what the record's file is called by.
func (s *jobSweep) fileLabel() string {
	if s.as == asBefore || s.as == asAfter {
		return s.label + " " + s.as
	}
	return s.label
}

// entry says what the measurement is in the job.
func (s *jobSweep) entry() string {
	if s.as == asBefore || s.as == asAfter {
		return "driver " + s.label + ", " + s.as + " the work,"
	}
	return s.as + " " + s.label
}

// registerJob adds the flag of what a sweep is in a job.
func (o *sweepOptions) registerJob(f *pflag.FlagSet) {
	f.StringVar(&o.as, "as", asCabinet, "what it is in the job: `cabinet`, proof (of the boxes), before or after (reconing)")
}

// taken is what became of a measurement in a job, for programs.
type taken struct {
	File     string           `json:"file"`
	As       string           `json:"as"`
	Label    string           `json:"label"`
	Replaced bool             `json:"replaced"` // another measurement, which is kept
	Answer   string           `json:"answer"`   // empty where nothing can be said yet
	Verdict  *verdict.Verdict `json:"verdict"`  // of a proof or a comparison; null for none
}

// take keeps a record, names it in the job, and shows what it says there. drawn are
// files beside it.
func (s *jobSweep) take(ctx context.Context, e env, o sweepOptions, result record.Record, drawn []file, sum func(file string) (measure.Summary, report.Document)) error {
	var text bytes.Buffer
	if err := result.Write(&text); err != nil {
		return err
	}
	did := taken{File: jobPath(s.of), As: s.as, Label: s.label}
	name, tried := s.name, false
	err := locked(ctx, jobPath(s.of), func() error {
		// Before anything is asked of job.toml, which others may have spoilt.
		keeping := &jobEdit{of: s.of}
		unused, err := keeping.keep(s.fileLabel(), result.Taken, recordSuffix, text.Bytes(), "")
		if err != nil {
			return err
		}
		name = unused
		files := drawn
		for _, f := range keeping.copies {
			f.Measured = true
			files = append(files, f.file)
		}
		tried = true
		if err := e.save(files...); err != nil {
			return err
		}
		d, err := editJob(s.of.Folder)
		if err == nil {
			if did.Replaced, err = s.enter(d, name); err == nil {
				err = d.write(e, added, s.entry())
			}
		}
		if err != nil {
			return fmt.Errorf("%w (the measurement is kept in %s)", err, s.of.Path(name))
		}
		j, err := job.Read(s.of.Folder)
		s.of = &j
		return err
	})
	if err != nil && !tried { // a job that somebody else holds must not cost the measurement
		kept := inJob(s.of, name, text.Bytes())
		kept.Measured = true
		if lost := e.save(kept); lost != nil {
			return fmt.Errorf("%w; %w", err, lost)
		}
		return fmt.Errorf("%w (the measurement is kept in %s)", err, kept.Path)
	}
	if err != nil {
		return err
	}
	summary, page := sum(s.of.Path(name))
	warnings := slices.Clone(result.Warnings)
	answer, found, said, err := s.answer(ctx)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		said = []impedance.Warning{{Code: "no-answer", Text: "the job has no answer to it yet: " + err.Error()}}
	}
	for _, w := range said {
		if !slices.ContainsFunc(warnings, func(have impedance.Warning) bool { return have.Code == w.Code }) {
			warnings = append(warnings, w)
		}
	}
	did.Answer, did.Verdict = answer.Lead, found
	how := " added"
	if did.Replaced {
		how = " replaced, the earlier kept"
	}
	err = o.show(e, struct {
		measure.Summary
		Job taken `json:"job"`
	}{summary, did}, report.Swept(page, answer, did.File, s.entry()+how), warnings)
	if err != nil || found == nil {
		return err
	}
	return verdicts[*found]
}

// enter puts the measurement of that name into the job's text, and says whether it
// is in the place of another.
func (s *jobSweep) enter(d *jobEdit, name string) (replaced bool, err error) {
	i := -1
	for _, of := range []repeated{cabinetsOf, proofsOf, driversOf} {
		if of.kind == s.as || of.kind == driversOf.kind && s.as != asCabinet && s.as != asProof {
			i = slices.Index(of.labels(d.of), s.label)
		}
	}
	var was string
	switch {
	case s.as == asCabinet && i < 0:
		d.AddCabinet(job.Cabinet{Label: s.label, Record: name})
	case s.as == asCabinet:
		cab := d.of.Cabinets[i].Measured(name)
		was = d.of.Cabinets[i].Record
		d.ReplaceCabinet(i, d.of.Cabinets[i], cab)
	case s.as == asProof && i < 0:
		d.AddProof(job.Proof{Label: s.label, Seen: name, Formula: d.of.Hookup.Formula})
	case s.as == asProof:
		p := d.of.Proofs[i]
		was, p.Seen, p.WarmerK = p.Seen, name, nil
		d.ReplaceProof(i, d.of.Proofs[i], p)
	case i < 0:
		d.AddDriver(job.Driver{Label: s.label, Before: name})
	default:
		v := d.of.Drivers[i]
		to := &v.Before
		if s.as == asAfter {
			to = &v.After
		}
		was, *to, v.BeforeCelsius, v.AfterCelsius = *to, name, nil, nil
		d.ReplaceDriver(i, d.of.Drivers[i], v)
	}
	return was != "", d.keepOld(was, s.fileLabel())
}

// answer is what the job now says of what was measured.
func (s *jobSweep) answer(ctx context.Context) (page report.Document, v *verdict.Verdict, warnings []impedance.Warning, err error) {
	switch s.as {
	case asProof:
		i, _ := proofsOf.find(s.of, s.label)
		p, err := findings.ProofOf(ctx, s.of, s.of.Proofs[i], openFile)
		if err != nil {
			return page, nil, nil, err
		}
		return report.BoxProof(p.Found), &p.Found.Verdict, p.Found.Warnings, nil
	case asBefore, asAfter:
		i, _ := driversOf.find(s.of, s.label)
		if s.of.Drivers[i].After != "" {
			d, err := findings.DriverOf(ctx, s.of, s.of.Drivers[i], openFile)
			if err != nil {
				return page, nil, nil, err
			}
			return report.Compare(d.Comparison), &d.Verdict, d.Warnings, nil
		}
		found, err := findings.Measured(ctx, s.of, job.Cabinet{Label: s.label, Record: s.of.Drivers[i].Before}, openFile)
		if err != nil {
			return page, nil, nil, err
		}
		return report.Fit(found), nil, nil, nil
	}
	found, err := findings.Measured(ctx, s.of, *s.of.Cabinet(s.label), openFile)
	if err != nil {
		return page, nil, nil, err
	}
	return report.Fit(found), nil, found.Warnings, nil
}
