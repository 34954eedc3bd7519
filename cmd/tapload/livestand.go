package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"tapload/cmd/tapload/internal/live"
	"tapload/fixtures/amp"
	"tapload/fixtures/job"
	"tapload/fixtures/job/findings"
	"tapload/measure/quantity"
	"tapload/plot/report"
)

// open returns the session's job, nil where there is none. An error is that of a
// job.toml that cannot be read.
func (s *session) open() (*job.Job, error) {
	if s.job == "" {
		return nil, nil
	}
	j, err := job.Read(s.job)
	if err != nil {
		return nil, err
	}
	return &j, nil
}

// jobMark is another one when somebody wrote into job.toml; "" without a job.
func (s *session) jobMark() string {
	if s.job == "" {
		return ""
	}
	info, err := os.Stat(jobPath(&job.Job{Folder: s.job}))
	if err != nil {
		return "gone"
	}
	return fmt.Sprint(s.job, info.ModTime(), info.Size())
}

// amplifier returns that of a job, nil where it names none that can be.
func amplifier(j *job.Job) *amp.Amplifier {
	if j == nil || j.Amplifier == nil {
		return nil
	}
	a, err := findings.Amplifier(*j.Amplifier)
	if err != nil {
		return nil
	}
	return &a
}

// bench says what is measured with, "" where nobody said, and whether that is
// virtual: what the command line names, or else what the user keeps for all
// commands.
func (s *session) bench() (words string, virtual bool) {
	if len(s.source) > 0 {
		return strings.ReplaceAll(strings.Join(s.source, " "), "--", ""), slices.Contains(s.source, "--bench")
	}
	kept, err := s.readSetup()
	if err != nil || !kept.Measures() {
		return "", false // what is wrong with it the next command says
	}
	return report.SetupBench(kept), kept.Bench != ""
}

// stand says where the work stands; not all of it where ctx ends.
func (s *session) stand(ctx context.Context) live.Stand {
	s.jobFile = s.jobMark()
	bench, virtual := s.bench()
	st := live.Stand{Title: "No job is open", First: bench == ""}
	switch {
	case virtual:
		st.Facts = append(st.Facts, bench, "invented: a virtual bench")
	case bench != "":
		st.Facts = append(st.Facts, bench)
		st.Caution = "Caution: measure with no amplifier connected, and start quiet."
	}
	j, err := s.open()
	var found *findings.Status
	switch {
	case err != nil:
		st.Title, st.Facts = "Job "+s.job+" cannot be read", append(st.Facts, err.Error())
	case j != nil:
		st.Title = "Job " + j.Reference
		if j.Jig != "" {
			st.Facts = append(st.Facts, "jig "+j.Jig)
		}
		if j.Asked != "" {
			st.Facts = append(st.Facts, j.Asked)
		}
		if a := amplifier(j); a != nil {
			st.TapsOhm = a.Levels()
		}
		if look, err := findings.Look(ctx, j, openFile); err != nil {
			st.Facts = append(st.Facts, err.Error())
		} else {
			found = &look
		}
	}
	st.Steps = s.steps(ctx, j, err, bench != "")
	if next := s.next(j, found, bench != ""); err == nil {
		for i := range st.Steps {
			st.Steps[i].Next = st.Steps[i].Name == next
		}
	}
	st.History = s.history(ctx, j, found)
	return st
}

// next is the step that comes next; "" where nobody can say. measures is that of
// steps.
func (s *session) next(j *job.Job, found *findings.Status, measures bool) string {
	switch {
	case !measures:
		return "bench"
	case j == nil && !s.did("cabinet"):
		return "cabinet"
	case j == nil || found == nil:
		return ""
	}
	switch found.Next {
	case findings.AddAmplifier:
		return "amplifier"
	case findings.CalibrateJig:
		return "calibrate"
	case findings.AddCabinet, findings.Measure:
		return "cabinet"
	case findings.Choose:
		if len(s.hookups) > 0 {
			return "choose"
		}
		return "plan"
	case findings.Prove:
		if !s.did("sheet") {
			return "sheet"
		}
		return "prove"
	case findings.Mend:
		return "prove"
	case findings.MeasureAfter:
		return "driver"
	}
	return "report"
}

// did reports whether a step was done here in the job that is open, or without one.
func (s *session) did(step string) bool {
	return slices.ContainsFunc(s.done, func(e entry) bool { return e.job == s.job && e.step == step })
}

// entry is something that was done.
type entry struct {
	live.Entry
	at        time.Time
	step, job string // of the session's own
}

// log keeps what an answer says, where no file of the job tells it later.
func (s *session) log(step string, a live.Answer) {
	inJob := s.job != "" && !slices.Contains([]string{"calibrate", "plan", "choose", "sheet"}, step)
	if !a.OK || len(a.Pages) == 0 || inJob {
		return
	}
	page := a.Pages[len(a.Pages)-1]
	s.done = append(s.done, entry{
		Entry: live.Entry{
			Name: fmt.Sprintf("%s %d", step, len(s.done)+1), Says: stepTitles[step] + ": " + firstWords(a.Says),
			Page: func(ctx context.Context, w io.Writer) error { return page.HTML(ctx, w, report.A4) },
		},
		at: s.now(), step: step, job: s.job,
	})
}

// firstWords are those of an answer that tell it from others.
func firstWords(s string) string {
	s, _, _ = strings.Cut(s, ". ")
	s, _, _ = strings.Cut(s, "; ")
	return strings.TrimSuffix(s, ".")
}

// history lists what was done, newest first: what the job has, at the times at
// which it was measured, and what else this session did.
func (s *session) history(ctx context.Context, j *job.Job, found *findings.Status) []live.Entry {
	var all []entry
	for _, e := range s.done {
		if e.job == s.job {
			all = append(all, e)
		}
	}
	if j != nil && found != nil {
		all = append(all, s.measured(ctx, j, *found)...)
	}
	slices.SortStableFunc(all, func(a, b entry) int { return b.at.Compare(a.at) })
	entries := []live.Entry{}
	for _, e := range all {
		local := e.at.In(s.now().Location())
		e.When = local.Format("Jan 2 15:04")
		if local.Format(time.DateOnly) == s.now().Format(time.DateOnly) {
			e.When = local.Format("15:04")
		}
		entries = append(entries, e.Entry)
	}
	return entries
}

// measured lists what the files of a job hold.
func (s *session) measured(ctx context.Context, j *job.Job, found findings.Status) (all []entry) {
	then := *s // its job may be another when a page is asked for
	add := func(name, says, file string, command ...string) {
		if file == "" || ctx.Err() != nil {
			return
		}
		at, ok := takenAt(j.Path(file))
		if !ok {
			return
		}
		all = append(all, entry{at: at, Entry: live.Entry{Name: name, Says: says, Page: func(ctx context.Context, w io.Writer) error {
			d := then.run(ctx, &pageSink{}, append(command, "--json")...)
			if !d.ok() || len(d.pages) == 0 {
				return errors.New(d.fault())
			}
			return d.pages[0].HTML(ctx, w, report.A4)
		}}})
	}
	for i, c := range j.Cabinets {
		name := "cabinet " + c.Label
		add(name, name+": "+quantity.Ohms(found.Cabinets.Loads[i].RatedOhm)+" ohm", c.Record, "fit", c.Label)
	}
	for i, p := range j.Proofs {
		name := "proof " + p.Label
		add(name, name+judged(found.Proofs[i]), p.Seen, "box", "verify", "--seen", p.Label)
	}
	for i, d := range j.Drivers {
		if name := "driver " + d.Label; d.After != "" {
			add(name, name+", before and after"+judged(found.Drivers[i]), d.After, "compare", d.Label)
		} else {
			add(name, name+", before the work", d.Before, "fit", j.Path(d.Before))
		}
	}
	for _, e := range found.Earlier {
		add(e.File, e.Label+", since replaced", e.File, "fit", j.Path(e.File))
	}
	sheet := j.Path("report.html")
	if info, err := os.Stat(sheet); err == nil {
		all = append(all, entry{at: info.ModTime(), Entry: live.Entry{Name: "job sheet", Says: "job sheet", Page: func(_ context.Context, w io.Writer) error {
			data, err := os.ReadFile(sheet)
			if errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("%s is gone; write the job sheet again", sheet)
			} else if err != nil {
				return plainPath(err)
			}
			_, err = w.Write(data)
			return err
		}}})
	}
	return all
}

// judged is what came of something, for a list.
func judged(j findings.Judged) string {
	if j.Verdict == nil {
		return ""
	}
	return ": " + j.Verdict.String()
}

// takenAt is when the record of a file was measured, or else when it was written.
func takenAt(path string) (at time.Time, ok bool) {
	if r, err := readRecord(path); err == nil && !r.Taken.IsZero() {
		return r.Taken, true
	}
	info, err := os.Stat(path)
	if err != nil {
		return at, false
	}
	return info.ModTime(), true
}
