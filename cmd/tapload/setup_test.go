package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"tapload/fixtures/setup"
)

// On a bench that is kept an unmarked cabinet is known by its rating and tap after
// at most forty characters; they are 25 with Enter. A sound card, which no bench
// of the virtual kind stands for.
func TestFewKeysOnAKeptBench(t *testing.T) {
	benches, err := filepath.Abs("../../testdata/bench")
	if err != nil {
		t.Fatal(err)
	}
	b := &shownBench{benches: benches}
	folder := t.TempDir()
	if got := b.tapload(t, folder, "setup", "--card", standInName, "--sense-ohm", "10", "--sense-tolerance", "1%"); got.code != exitDone {
		t.Fatal(got.stderr)
	}
	const typed = "tapload sweep --label red\n"
	got := b.tapload(t, folder, strings.Fields(typed)[1:]...)
	if got.code != exitDone || !strings.HasPrefix(got.stdout, "red: rated 8 ohm; safe on an 8 ohm tap; ") {
		t.Errorf("exited with %d: %s%s", got.code, got.stdout, got.stderr)
	}
	if len(typed) > 40 {
		t.Errorf("%d characters", len(typed))
	}
	if said := foldedLine.ReplaceAllString(got.stderr, " "); !strings.Contains(said, caution) || !strings.Contains(said, "From the setup: card USB Audio, sense resistor 10 ohm within 1 %; flags override it.") {
		t.Errorf("the caution is not said, or not what was taken: %s", got.stderr)
	}

	// Another card takes the resistor alone.
	writeText(t, filepath.Join(folder, "settings", setup.FileName), "card = \"Mixer\"\nchannels = [3, 4]\nsense_ohm = 22\n")
	got = b.tapload(t, folder, "sweep", "--card", standInName, "--label", "blue", "--low", "20", "--period", "1")
	said := foldedLine.ReplaceAllString(got.stderr, " ")
	if got.code != exitDone || !strings.Contains(said, "From the setup: sense resistor 22 ohm; flags override it.") || !strings.Contains(said, "note: the setup is for another card; not used of it: channels") {
		t.Errorf("exited with %d: %s", got.code, got.stderr)
	}
}

// The demonstration runs on none of the user's settings, nor does a test that
// names no folder for them.
func TestDemonstrationHasNoSetup(t *testing.T) {
	settings := t.TempDir()
	writeText(t, filepath.Join(settings, setup.FileName), "this is broken")
	t.Setenv("TAPLOAD_CONFIG", settings)
	var out, log strings.Builder
	e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now, sound: noCards{}, settings: settings}
	if code := e.inside(context.Background(), []string{"sweep"}, &out, &log); code != exitUsage || !strings.Contains(log.String(), "say what to measure with") {
		t.Errorf("%d: %s", code, log.String())
	}
	log.Reset()
	if code := run(context.Background(), []string{"sweep"}, e); code != exitError || !strings.Contains(log.String(), "mend it") {
		t.Errorf("%d: %s", code, log.String())
	}
}

// --plot names a picture wherever one is drawn, and only one.
func TestPlotInEveryCommandThatDraws(t *testing.T) {
	for _, path := range []string{"sweep", "fit", "plot", "hookup", "plan", "compare", "box sheet", "box verify", "jig show", "jig wiring"} {
		c, _, err := newRoot(env{}).Find(strings.Fields(path))
		if err != nil || c.Flags().Lookup("plot") == nil {
			t.Errorf("%s has no --plot: %v", path, err)
			continue
		}
		old := "output"
		if path == "box sheet" {
			old = "draw"
		}
		if f := c.Flags().Lookup(old); f != nil && f.Value == c.Flags().Lookup("plot").Value {
			if err := c.Flags().Set("plot", "a.png"); err != nil || f.Value.String() != "a.png" {
				t.Errorf("%s: --plot is not --%s: %v", path, old, err)
			}
			if err := c.Flags().Set(old, "b.png"); err == nil {
				t.Errorf("%s takes two files for one picture", path)
			}
		}
	}
}

// A help leaves out what few people need, and shows it when asked; the sweep's
// fits three screens at most where it was five.
func TestHelpIsBrief(t *testing.T) {
	help := func(args ...string) string {
		var out strings.Builder
		e := env{stdout: &out, stderr: &out, getenv: os.Getenv, now: time.Now}
		if code := run(context.Background(), args, e); code != exitDone {
			t.Fatal(out.String())
		}
		return out.String()
	}
	brief, all := help("sweep", "--help"), help("sweep", "--help", "--details")
	if n := strings.Count(brief, "\n"); n > 3*24 || strings.Contains(brief, "--coherence") || strings.Contains(brief, "(default )") {
		t.Errorf("%d lines:\n%s", n, brief)
	}
	eachCommand(newRoot(env{}), func(c *cobra.Command) {
		if c.Name() == "sweep" {
			for _, name := range []string{"coherence", "dwell", "player", "seed", "keep"} {
				if !strings.Contains(all, "--"+name+" ") || c.Flags().Lookup(name).Hidden {
					t.Errorf("--%s is hidden for good", name)
				}
			}
		}
	})
}
