package main

import (
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// The demonstration comes to what its benches are: two cabinets of 8 ohm and
// one of 16, a hookup that matches a tap, a box whose sleeves touch the chassis
// and boxes that are right, a cone that is too heavy and one within its limits.
// It begins anew where one was stopped half-way, and leaves the process in the
// folder it was in.
func TestDemo(t *testing.T) {
	home := t.TempDir()
	t.Chdir(home)
	tapload := func(args ...string) string {
		t.Helper()
		var out, log strings.Builder
		e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
		if code := run(context.Background(), args, e); code != exitDone {
			t.Fatalf("%v ended with %d: %s", args, code, log.String())
		}
		if log.Len() > 0 && args[0] == "demo" {
			t.Errorf("%v wrote to stderr: %s", args, log.String())
		}
		return out.String()
	}
	ctx, cancel := context.WithCancel(context.Background())
	half := &cancelAt{words: "STEP 3", cancel: cancel}
	if code := run(ctx, []string{"demo"}, env{stdout: half, stderr: io.Discard, getenv: os.Getenv, now: time.Now}); code != exitError || strings.Contains(half.String(), "STEP 4") {
		t.Fatalf("stopped half-way it ended with %d: %s", code, half.String())
	}
	screen := tapload("demo")
	if now, err := os.Getwd(); err != nil || now != home {
		t.Errorf("the demonstration ended in the folder %s, %v, and began in %s", now, err, home)
	}
	for line := range strings.SplitSeq(screen, "\n") {
		if len([]rune(line)) > pageColumns {
			t.Errorf("%d columns: %s", len([]rune(line)), line)
		}
	}
	text := strings.Join(strings.Fields(screen), " ")
	for _, want := range []string{
		"All of this is invented", "verdict pass",
		"Fail: outside the limits: fs.", "the moving mass is 25 % higher", "Pass: what has changed lies inside the limits",
		"dance (invented): rated 8 ohm", "stage (invented): rated 8 ohm", "warning: the cabinet is marked 16 ohm and measures as 8 ohm", "balcony (invented): rated 16 ohm",
		"8 hookups of 3 loads", "1. (dance + stage) || balcony, 8 ohm tap: matched",
		"Wrong: only cabinet dance is in circuit. Most likely: all jack sleeves touch the chassis",
		"Right: two cabinets in series, 0.08 ohm in the joints", "Right: (dance + stage) || balcony",
		"The finished boxes were measured and are right",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the screen does not say %q", want)
		}
	}
	_, open, _ := strings.Cut(screen, "Open these:\n")
	open, _, _ = strings.Cut(open, "\n\n")
	named := 0
	for line := range strings.SplitSeq(open, "\n") {
		if name, is := strings.CutPrefix(line, "  demo"+string(filepath.Separator)); is {
			named++
			if info, err := os.Stat(filepath.Join("demo", name)); err != nil || info.Size() == 0 {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	if named < 5 {
		t.Errorf("%d files are named: %s", named, open)
	}

	// Every file says that it is invented, in its text or its name.
	err := filepath.WalkDir("demo", func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) == ".pdf" && filepath.Base(path) == "report.pdf" {
			return err // the PDF has the HTML's text
		}
		data, err := os.ReadFile(path)
		if !strings.Contains(path, "invented-") && !strings.Contains(string(data), "invented") {
			t.Errorf("%s does not say that it is invented", path)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}

	report := func() (reportObject, string) {
		t.Helper()
		var got reportObject
		if err := json.Unmarshal([]byte(tapload("report", "--job", "demo", "--json", "-o", "r.txt")), &got); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile("r.txt")
		if err != nil {
			t.Fatal(err)
		}
		return got, string(text)
	}
	got, page := report()
	if got.Grade != "matched" || !got.Safe || got.Drivers["stage"] != "pass" ||
		got.Proofs["series box, first try"] != "fail" || got.Proofs["series box, second try"] != "pass" || got.Proofs["both boxes"] != "pass" {
		t.Errorf("%+v", got)
	}
	if !strings.Contains(page, "heavier cone: the moving mass is 8 % higher") {
		t.Error("the report does not say that the cone is 8 % heavier")
	}

	// Playing on: one of the two like drivers of the unmarked cabinet is dead,
	// which leaves 16 ohm.
	bench := filepath.Join("demo", "bench", "dance.toml")
	data, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	i := strings.LastIndex(string(data), "[[load]]")
	if err := os.WriteFile(bench, data[:i], 0o666); err != nil {
		t.Fatal(err)
	}
	tapload("sweep", "--bench", bench, "--jig", filepath.Join("demo", "jig.json"), "--label", "dance", "-o", filepath.Join("demo", "dance"+recordSuffix), "--force")
	if got, page := report(); got.Proofs["both boxes"] == "pass" || !strings.Contains(page, "dance: rated 16 ohm") {
		t.Errorf("with a dead driver: %+v", got)
	}
}

// cancelAt is a screen on which somebody sees words and stops the program.
type cancelAt struct {
	strings.Builder
	words  string
	cancel context.CancelFunc
}

func (c *cancelAt) Write(p []byte) (int, error) {
	n, err := c.Builder.Write(p)
	if strings.Contains(c.String(), c.words) {
		c.cancel()
	}
	return n, err
}

// What the demonstration shows can be pasted into a shell as it stands.
func TestDemoCommandsCanBeTyped(t *testing.T) {
	for _, s := range demoSteps() {
		for _, c := range s.commands {
			line := strings.ReplaceAll(strings.Join(typed(c.args), "\n"), "\\\n", "")
			words, err := shellWords(strings.TrimPrefix(line, "$ "), t.TempDir())
			if want := append([]string{"tapload"}, c.args...); err != nil || !slices.Equal(words, want) {
				t.Errorf("shown as %q, which is %q (%v)", line, words, err)
			}
		}
	}
}

// A step that ends otherwise than it must stops the demonstration, and says
// which and why.
func TestDemoStopsAtAStepThatFails(t *testing.T) {
	var out, log strings.Builder
	e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
	err := demoCommand{args: []string{"fit", "none" + recordSuffix}, code: exitFail}.do(context.Background(), e, &page{w: &out})
	if err == nil || !strings.Contains(err.Error(), `"tapload fit none.sweep.json" ended with 1, and the demonstration needs 3: tapload: `) {
		t.Error(err)
	}
	if log.Len() > 0 {
		t.Errorf("stderr: %s", log.String())
	}
}
