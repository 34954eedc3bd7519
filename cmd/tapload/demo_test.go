package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"tapload/fixtures/job/findings"
)

// The demonstration comes to what its benches are: two cabinets of 8 ohm and
// one of 16, a hookup that matches a tap, a box whose sleeves touch the chassis
// and boxes that are right, a cone that is too heavy and one within its limits.
func TestDemo(t *testing.T) {
	shown := demonstration(t)
	t.Chdir(t.TempDir())
	if err := os.CopyFS("demo", shown.folder); err != nil {
		t.Fatal(err)
	}
	tapload := func(args ...string) string {
		t.Helper()
		var out, log strings.Builder
		e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
		if code := run(context.Background(), args, e); code != exitDone {
			t.Fatalf("%v exited with %d: %s", args, code, log.String())
		}
		return out.String()
	}
	screen := shown.screen
	for line := range strings.SplitSeq(screen, "\n") {
		if len([]rune(line)) > pageColumns {
			t.Errorf("%d columns: %s", len([]rune(line)), line)
		}
	}
	text := strings.Join(strings.Fields(screen), " ")
	for _, want := range []string{
		"All of this is invented", "Pass: 22 ohm within 0.5 % comes back",
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

	report := func() (findings.Object, string) {
		t.Helper()
		var got findings.Object
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
	if !strings.Contains(page, "heavier cone: the moving mass is 8.0 % higher") {
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

// shownDemo is the demonstration as one run has left it.
type shownDemo struct {
	folder fstest.MapFS
	screen string
}

var oneDemo = sync.OnceValues(func() (shownDemo, error) {
	home, err := os.MkdirTemp("", "tapload-demo-")
	if err != nil {
		return shownDemo{}, err
	}
	defer os.RemoveAll(home)
	before, err := os.Getwd()
	if err != nil {
		return shownDemo{}, err
	}
	if err := os.Chdir(home); err != nil {
		return shownDemo{}, err
	}
	defer os.Chdir(before)
	demo := func(ctx context.Context, out io.Writer) (code int, log string) {
		var said strings.Builder
		code = run(ctx, []string{"demo"}, env{stdout: out, stderr: &said, getenv: os.Getenv, now: time.Now})
		return code, said.String()
	}
	ctx, cancel := context.WithCancel(context.Background())
	part := &cancelAt{words: "STEP 3", cancel: cancel}
	if code, _ := demo(ctx, part); code != exitError || strings.Contains(part.String(), "STEP 4") {
		return shownDemo{}, fmt.Errorf("stopped at its third step it exited with %d: %s", code, part.String())
	}
	var screen strings.Builder
	if code, log := demo(context.Background(), &screen); code != exitDone || log != "" {
		return shownDemo{}, fmt.Errorf("it exited with %d and wrote to stderr: %s", code, log)
	}
	if now, err := os.Getwd(); err != nil || now != home {
		return shownDemo{}, fmt.Errorf("it ended in the folder %s, %v, and began in %s", now, err, home)
	}
	shown := shownDemo{folder: fstest.MapFS{}, screen: screen.String()}
	files := os.DirFS("demo")
	err = fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(files, path)
		shown.folder[path] = &fstest.MapFile{Data: data, Mode: 0o666}
		return err
	})
	return shown, err
})

// demonstration runs the demonstration once for all tests, which may play on in
// copies of its folder: first stopped half-way, and then anew to its end. It must
// leave the process in the folder it was in, and say nothing on stderr. With -short
// there is none.
func demonstration(t *testing.T) shownDemo {
	t.Helper()
	if testing.Short() {
		t.Skip("make demo plays it, and make check looks at it")
	}
	shown, err := oneDemo()
	if err != nil {
		t.Fatal(err)
	}
	return shown
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
