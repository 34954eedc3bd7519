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
func livePageOf(t testing.TB, args ...string) string {
	t.Helper()
	return livePageOn(t, hardware{}, args...)
}

// livePageOn is livePageOf with another sound system.
func livePageOn(t testing.TB, sound soundSystem, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, in := io.Pipe()
	e := env{stdin: strings.NewReader(""), stdout: in, stderr: io.Discard, getenv: func(string) string { return "" }, now: time.Now, sound: sound, settings: t.TempDir()}
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

// A whole job from calibration to report on the page, by keyboard alone, on a bench
// that is paced by a clock. What is plugged in is another bench file. What the page
// says is what the commands say, number for number. -short leaves out the
// second cabinet and the boxes.
func TestJobOnThePage(t *testing.T) {
	if underRace {
		t.Skip("left to the plain tests: a window then takes longer than the sound of it")
	}
	benches, err := filepath.Abs("../../testdata/bench")
	if err != nil {
		t.Fatal(err)
	}
	picture, err := filepath.Abs("../../testdata/pictures/live.png")
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
	look := func(name string) {
		if folder := os.Getenv("TAPLOAD_SHOTS"); folder != "" {
			if err := os.WriteFile(filepath.Join(folder, name+".png"), p.Screenshot(), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	answers := 0
	// By keyboard alone: Tab to the step, Enter opens it, Tab to its fields.
	step := func(name string, want string, filled ...[2]string) {
		t.Helper()
		p.Wait(fmt.Sprintf("document.getElementById('do-%s') && !document.getElementById('do-%[1]s').disabled", name))
		var open bool
		if p.Eval(fmt.Sprintf("document.getElementById('step-%s').open", name), &open); !open {
			p.TabTo("title-" + name)
			p.Key("Enter")
		}
		for _, f := range filled {
			id := name + "-" + f[0]
			p.TabTo(id)
			var chosen string
			if p.Eval(fmt.Sprintf("document.getElementById(%q).tagName", id), &chosen); chosen == "INPUT" {
				p.Type(f[1])
				continue
			}
			for p.Eval("document.activeElement.value", &chosen); chosen != f[1]; p.Eval("document.activeElement.value", &chosen) {
				p.Key("ArrowDown")
			}
		}
		p.TabTo("do-" + name)
		p.Eval("document.getElementById('work').textContent = 'ordered'", nil)
		p.Key("Enter")
		p.Wait("document.getElementById('stop').hidden && document.getElementById('work').textContent !== 'ordered'")
		if said := p.Text("work"); !regexp.MustCompile(want).MatchString(said) {
			t.Fatalf("%s came to %q, want %s", name, said, want)
		}
		var bad string
		if p.Eval("document.getElementById('work').className", &bad); bad != "" {
			t.Fatalf("%s failed: %s", name, p.Text("work"))
		}
		answers++
		look(fmt.Sprintf("job-%d-%s", answers, name))
	}
	next := func(name string) {
		t.Helper()
		p.Wait(fmt.Sprintf("document.querySelector('#title-%s .next')", name))
	}
	p.Wait("/16 ohm, safe on 16/.test(document.getElementById('verdict').textContent)")
	step("job", "begun: pub", [2]string{"name", "Pub"}, [2]string{"asked", "run both cabinets"}, [2]string{"taps", "4,8,16"}, [2]string{"watts", "50"})
	next("calibrate")
	step("calibrate", "calibrated")
	next("cabinet")
	step("cabinet", "^red: rated 16 ohm", [2]string{"label", "red"}, [2]string{"marked", "16"}, [2]string{"watts", "60"})
	next("report") // which one cabinet alone allows
	if testing.Short() {
		step("report", "^red alone, without a box")
	} else {
		benchFor(t, load("second-sixteen-cabinet.toml"))
		step("cabinet", "^blue: rated 16 ohm", [2]string{"label", "blue"}, [2]string{"marked", ""}, [2]string{"watts", "60"})
		next("plan")
		step("plan", `red \|\| blue|blue \|\| red`)
		next("choose")
		step("choose", "8 ohm", [2]string{"formula", "red || blue"})
		next("sheet")
		step("sheet", "box to build")
		next("prove")
		benchFor(t, load("sixteen-ohm-cabinet.toml"))
		step("prove", "^Wrong: only cabinet red is in circuit", [2]string{"label", "first try"})
		next("prove")
		step("driver", "cone", [2]string{"label", "cone"}, [2]string{"when", asBefore})
		step("report", "pub|Chosen")
		step("cabinet", "^red: rated 16 ohm", [2]string{"label", "red"}, [2]string{"watts", "60"})
	}
	// Newest first: the sheet, what was measured, and what was said of it.
	p.Wait("document.querySelectorAll('#history a').length >= 3")
	var done []string
	p.Eval("[...document.querySelectorAll('#history li')].map((li) => li.textContent)", &done)
	whole := regexp.MustCompile(`^[0-2]\d:[0-5]\d cabinet red: 16 ohm [0-2]\d:[0-5]\d job sheet .* [0-2]\d:[0-5]\d red, since replaced .*Calibrate: `)
	if testing.Short() {
		whole = regexp.MustCompile(`^[0-2]\d:[0-5]\d job sheet [0-2]\d:[0-5]\d cabinet red: 16 ohm [0-2]\d:[0-5]\d Calibrate: `)
	}
	if list := strings.Join(done, " "); !whole.MatchString(list) {
		t.Errorf("what was done is %q, want %s", list, whole)
	}
	p.Wait("/16 ohm tap/.test(document.getElementById('detail').textContent) && document.getElementById('warnings').textContent === ''")
	if os.Getenv("TAPLOAD_UPDATE") == "pictures" {
		p.Eval("document.activeElement?.blur()", nil)
		p.Eval("scrollTo(0, 0)", nil)
		if err := os.WriteFile(picture, p.Screenshot(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, size := range [][2]int{{1920, 1080}, {390, 844}} {
		p.Size(size[0], size[1])
		look(fmt.Sprintf("job-%d", size[0]))
	}

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
	sameNumbers(t, p, "cabinet red", "fit", "red", "--job", "pub", "--details")
	if testing.Short() {
		return
	}
	sameNumbers(t, p, "proof first try", "box", "verify", "--seen", "first try", "--job", "pub", "--details")
	sameNumbers(t, p, "driver cone", "fit", j.Path(j.Drivers[0].Before), "--job", "pub", "--details")
	if len(j.Cabinets) != 2 || j.Cabinets[0].Watts != 60 || j.Cabinets[0].MarkedOhm != 16 || j.Hookup == nil || j.Hookup.Formula != "red || blue" || len(j.Proofs) != 1 || len(j.Drivers) != 1 || j.Jig == "" {
		t.Errorf("the job is %+v", j)
	}
	if _, err := os.Stat("pub/report.pdf"); err != nil {
		t.Error(err)
	}
}

var anyNumber = regexp.MustCompile(`\d+(\.\d+)?`)

// sameNumbers holds the page of an entry against what a command prints: it has
// every number of that, digit for digit.
func sameNumbers(t *testing.T, p *browsertest.Page, entry string, command ...string) {
	t.Helper()
	var out strings.Builder
	e := env{stdin: strings.NewReader(""), stdout: &out, stderr: io.Discard, getenv: func(string) string { return "" }, now: time.Now, sound: hardware{}}
	if code := run(t.Context(), command, e); code == exitError || code == exitUsage {
		t.Fatalf("%v ended with %d", command, code)
	}
	var page string
	p.Eval(fmt.Sprintf(`fetch('entry/' + encodeURIComponent(%q)).then((r) => r.text()).then((html) => new DOMParser().parseFromString(html, 'text/html').body.innerHTML.replace(/<[^>]*>/g, ' '))`, entry), &page)
	has := map[string]bool{}
	for _, n := range anyNumber.FindAllString(page, -1) {
		has[n] = true
	}
	printed := anyNumber.FindAllString(out.String(), -1)
	if len(printed) < 10 {
		t.Errorf("%v prints %d numbers", command, len(printed))
	}
	for _, n := range printed {
		if !has[n] {
			t.Errorf("%v prints %s, which the page of %q has not; it prints\n%s", command, n, entry, out.String())
			return
		}
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
	if code := clicked(t.Context(), nil, e); code != exitError {
		t.Errorf("exited with %d", code)
	}
	if text := strings.Join(strings.Fields(stderr.String()), " "); !strings.Contains(text, "cannot work in the folder tapload of your documents") || !strings.HasSuffix(text, "Press Enter to close this window.") || in.Len() == len("\nrest") {
		t.Errorf("it said %q", text)
	}
}
