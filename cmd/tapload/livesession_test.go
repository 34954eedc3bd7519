package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"tapload/cmd/tapload/internal/live"
	"tapload/fit/identify"
	"tapload/fit/rating"
	"tapload/fixtures/amp"
	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card/portaudio"
	"tapload/measure/quantity"
	"tapload/measure/stopping"
	"tapload/measure/verdict"
)

// plugged is a sound system with one card, which is a virtual bench whose plug a
// test moves.
type plugged struct {
	*bench.Series
	none bool // there is no card
}

func (p plugged) list() ([]portaudio.Info, string, error) {
	if p.none {
		return nil, "", nil
	}
	return standIn{}.list()
}
func (p plugged) open(portaudio.Options) (soundCard, error) { return p, nil }
func (plugged) Note() string                                { return "" }
func (plugged) Close() error                                { return nil }

func (p plugged) connect(t testing.TB, e netlist.Element) {
	if err := p.Connect([]netlist.Branch{{Name: "load", From: bench.In, To: bench.Ground, Element: e}}); err != nil {
		t.Error(err)
	}
}

// sessionOn is a session that measures with a card of that sound system.
func sessionOn(sound soundSystem, flags ...string) *session {
	e := env{stdin: strings.NewReader(""), stdout: io.Discard, stderr: io.Discard, getenv: func(string) string { return "" }, now: time.Now, sound: sound}
	return &session{env: e, source: flags, cable: &cable{}, failed: &atomic.Bool{}}
}

func invented(t testing.TB, edit func(*bench.Bench)) plugged {
	t.Helper()
	b, err := bench.Load(filepath.Join("..", "..", "testdata", "bench", "sixteen-ohm-cabinet.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if edit != nil {
		edit(b)
	}
	return plugged{Series: bench.NewSeries(b)}
}

var onCard = []string{"--card", standInName, "--sense-ohm", "10"}

// Each standard ticks itself when it is seen steady, in whichever order; what else
// is connected is said, and nothing is measured of it.
func TestStandardsTickThemselves(t *testing.T) {
	if underRace || testing.Short() {
		t.Skip("left to make check")
	}
	sound := invented(t, nil)
	t.Chdir(t.TempDir())
	loads := map[string]netlist.Element{"open": netlist.Open(), "short": netlist.Wire, "known": netlist.Resistor(10.02)}
	order, at := []string{"known", "open", "short"}, 0
	synctest.Test(t, func(t *testing.T) {
		s := sessionOn(sound, onCard...)
		var said []string
		ticked := func(ticks []live.Tick) (n int) {
			for _, tick := range ticks {
				if tick.Done {
					n++
				}
			}
			return n
		}
		percent := -1
		a := s.do(t.Context(), "calibrate", map[string]string{"known": "10.02", "within": "0.1%"}, func(now live.At) {
			if len(said) == 0 || said[len(said)-1] != now.Says {
				said = append(said, now.Says)
			}
			if now.Percent != nil {
				percent = max(percent, *now.Percent)
			}
			switch n := ticked(now.Ticks); {
			case n == 0 && at == 0 && strings.Contains(now.Says, "a loudspeaker"), n == at && n > 0 && strings.Contains(now.Says, "is measured; connect"):
				sound.connect(t, loads[order[at]])
				at++
			case n > at:
				t.Errorf("%d standards are measured of %d that were connected: %q", n, at, now.Says)
			}
		})
		all := strings.Join(said, "\n")
		if !a.OK || ticked(s.ticks()) != 3 || at != 3 || percent < 50 || percent > 100 {
			t.Fatalf("%+v after %d standards, at most %d %%:\n%s", a, at, percent, all)
		}
		for _, want := range []string{"this looks like a loudspeaker of about 17 ohm; connect ", "known standard, leave it connected: playing", "known is measured; connect ", "open is measured; connect a short"} {
			if !strings.Contains(all, want) {
				t.Errorf("it never says %q, but\n%s", want, all)
			}
		}
	})
	c, err := readJig("jig.json")
	if err != nil {
		t.Fatal(err)
	}
	for k, st := range c.Standards {
		if st == nil {
			t.Errorf("jig.json has no %v standard", jig.Kind(k))
		}
	}
}

// A step that is stopped says what was kept.
func TestStoppedSteps(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make check")
	}
	sound := invented(t, nil)
	t.Chdir(t.TempDir())
	s := sessionOn(sound, onCard...)
	if a := s.do(t.Context(), "job", map[string]string{"name": "Pub", "taps": "4,8,16"}, nil); !a.OK {
		t.Fatal(a.Says)
	}
	stopped := func(step string, filled map[string]string, when func(live.At) bool) string {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		var at time.Time
		a := s.do(ctx, step, filled, func(now live.At) {
			if when(now) && at.IsZero() {
				at = time.Now()
				stop()
			}
		})
		t.Logf("%s ended %.2f s after Stop", step, time.Since(at).Seconds())
		if a.OK {
			t.Errorf("%s: a stopped step came to %q", step, a.Says)
		}
		return a.Says
	}
	before, err := os.ReadDir("pub")
	if err != nil {
		t.Fatal(err)
	}
	for name, when := range map[string]func(live.At) bool{
		"while it plays":       func(at live.At) bool { return at.Percent != nil && *at.Percent >= 40 },
		"while it is reckoned": func(at live.At) bool { return at.Says == "working it out" },
	} {
		if said, want := stopped("cabinet", map[string]string{"label": "red"}, when), "Stopped. Nothing of it was kept; the rest is as it was."; said != want {
			t.Errorf("a sweep that is stopped %s says %q", name, said)
		}
	}
	if after, err := os.ReadDir("pub"); err != nil || len(after) != len(before) {
		t.Errorf("a stopped sweep left %v in the job", after)
	}
	if said, want := stopped("calibrate", map[string]string{"known": "10", "within": "1%"}, func(at live.At) bool { return strings.Contains(at.Says, "a loudspeaker") }), "Stopped. No standard was measured; what was calibrated before still holds."; said != want {
		t.Errorf("a stopped calibration says %q", said)
	}
}

// What cannot go on says so in one sentence, with what to do.
func TestDeadEndsOfThePage(t *testing.T) {
	stops := invented(t, func(b *bench.Bench) { b.StopsAt = 0.5 })
	other := invented(t, func(b *bench.Bench) { b.RunsAtHz = 44100 })
	good := invented(t, nil)
	t.Chdir(t.TempDir())
	watching := func(s *session) string {
		t.Helper()
		ctx, end := context.WithTimeout(t.Context(), 2*time.Minute)
		defer end()
		err := s.watch(ctx, func(any) {})
		if err == nil {
			t.Fatal("it went on")
		}
		return err.Error()
	}
	for _, c := range []struct {
		name string
		s    *session
		want string
	}{
		{"no card", sessionOn(plugged{none: true}), "There is no sound card here that could measure. Connect one, "},
		{"nothing said", sessionOn(good), "Say once which sound card and sense resistor there are, "},
		{"unplugged", sessionOn(stops, onCard...), "the card of virtual bench sixteen-ohm cabinet (invented) stopped after 0.50 s"},
		{"another rate", sessionOn(other, onCard...), "runs at 44100 Hz, not at the 48000 Hz asked for"},
	} {
		if said := watching(c.s); !strings.Contains(said, c.want) {
			t.Errorf("%s: %q", c.name, said)
		}
		if at := c.s.stand(t.Context()); at.Steps[0].Name != "bench" {
			t.Errorf("%s: another card cannot be chosen", c.name)
		}
	}

	s := sessionOn(good, onCard...)
	if a := s.do(t.Context(), "job", map[string]string{"name": "Pub"}, nil); !a.OK {
		t.Fatal(a.Says)
	}
	at := s.stand(t.Context())
	if next := at.Steps[0]; next.Name != "amplifier" || !next.Next || at.Caution == "" {
		t.Errorf("a job without amplifier stands at %+v", at)
	}
	again := sessionOn(good, onCard...)
	if a := again.do(t.Context(), "job", map[string]string{"name": "Pub"}, nil); a.OK || !strings.Contains(a.Says, "pub") {
		t.Errorf("a job that is there already is begun: %+v", a)
	}
	writeText(t, "pub/job.toml", "reference = [")
	if s.jobMark() == s.jobFile {
		t.Error("nobody sees that job.toml was written")
	}
	at = s.stand(t.Context())
	if at.Title != "Job pub cannot be read" || !strings.Contains(strings.Join(at.Facts, " "), "job.toml") {
		t.Errorf("a spoilt job stands at %+v", at)
	}
	for _, step := range at.Steps {
		if step.Name == "cabinet" && !strings.HasPrefix(step.WhyNot, "The job's file cannot be read. Mend it") {
			t.Errorf("into a spoilt job: %q", step.WhyNot)
		}
	}
}

// Without a job what was measured is listed too; another job can be begun and opened.
func TestSessionWithoutAJob(t *testing.T) {
	sound := invented(t, nil)
	t.Chdir(t.TempDir())
	s := sessionOn(sound, onCard...)
	for range 2 { // a name that is taken loses nothing
		if a := s.do(t.Context(), "cabinet", map[string]string{"label": "loose"}, func(live.At) {}); !a.OK {
			t.Fatal(a.Says)
		}
	}
	for _, file := range []string{"loose.sweep.json", "loose-2.sweep.json"} {
		if !exists(file) {
			t.Errorf("there is no %s", file)
		}
	}
	done := s.stand(t.Context()).History
	if len(done) != 2 || done[0].Name == done[1].Name || done[0].Says != "Measure a cabinet: loose: rated 16 ohm" {
		t.Fatalf("done so far: %+v", done)
	}
	var page strings.Builder
	if err := done[1].Page(t.Context(), &page); err != nil || !strings.Contains(page.String(), "loose") {
		t.Errorf("its page is %.100s, %v", page.String(), err)
	}
	for _, name := range []string{"Pub", "Bar"} {
		s.job = ""
		if a := s.do(t.Context(), "job", map[string]string{"name": name, "taps": "8"}, nil); !a.OK {
			t.Fatal(a.Says)
		}
	}
	at := s.stand(t.Context())
	i := slices.IndexFunc(at.Steps, func(st live.Step) bool { return st.Name == "open" })
	if at.Title != "Job Bar" || len(at.History) != 0 || i < 0 || !slices.Equal(at.Steps[i].Fields[0].Choices, []string{"pub"}) {
		t.Fatalf("%+v", at)
	}
	if a := s.do(t.Context(), "open", map[string]string{"job": "pub"}, nil); !a.OK || s.stand(t.Context()).Title != "Job Pub" {
		t.Errorf("opening another job: %+v", a)
	}
}

// What went wrong: what was replaced was listed at the whole second of its file's
// name, before what had been done earlier in that second.
func TestOrderWithinASecond(t *testing.T) {
	sound := invented(t, nil)
	t.Chdir(t.TempDir())
	s := sessionOn(sound, onCard...)
	at := time.Date(2026, 3, 14, 9, 30, 5, 300_000_000, time.UTC)
	s.now = func() time.Time { return at }
	for _, step := range []struct {
		name   string
		fields map[string]string
	}{
		{"job", map[string]string{"name": "Pub", "taps": "16"}},
		{"cabinet", map[string]string{"label": "red"}},
		{"plan", nil},
		{"cabinet", map[string]string{"label": "red"}},
		{"cabinet", map[string]string{"label": "red"}},
	} {
		if a := s.do(t.Context(), step.name, step.fields, func(live.At) {}); !a.OK {
			t.Fatal(a.Says)
		}
		at = at.Add(200 * time.Millisecond)
	}
	var says []string
	for _, e := range s.stand(t.Context()).History {
		says = append(says, e.Says)
	}
	if want := []string{"cabinet red: 16 ohm", "red, since replaced", "Which hookup: one load", "red, since replaced"}; !slices.Equal(says, want) {
		t.Errorf("done so far: %q, want %q", says, want)
	}
}

// Where the work stands was read to the end of all that a job has, whoever waited.
func TestStandEndsWithItsContext(t *testing.T) {
	sound := invented(t, nil)
	t.Chdir(t.TempDir())
	s := sessionOn(sound, onCard...)
	if a := s.do(t.Context(), "job", map[string]string{"name": "Pub", "taps": "8"}, nil); !a.OK {
		t.Fatal(a.Says)
	}
	if a := s.do(t.Context(), "cabinet", map[string]string{"label": "red"}, func(live.At) {}); !a.OK {
		t.Fatal(a.Says)
	}
	kept, err := filepath.Glob("pub/records/red-*.sweep.json")
	if err != nil || len(kept) != 1 {
		t.Fatalf("%q, %v", kept, err)
	}
	for i := range 60 { // without a time in the name, so that it has to be read
		if err := os.Link(kept[0], filepath.Join("pub", "records", "red"+strconv.Itoa(i)+".sweep.json")); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(s.stand(t.Context()).History); n != 61 {
		t.Errorf("%d were done, want 61", n)
	}
	stopping.Check(t, func(ctx context.Context) error {
		s.stand(ctx)
		return ctx.Err()
	})
}

// What went wrong: a 16 ohm cabinet was "safe on 16" in the largest type of the page
// of a job whose amplifier has no such tap.
func TestSafeOnTheJobsAmplifier(t *testing.T) {
	ohm := 16.
	var e identify.LiveEvent
	e.State = measure.Steady
	e.Load = &identify.Glance{RatedOhm: &ohm, TapOhm: 16, Result: identify.Result{Rating: rating.Rating{Ohm: ohm, Verdict: verdict.Pass, MinOhm: quantity.Of(17.4, 0.1)}}}
	e.Load.Min.Ohm = 17.4
	for _, c := range []struct {
		on   *amp.Amplifier
		says string
		bad  bool
	}{
		{nil, "16 ohm, safe on 16", false},
		{&amp.Amplifier{TapOhm: []float64{4, 8, 16}}, "16 ohm, safe on 16", false},
		{&amp.Amplifier{TapOhm: []float64{4, 8}}, "16 ohm, NOT safe on this amplifier", true}, // 17.4 is above twice 8
		{&amp.Amplifier{TapOhm: []float64{4}}, "16 ohm, NOT safe on this amplifier", true},
		{&amp.Amplifier{Kind: amp.SolidState, MinOhm: 8}, "16 ohm, safe on this amplifier", false},
		{&amp.Amplifier{Kind: amp.SolidState, MinOhm: 32}, "16 ohm, NOT safe on this amplifier", true},
	} {
		if m := newMoment(e, c.on); m.Says != c.says || m.Doubt != c.bad {
			t.Errorf("on %+v: %q, doubt %v; want %q, %v", c.on, m.Says, m.Doubt, c.says, c.bad)
		}
	}
}

// A cable that is watched has its own count, which begins anew.
func TestWatchedCable(t *testing.T) {
	var c cable
	event := func(openings ...float64) string {
		var e identify.LiveEvent
		e.Openings = openings
		return c.see(e)
	}
	if said := event(40); said != "" {
		t.Errorf("unwatched: %q", said)
	}
	c.hold(true)
	if said := event(); said != "No contact opened so far." {
		t.Error(said)
	}
	event(12)
	if said, want := event(45, 3), "3 contacts opened, the worst by 45 ohm in series."; said != want {
		t.Error(said)
	}
	c.hold(true)
	if said, want := event(7.25), "1 contact opened by 7.2 ohm in series."; said != want {
		t.Error(said)
	}

}
