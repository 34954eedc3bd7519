package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"tapload/measure/card/portaudio"
)

// noCards is a sound system without a card.
type noCards struct{ hardware }

func (noCards) list() ([]portaudio.Info, string, error) { return nil, "", nil }

// guided types answers into a guide in a folder and returns the screen.
func guided(t *testing.T, folder string, answers ...string) string {
	t.Helper()
	t.Chdir(folder)
	var out, log strings.Builder
	e := env{stdin: strings.NewReader(strings.Join(answers, "\n") + "\n"), stdout: &out, stderr: &log, talks: true, getenv: os.Getenv, now: time.Now, sound: noCards{}}
	if code := run(context.Background(), nil, e); code != exitDone {
		t.Fatalf("ended with %d: %s\n%s", code, log.String(), out.String())
	}
	return strings.ReplaceAll(out.String(), " \\\n    ", " ") // a command on one line
}

// From nothing to a hookup, a box and a comparison, as somebody would type it.
func TestGuide(t *testing.T) {
	folder := t.TempDir()
	screen := guided(t, folder,
		"?", "9", "1", // explained, no such job, measure
		"1", "", // the virtual bench, 10 ohm
		"",                              // no calibration
		"left cab",                      // what is measured
		"1", "1", "", "no", "right cab", // once more
		"2", "1", "16", // what is it, marked 16 ohm
		"3", "", "", "", "4,8,16", "50", // plan with both
		"4", "a=8", "b=8", ".", "a +", "a + b", "box.txt", "box.pdf", // a formula and a file that make no sense first
		"6", "1", "1", // compare
		"q",
	)
	for _, want := range []string{
		"must be a number from 1 to 6",
		"tapload check --sense-ohm 10 --bench invented-cabinet.toml",
		"tapload sweep --bench invented-cabinet.toml --label 'left cab' -o left-cab.sweep.json --plot left-cab.png --sense-ohm 10",
		"tapload fit left-cab.sweep.json --marked-ohm 16",
		"tapload plan left-cab=left-cab.sweep.json right-cab=right-cab.sweep.json --tap 4,8,16 --watts 50",
		"2 hookups of 2 loads",
		"That is no hookup: ", "must end in .pdf and .html",
		"tapload box sheet 'a + b' a=8 b=8 -o box.pdf",
		"tapload compare left-cab.sweep.json right-cab.sweep.json",
		"Pass: ",
	} {
		if !strings.Contains(screen, want) {
			t.Errorf("the screen does not say %q", want)
		}
	}
	for _, name := range []string{"left-cab.sweep.json", "left-cab.png", "box.pdf"} {
		if _, err := os.Stat(filepath.Join(folder, name)); err != nil {
			t.Error(err)
		}
	}

	// Records in the wrong order are asked about.
	record, err := os.ReadFile(filepath.Join(folder, "right-cab.sweep.json"))
	if err != nil {
		t.Fatal(err)
	}
	early := regexp.MustCompile(`"taken": "\d+`).ReplaceAll(record, []byte(`"taken": "2001`))
	if err := os.WriteFile(filepath.Join(folder, "early.sweep.json"), early, 0o666); err != nil {
		t.Fatal(err)
	}
	screen = guided(t, folder, "6", "2", "1", "", "q")
	if !strings.Contains(screen, "before is younger than after: exchanged?") || !strings.Contains(screen, "tapload compare early.sweep.json left-cab.sweep.json") {
		t.Error(screen)
	}
	if err := os.Remove(filepath.Join(folder, "early.sweep.json")); err != nil {
		t.Fatal(err)
	}

	// Nothing is replaced unasked; what the guide runs is what the command does.
	screen = guided(t, folder, "4", "a=8", "b=8", ".", "a || b", "", "", "other.pdf", "q")
	if !strings.Contains(screen, "box.pdf is there already; replace it? [no]") || !strings.Contains(screen, "-o other.pdf") {
		t.Error(screen)
	}
	var alone, log strings.Builder
	e := env{stdout: &alone, stderr: &log, getenv: os.Getenv, now: time.Now}
	run(context.Background(), []string{"fit", "left-cab.sweep.json"}, e)
	if screen = guided(t, folder, "2", "1", "", "q"); !strings.Contains(screen, alone.String()) {
		t.Errorf("the guide shows another page than the command:\n%s\n%s", screen, alone.String())
	}
}

// In a terminal the program talks; in a pipe it prints its help.
func TestGuideNeedsATerminal(t *testing.T) {
	var out, log strings.Builder
	e := env{stdin: strings.NewReader("1\n"), stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
	if code := run(context.Background(), nil, e); code != exitDone || !strings.Contains(out.String(), "Usage:") || strings.Contains(out.String(), "What is to be done") {
		t.Errorf("in a pipe: %d, %s", code, out.String())
	}
	script, err := exec.LookPath("script")
	if err != nil {
		t.Skip("there is no program \"script\" (Debian package bsdutils) to make a terminal with")
	}
	bin := filepath.Join(t.TempDir(), "tapload")
	if text, err := exec.CommandContext(t.Context(), "go", "build", "-buildvcs=false", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	c := exec.CommandContext(t.Context(), script, "-qec", bin, "/dev/null")
	c.Stdin = strings.NewReader("q\n")
	text, err := c.CombinedOutput()
	if err != nil || !strings.Contains(string(text), "What is to be done?") {
		t.Errorf("in a terminal: %v, %s", err, text)
	}
	if text, err := exec.CommandContext(t.Context(), bin).CombinedOutput(); err != nil || !strings.Contains(string(text), "Usage:") {
		t.Errorf("without a terminal: %v, %s", err, text)
	}
}
