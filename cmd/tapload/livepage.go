package main

import (
	"cmp"
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/cmd/tapload/internal/live"
	"tapload/cmd/tapload/internal/manual"
	"tapload/plot/report"
)

// session is a page at the bench that is open. Whatever it does is a command that
// could be typed.
type session struct {
	env
	source []string // flags that say what to measure with
	job    string   // folder of the job; "" for none
	jig    string   // calibration that was made without a job; "" for none

	hookups   []string     // formulas of the last plan, best first
	standards [3]bool      // that were measured last, as jig.Kind counts them
	failed    *atomic.Bool // the last watching
	jobFile   string       // what jobMark was when the page was told
	done      []entry      // what has no place in a job, or was done without one
	cable     *cable
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
	s := &session{env: e, cable: &cable{}, failed: &atomic.Bool{}}
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
	first, _ := manual.Find("first")
	w := live.World{First: first.Page(), Watch: s.watch, Stand: s.stand, Changed: func() bool { return s.jobMark() != s.jobFile }, Hold: s.cable.hold, Do: s.do}
	server, err := live.Listen(c.Context(), w)
	if err != nil {
		return err
	}
	say := "The page is at\n" + server.URL() + "\nCtrl-C ends it."
	if _, err := fmt.Fprintln(e.stdout, say); err != nil {
		return err
	}
	if !o.noBrowser {
		noBrowser := func(err error) {
			e.say(fmt.Sprintf("note: no browser could be started (%v); open that address yourself, in one on this machine", err))
		}
		if err := live.Browse(server.URL(), e.getenv, noBrowser); err != nil {
			noBrowser(err)
		} else {
			if !e.talks {
				server.EndsAlone(alone)
			}
			if e.shown != nil {
				e.shown()
			}
		}
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

	stopped string // what was kept of one that was stopped; "" for another
}

// run runs a command line, of the session's job where there is one.
func (s *session) run(ctx context.Context, sink *pageSink, args ...string) done {
	var out, log strings.Builder
	e := s.env
	e.stdin, e.stdout, e.stderr, e.talks, e.columns, e.page = strings.NewReader(""), &out, &log, false, 0, sink
	was := s.jobMark()
	if s.job != "" {
		args = append(slices.Clone(args), "--"+jobFlag, s.job)
	}
	code := run(ctx, args, e)
	d := done{code: code, pages: sink.pages, json: out.String(), said: log.String()}
	if ctx.Err() != nil && !d.ok() {
		d.stopped = "Stopped. Nothing of it was kept; the rest is as it was."
		if s.jobMark() != was {
			d.stopped = "Stopped, but the measurement was there already: it is kept in the job."
		}
	}
	return d
}

// ok reports whether the command came to an answer, if only to a bad one.
func (d done) ok() bool { return d.code == exitDone || d.code == exitFail || d.code == exitUndecided }

var programName = regexp.MustCompile(`(?s)(?:^|\n)tapload: (.*)$`)

// fault is what went wrong, in one line.
func (d done) fault() string {
	if d.stopped != "" {
		return d.stopped
	}
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
