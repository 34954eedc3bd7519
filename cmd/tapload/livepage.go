package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/cmd/tapload/internal/live"
	"tapload/fit/identify"
	"tapload/fixtures/amp"
	"tapload/fixtures/job"
	"tapload/fixtures/job/findings"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/plot/report"
)

// pageSink takes what commands answer for a page.
type pageSink struct {
	pages []report.Document
	event func(identify.LiveEvent)
}

// take keeps the page of an answer, with what to warn of. A nil sink takes nothing.
func (s *pageSink) take(page report.Document, warnings []impedance.Warning) {
	if s == nil {
		return
	}
	if len(warnings) > 0 {
		var said report.Points
		for _, w := range warnings {
			said = append(said, w.Text)
		}
		page.Sections = append([]report.Section{{Heading: "Warnings", Pieces: []report.Piece{said}}}, page.Sections...)
	}
	s.pages = append(s.pages, page)
}

// session is a page at the bench that is open. Whatever it does is a command that
// could be typed.
type session struct {
	env
	source []string // flags that say what to measure with
	job    string   // folder of the job; "" for none
	jig    string   // calibration that was made without a job; "" for none

	hookups   []string // formulas of the last plan, best first
	standards [3]bool  // that were measured last, as jig.Kind counts them
}

// alone is for how long a page that nobody sees may be kept, where no terminal
// could end the program.
const alone = 30 * time.Second

// livePage serves the page until its command ends.
func livePage(c *cobra.Command, e env, o liveOptions) error {
	e.written.goesOn()
	if o.documents {
		if err := workInDocuments(); err != nil {
			return err
		}
	}
	s := &session{env: e}
	c.Flags().Visit(func(f *pflag.Flag) {
		if slices.Contains([]string{"card", "player", "bench", "channels", "seed", "jig", "sense-ohm", "sense-tolerance", "mismatch"}, f.Name) {
			s.source = append(s.source, "--"+f.Name, f.Value.String())
		}
	})
	j, err := jobOf(c)
	if err != nil {
		return err
	}
	if j != nil {
		s.job = j.Folder
	}
	w := live.World{Watch: s.watch, Stand: s.stand, Do: s.do}
	opened := false
	server, err := live.Listen(w)
	if err != nil {
		return err
	}
	if !o.noBrowser {
		opened = live.Browse(server.URL(), e.getenv) == nil
	}
	if opened && !e.talks {
		server.EndsAlone(alone)
	}
	say := "The page is at\n" + server.URL() + "\nCtrl-C ends it."
	if _, err := fmt.Fprintln(e.stdout, say); err != nil {
		return err
	}
	if opened && e.shown != nil {
		e.shown()
	}
	if err := server.Serve(c.Context()); err != nil {
		return fmt.Errorf("serving the page: %w", err)
	}
	return nil
}

// done is how a command of a session ended.
type done struct {
	code  int
	pages []report.Document
	json  string
	said  string // on stderr
}

// run runs a command line, of the session's job where there is one.
func (s *session) run(ctx context.Context, sink *pageSink, args ...string) done {
	var out, log strings.Builder
	e := s.env
	e.stdin, e.stdout, e.stderr, e.talks, e.columns, e.page = strings.NewReader(""), &out, &log, false, 0, sink
	if s.job != "" {
		args = append(slices.Clone(args), "--"+jobFlag, s.job)
	}
	code := run(ctx, args, e)
	return done{code, sink.pages, out.String(), log.String()}
}

// ok reports whether the command came to an answer, if only to a bad one.
func (d done) ok() bool { return d.code == exitDone || d.code == exitFail || d.code == exitUndecided }

var programName = regexp.MustCompile(`(?s)(?:^|\n)tapload: (.*)$`)

// fault is what went wrong, in one line.
func (d done) fault() string {
	text := d.said
	if m := programName.FindStringSubmatch(d.said); m != nil {
		text = m[1]
	}
	return strings.Join(strings.Fields(text), " ")
}

// answer is d as the page shows it: in the words of its last page, unless says has
// others.
func (d done) answer(says string) live.Answer {
	if !d.ok() {
		return live.Answer{Says: d.fault()}
	}
	if n := len(d.pages); says == "" && n > 0 {
		says = d.pages[n-1].Lead
	}
	return live.Answer{OK: true, Says: cmp.Or(says, strings.Join(strings.Fields(d.said), " ")), Pages: d.pages}
}

// measures are the flags of what is measured with.
func (s *session) measures() []string {
	if s.jig != "" {
		return append(slices.Clone(s.source), "--jig", s.jig)
	}
	return s.source
}

// moment is an event with its words.
type moment struct {
	identify.LiveEvent
	Says   string `json:"says"`
	Detail string `json:"detail"`
	Doubt  bool   `json:"doubt"` // it must not be used so
}

// watch follows what is plugged in.
func (s *session) watch(ctx context.Context, tell func(any)) error {
	amplifier := s.amplifier()
	d := s.run(ctx, &pageSink{event: func(e identify.LiveEvent) { tell(newMoment(e, amplifier)) }}, append([]string{"live", "--text"}, s.measures()...)...)
	if d.code != exitDone && ctx.Err() == nil {
		return errors.New(d.fault())
	}
	return nil
}

// newMoment says what e shows, and what that means on an amplifier, where one is
// known.
func newMoment(e identify.LiveEvent, a *amp.Amplifier) moment {
	m := moment{LiveEvent: e, Says: strings.TrimSuffix(e.Line(), "; steady"), Detail: e.Beside()}
	if e.State == measure.Faulty {
		m.Detail = e.Fault.Advice
	}
	if g := e.Load; g != nil {
		m.Doubt = g.TapOhm == 0 || g.Result.Fault != nil && g.Result.Fault.ChangesRating
		if a != nil && g.RatedOhm != nil {
			counts := amp.Counts(*g.RatedOhm, g.Min.Ohm)
			tap, safe := a.BestTap(counts)
			m.Detail += ". On the job's amplifier: " + a.Explain(counts, tap) + "."
			m.Doubt = m.Doubt || !safe
		}
	}
	return m
}

// open returns the session's job, nil where there is none or it cannot be read.
func (s *session) open() *job.Job {
	if s.job == "" {
		return nil
	}
	j, err := job.Read(s.job)
	if err != nil {
		return nil
	}
	return &j
}

func (s *session) amplifier() *amp.Amplifier {
	j := s.open()
	if j == nil || j.Amplifier == nil {
		return nil
	}
	a, err := findings.Amplifier(*j.Amplifier)
	if err != nil {
		return nil
	}
	return &a
}

// stand says where the work stands.
func (s *session) stand() live.Stand {
	st := live.Stand{Title: "No job is open", Steps: s.steps(), History: []live.Entry{}}
	if len(s.source) > 0 {
		st.Facts = append(st.Facts, strings.ReplaceAll(strings.Join(s.source, " "), "--", ""))
	} else if kept, err := s.readSetup(); err == nil && kept.Measures() {
		st.Facts = append(st.Facts, report.SetupBench(kept))
	}
	j := s.open()
	if j == nil {
		return st
	}
	st.Title = "Job " + j.Reference
	if j.Jig != "" {
		st.Facts = append(st.Facts, "jig "+j.Jig)
	}
	if j.Asked != "" {
		st.Facts = append(st.Facts, j.Asked)
	}
	if a := s.amplifier(); a != nil {
		st.TapsOhm = a.Levels()
	}
	st.History = s.history(j)
	return st
}

// history lists what was measured for a job, newest first.
func (s *session) history(j *job.Job) []live.Entry {
	type dated struct {
		live.Entry
		at time.Time
	}
	var all []dated
	then := *s // its job may be another when a page is asked for
	add := func(kind, label, file string, command ...string) {
		info, err := os.Stat(j.Path(file))
		if file == "" || err != nil {
			return
		}
		at := info.ModTime()
		all = append(all, dated{live.Entry{Name: kind + " " + label, When: at.Format("Jan 2 15:04"), Says: kind + " " + label, Page: func() (report.Document, error) {
			d := then.run(context.Background(), &pageSink{}, append(command, label, "--json")...)
			if !d.ok() || len(d.pages) == 0 {
				return report.Document{}, errors.New(d.fault())
			}
			return d.pages[0], nil
		}}, at})
	}
	for _, c := range j.Cabinets {
		add("cabinet", c.Label, c.Record, "fit")
	}
	for _, p := range j.Proofs {
		add("proof", p.Label, p.Seen, "box", "verify", "--seen")
	}
	for _, d := range j.Drivers {
		add("driver", d.Label, d.After, "compare")
	}
	slices.SortStableFunc(all, func(a, b dated) int { return b.at.Compare(a.at) })
	entries := []live.Entry{}
	for _, d := range all {
		entries = append(entries, d.Entry)
	}
	return entries
}

// jigPath is where the session calibrates to.
func (s *session) jigPath() string { return filepath.Join(cmp.Or(s.job, "."), "jig.json") }
