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
	return guidedOn(t, env{sound: noCards{}}, folder, answers...)
}

// guidedOn is guided with the sound cards and the settings of e.
func guidedOn(t *testing.T, e env, folder string, answers ...string) string {
	t.Helper()
	t.Chdir(folder)
	var out, log strings.Builder
	e.stdin, e.stdout, e.stderr = strings.NewReader(strings.Join(answers, "\n")+"\n"), &out, &log
	e.talks, e.getenv, e.now = true, os.Getenv, time.Now
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
		"1", "8,5", "10", "", // the virtual bench, 10 ohm after a comma, 1 %
		"",                                              // no calibration
		"left cab",                                      // what is measured
		"1", "1", "", "", "no", "left cab", "right cab", // once more, under a name that is taken first
		"2", "1", "16", "", // what is it, marked 16 ohm
		"3", "", "2", "", "", "4,8,16", "50", // plan with both
		"4", "no", "a=8,5", "a=8", "b=none.json", "b=8", "", "a +", "a + b", "box.txt", "box.pdf", // what makes no sense first
		"6", "", "", // compare the last two, in the order of their times
		"q",
	)
	for _, want := range []string{
		"must be a number from 1 to 6",
		"8,5: do you mean 8.5?",
		"tapload check --sense-ohm 10 --sense-tolerance 1% --bench invented-cabinet.toml",
		"tapload sweep --bench invented-cabinet.toml --sense-ohm 10 --sense-tolerance 1% --label 'left cab' --plot left-cab.png",
		"left cab: rated 8 ohm; safe on an 8 ohm tap; ",
		"Written: left-cab.sweep.json and left-cab.png. Next: number 2",
		`names files that are there already; take another, such as "left cab 2"`,
		"a=8,5: do you mean 8.5?", "there is no file none.json here",
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
	screen = guided(t, folder, "6", "2", "1", "", "q") // the later one is said to be before
	if !strings.Contains(screen, "before is younger than after: exchanged?") || !strings.Contains(screen, "tapload compare early.sweep.json left-cab.sweep.json") {
		t.Error(screen)
	}
	if err := os.Remove(filepath.Join(folder, "early.sweep.json")); err != nil {
		t.Fatal(err)
	}

	// Nothing is replaced unasked; what the guide runs is what the command does.
	screen = guided(t, folder, "4", "a=8", "b=8", "", "a || b", "", "", "other.pdf", "q")
	if !strings.Contains(screen, "box.pdf is there already; replace it? [no]") || !strings.Contains(screen, "-o other.pdf") {
		t.Error(screen)
	}
	var alone, log strings.Builder
	e := env{stdout: &alone, stderr: &log, getenv: os.Getenv, now: time.Now}
	run(context.Background(), []string{"fit", "left-cab.sweep.json"}, e)
	if screen = guided(t, folder, "2", "1", "", "", "q"); !strings.Contains(screen, alone.String()) {
		t.Errorf("the guide shows another page than the command:\n%s\n%s", screen, alone.String())
	}
}

// The first time the guide offers to keep the bench; from then on an unmarked
// cabinet is known by its rating and tap after eight keys, Enter among them.
func TestGuideKeepsTheBench(t *testing.T) {
	benches, err := filepath.Abs("../../testdata/bench")
	if err != nil {
		t.Fatal(err)
	}
	settings := t.TempDir()
	e := env{sound: standIn{args: []string{"check"}, benches: benches}, settings: settings}
	screen := guidedOn(t, e, t.TempDir(), "1", "1", "", "0.1%", "", "", "", "red", "q")
	for _, want := range []string{
		"Keep this bench, so that none of this is asked again? [yes]",
		"tapload setup --card 'USB Audio' --sense-ohm 10 --sense-tolerance 0.1%",
		"tapload sweep --label red --plot red.png",
	} {
		if !strings.Contains(screen, want) {
			t.Errorf("the screen does not say %q:\n%s", want, screen)
		}
	}
	answers := []string{"1", "", "", "red"} // number 1, that bench, the load is connected, its name
	keys := 0
	for _, a := range answers {
		keys += len(a) + len("\n")
	}
	if screen = guidedOn(t, e, t.TempDir(), append(answers, "q")...); !strings.Contains(screen, "red: rated 8 ohm; safe on an 8 ohm tap; ") || keys > 8 {
		t.Errorf("after %d keys:\n%s", keys, screen)
	}
	if !strings.Contains(screen, "Measure with card USB Audio, sense resistor 10 ohm within 0.1 %? [yes]") {
		t.Errorf("the guide does not say what it measures with:\n%s", screen)
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
	t.Setenv("TAPLOAD_CONFIG", t.TempDir())
	c := exec.CommandContext(t.Context(), script, "-qec", "tapload", "/dev/null")
	c.Stdin = strings.NewReader("q\n")
	text, err := c.CombinedOutput()
	if err != nil || !strings.Contains(string(text), "What is to be done?") {
		t.Errorf("in a terminal: %v, %s", err, text)
	}
	if text, err := exec.CommandContext(t.Context(), "tapload").CombinedOutput(); err != nil || !strings.Contains(string(text), "Usage:") {
		t.Errorf("without a terminal: %v, %s", err, text)
	}
}
