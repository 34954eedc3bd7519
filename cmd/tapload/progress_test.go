package main

import (
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"tapload/measure/card"
)

var escape = regexp.MustCompile(`\x1b\[[0-9;]*[A-Za-z]`)

func playAll(p *progress) {
	for ms := 0; ms <= 12000; ms += 100 {
		p.report(card.Progress{
			Done: time.Duration(ms) * time.Millisecond, Total: 12 * time.Second,
			Peak: [2]float64{0.25, 1e-9},
		})
	}
	p.end()
}

func TestProgressOnATerminal(t *testing.T) {
	e, _, stderr := testEnv()
	e.columns = 80
	playAll(newProgress(e))
	out := stderr.String()
	if strings.Contains(out, "\n") {
		t.Error("the redrawn line moved down")
	}
	frames := strings.Split(out, "\r")
	for _, f := range frames {
		// A line as wide as the terminal makes some of them wrap.
		if n := utf8.RuneCountInString(escape.ReplaceAllString(f, "")); n >= 80 {
			t.Fatalf("line of %d characters: %q", n, f)
		}
	}
	if last := frames[len(frames)-1]; last != "\x1b[K" {
		t.Errorf("the line was left behind as %q", last)
	}
	for _, want := range []string{" 12.0 s left", "  0.0 s left", "-12.0", "-180.0"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q was never shown", want)
		}
	}
}

func TestProgressHonoursNoColor(t *testing.T) {
	for _, noColor := range []string{"", "1"} {
		e, _, stderr := testEnv()
		e.columns = 80
		e.getenv = func(name string) string {
			if name == "NO_COLOR" {
				return noColor
			}
			return ""
		}
		playAll(newProgress(e))
		if colored := strings.Contains(stderr.String(), "m-180.0"); colored != (noColor == "") {
			t.Errorf("NO_COLOR=%q: colour %v", noColor, colored)
		}
	}
}

func TestProgressInAPipe(t *testing.T) {
	e, _, stderr := testEnv()
	playAll(newProgress(e))
	out := stderr.String()
	if strings.ContainsAny(out, "\r\x1b") {
		t.Errorf("control characters in a pipe: %q", out)
	}
	lines := strings.Split(strings.TrimSuffix(out, "\n"), "\n")
	if len(lines) != 5 || lines[4] != "playing: 12.0 of 12.0 s, V1 -12.0 dBFS, V2 -180.0 dBFS" {
		t.Errorf("the lines are %q", lines)
	}
}
