//go:build linux

package windows

import (
	"bufio"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A double click opens the page in the browser and leaves no console window, and a
// job goes from the calibration to the report on it, in the documents folder.
func (m *machine) doubleClick(t *testing.T) {
	m.compile("testdata/browser.c", m.path("browser.exe"), "-municode")
	clicked := *m
	clicked.env = append(clicked.env, `BROWSER=C:\browser.exe`)
	over := make(chan outcome, 1)
	go func() { over <- clicked.console(t, stage, []string{program}) }()
	soon := func(name string) string {
		t.Helper()
		for range 600 {
			if data, err := os.ReadFile(m.path(name)); err == nil && strings.HasSuffix(string(data), "\n") {
				return strings.TrimSpace(string(data))
			}
			time.Sleep(100 * time.Millisecond)
		}
		t.Fatalf("there is no %s", name)
		return ""
	}
	page := soon("address.txt")
	if !strings.HasPrefix(page, "http://127.0.0.1:") {
		t.Fatalf("the browser was given %q", page)
	}
	p := newVisitor(t, page)
	if text := p.get(""); !strings.Contains(text, "<html") {
		t.Errorf("the page is %.200q", text)
	}
	if got := soon("console.txt"); got != "none" {
		t.Errorf("the console is %s", got)
	}
	for _, s := range []struct {
		step   string
		filled url.Values
		want   string
	}{
		{"bench", url.Values{"card": {"none: an invented cabinet on a virtual bench"}, "sense": {"10"}, "within": {"1%"}}, "invented cabinet"},
		{"job", url.Values{"name": {"Bühne"}, "taps": {"4,8,16"}, "watts": {"50"}}, "begun"},
		{"calibrate", url.Values{"known": {"10"}, "within": {"1%"}}, "calibrated"},
		{"cabinet", url.Values{"label": {"rot"}, "watts": {"60"}}, "rot"},
		{"plan", nil, "rot"},
		{"report", nil, ""},
	} {
		if got := p.do(s.step, s.filled); !strings.Contains(got, s.want) {
			t.Errorf("%s came to %q, want %q in it", s.step, got, s.want)
		}
	}
	sheets, err := filepath.Glob(m.path("users", "*", "Documents", "tapload", "*", "report.pdf"))
	if err != nil || len(sheets) != 1 {
		t.Errorf("the job sheets are %v, %v", sheets, err)
	}
	p.leave()
	select {
	case got := <-over: // half a minute after the page was closed
		if got.code != 0 {
			t.Errorf("it exited with %d: %q", got.code, got.stdout)
		}
	case <-time.After(time.Minute):
		t.Error("it goes on after the page was closed")
	}
}

// visitor is who has the page open.
type visitor struct {
	t     *testing.T
	page  string
	lines *bufio.Scanner
	leave func()
}

func newVisitor(t *testing.T, page string) *visitor {
	t.Helper()
	r, err := http.Get(page + "events")
	if err != nil {
		t.Fatal(err)
	}
	v := &visitor{t: t, page: page, lines: bufio.NewScanner(r.Body), leave: func() { r.Body.Close() }}
	v.lines.Buffer(nil, 1<<20)
	t.Cleanup(v.leave)
	return v
}

func (v *visitor) get(path string) string {
	v.t.Helper()
	r, err := http.Get(v.page + path)
	if err != nil {
		v.t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		v.t.Fatalf("%s: %s, %v", path, r.Status, err)
	}
	return string(text)
}

// do does a step and returns what it came to.
func (v *visitor) do(step string, filled url.Values) string {
	v.t.Helper()
	r, err := http.PostForm(v.page+"do/"+step, filled)
	if err != nil {
		v.t.Fatal(err)
	}
	text, _ := io.ReadAll(r.Body)
	r.Body.Close()
	if r.StatusCode != http.StatusAccepted {
		v.t.Fatalf("%s: %s: %s", step, r.Status, text)
	}
	for v.lines.Scan() {
		var w struct {
			Step    string
			Running bool
			OK      bool
			Says    string
		}
		data, is := strings.CutPrefix(v.lines.Text(), "data: ")
		if !is || json.Unmarshal([]byte(data), &w) != nil || w.Step != step || w.Running {
			continue
		}
		if !w.OK {
			v.t.Fatalf("%s came to: %s", step, w.Says)
		}
		return w.Says
	}
	v.t.Fatalf("%s: the page ended: %v", step, v.lines.Err())
	return ""
}
