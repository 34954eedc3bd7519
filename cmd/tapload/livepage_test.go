package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/browsertest"
	"tapload/fixtures/job"
)

// livePageOf opens the page at the bench in the current folder, and returns its
// address. It ends with the test.
func livePageOf(t *testing.T, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, in := io.Pipe()
	e := env{stdin: strings.NewReader(""), stdout: in, stderr: io.Discard, getenv: func(string) string { return "" }, now: time.Now, sound: hardware{}}
	over := make(chan int, 1)
	go func() { over <- run(ctx, append([]string{"live", "--no-browser"}, args...), e) }()
	t.Cleanup(func() {
		cancel()
		go io.Copy(io.Discard, out) //nolint:errcheck // what it says at its end
		if code := <-over; code != exitDone {
			t.Errorf("the page ended with %d", code)
		}
	})
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "http://127.0.0.1:") {
			return lines.Text()
		}
	}
	t.Fatal("no address was printed")
	return ""
}

// benchFor puts another load on the bench of the page.
func benchFor(t *testing.T, text string) {
	t.Helper()
	writeText(t, "bench.toml", text)
}

// A whole job from calibration to report on the page, by clicks, on a bench that is
// paced by a clock. What is plugged in is another bench file.
func TestJobOnThePage(t *testing.T) {
	benches, err := filepath.Abs("../../testdata/bench")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	load := func(name string) string {
		data, err := os.ReadFile(filepath.Join(benches, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	benchFor(t, load("sixteen-ohm-cabinet.toml"))
	url := livePageOf(t, "--bench", "bench.toml")
	p := browsertest.Start(t).Open(url)
	p.Size(1280, 800)
	text := func(id string) (s string) {
		p.Eval(fmt.Sprintf("document.getElementById(%q).textContent", id), &s)
		return s
	}
	look := func(name string) {
		if folder := os.Getenv("TAPLOAD_SHOTS"); folder != "" {
			if err := os.WriteFile(filepath.Join(folder, name+".png"), p.Screenshot(), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	answers := 0
	step := func(name string, filled map[string]string, want string) {
		t.Helper()
		p.Wait(fmt.Sprintf("document.getElementById('do-%s') && !document.getElementById('do-%[1]s').disabled", name))
		p.Eval(fmt.Sprintf("document.getElementById('step-%s').open = true", name), nil)
		for field, value := range filled {
			p.Eval(fmt.Sprintf("document.getElementById('%s-%s').value = %q", name, field, value), nil)
		}
		p.Eval(fmt.Sprintf("document.getElementById('work').textContent = 'ordered'; document.getElementById('do-%s').click()", name), nil)
		p.Wait("document.getElementById('stop').hidden && document.getElementById('work').textContent !== 'ordered'")
		if said := text("work"); !regexp.MustCompile(want).MatchString(said) {
			t.Fatalf("%s came to %q, want %s", name, said, want)
		}
		answers++
		look(fmt.Sprintf("job-%d-%s", answers, name))
	}
	p.Wait("/16 ohm, safe on 16/.test(document.getElementById('verdict').textContent)")
	step("job", map[string]string{"name": "Pub", "taps": "4,8,16", "watts": "50", "asked": "run both cabinets"}, "begun: pub")
	step("calibrate", nil, "calibrated")
	step("cabinet", map[string]string{"label": "red", "watts": "60", "marked": "16"}, "^red: rated 16 ohm")
	benchFor(t, load("second-sixteen-cabinet.toml"))
	step("cabinet", map[string]string{"label": "blue", "watts": "60"}, "^blue: rated 16 ohm")
	step("plan", nil, `red \|\| blue|blue \|\| red`)
	step("choose", map[string]string{"formula": "red || blue"}, "8 ohm")
	step("sheet", nil, "box")
	benchFor(t, load("sixteen-ohm-cabinet.toml"))
	step("prove", map[string]string{"label": "first try"}, "^Wrong: only cabinet red is in circuit")
	step("driver", map[string]string{"label": "cone", "when": "before"}, "cone")
	step("report", nil, "pub|Chosen")
	p.Wait("document.querySelectorAll('#history a').length === 3")
	p.Wait("/16 ohm tap/.test(document.getElementById('detail').textContent) && document.getElementById('warnings').textContent === ''")
	p.Size(390, 844)
	look("job-phone")

	var pages []string
	p.Eval("Promise.all([...document.querySelectorAll('#history a, #answers a')].map((a) => fetch(a.href).then((r) => r.ok ? r.text() : 'FAILED ' + r.status)))", &pages)
	for _, page := range pages {
		if !strings.HasPrefix(page, "<!DOCTYPE html>") {
			t.Errorf("a page of the history is %.200s", page)
		}
	}
	j, err := job.Read("pub")
	if err != nil {
		t.Fatal(err)
	}
	if len(j.Cabinets) != 2 || j.Cabinets[0].Watts != 60 || j.Cabinets[0].MarkedOhm != 16 || j.Hookup == nil || j.Hookup.Formula != "red || blue" || len(j.Proofs) != 1 || len(j.Drivers) != 1 || j.Jig == "" {
		t.Errorf("the job is %+v", j)
	}
	if _, err := os.Stat("pub/report.pdf"); err != nil {
		t.Error(err)
	}

	// What the page says of a cabinet is what the command says of its record.
	var out strings.Builder
	e := env{stdin: strings.NewReader(""), stdout: &out, stderr: io.Discard, getenv: func(string) string { return "" }, now: time.Now, sound: hardware{}}
	if code := run(t.Context(), []string{"fit", "red", "--job", "pub"}, e); code != exitDone {
		t.Fatal(code)
	}
	first, _, _ := strings.Cut(out.String(), "\n")
	if !strings.Contains(strings.ReplaceAll(strings.Join(pages, ""), "\u00a0", " "), first) {
		t.Errorf("no page of the history says %q", first)
	}
}

// Started by its icon, the page works in a folder of the user's documents.
func TestPageInDocuments(t *testing.T) {
	home := t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("XDG_CONFIG_HOME", home)
	for _, documents := range []string{"", "Documents"} {
		if err := os.MkdirAll(filepath.Join(home, documents), 0o777); err != nil {
			t.Fatal(err)
		}
		t.Chdir(t.TempDir())
		livePageOf(t, "--documents")
		want, err := os.Stat(filepath.Join(home, documents, "tapload"))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := os.Stat("."); err != nil || !os.SameFile(got, want) {
			t.Errorf("the page does not work in %s/tapload", documents)
		}
	}
	t.Chdir(home) // before the folders go
}

// What went wrong after a double click is said in the console until Enter is pressed.
func TestClicked(t *testing.T) {
	home := filepath.Join(t.TempDir(), "home")
	writeText(t, home, "no folder")
	t.Setenv("HOME", home)
	e, _, stderr := testEnv()
	in := strings.NewReader("\nrest")
	e.stdin = in
	if code := e.clicked(t.Context()); code != exitError {
		t.Errorf("exited with %d", code)
	}
	if text := strings.Join(strings.Fields(stderr.String()), " "); !strings.Contains(text, "cannot work in the folder tapload of your documents") || !strings.HasSuffix(text, "Press Enter to close this window.") || in.Len() == len("\nrest") {
		t.Errorf("it said %q", text)
	}
}
