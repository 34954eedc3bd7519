package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A cabinet comes from the bench to the job's sheet in few words. Which card plays is
// not counted: that is of the bench, and not of the job.
func TestFewWords(t *testing.T) {
	bench, err := filepath.Abs("../../testdata/bench/unmarked-cabinet.toml")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	typed := 0
	for _, line := range []string{
		"tapload job new pub --tap 4,8,16 --watts 50",
		"tapload sweep --label red --job pub",
		"tapload report --job pub",
	} {
		typed += len(line)
		args := strings.Fields(line)[1:]
		if args[0] == "sweep" {
			args = append(args, "--bench", bench, "--low", "20", "--period", "1")
		}
		e, stdout, stderr := testEnv()
		if code := run(context.Background(), args, e); code != exitDone {
			t.Fatalf("%s exited with %d: %s", line, code, stderr)
		}
		if args[0] == "report" && !strings.HasPrefix(stdout.String(), "red alone, without a box, on the 8 ohm tap: matched.") {
			t.Errorf("the sheet says %q", stdout)
		}
	}
	if typed > 102 {
		t.Errorf("%d characters are typed for a job of one cabinet; they were 102", typed)
	}
}

// What went wrong: a label that is too long was shown as it is, or named a file that no
// system takes.
func TestLongLabelsAreCut(t *testing.T) {
	folder := t.TempDir()
	hall, bench := filepath.Join(folder, "hall"), filepath.Join(folder, "b.toml")
	if err := os.WriteFile(bench, []byte(resistorBench), 0o666); err != nil {
		t.Fatal(err)
	}
	rec := filepath.Join(folder, "cab.sweep.json")
	atOnce(t, []string{"job", "new", hall})
	atOnce(t, []string{"sweep", "--bench", bench, "--low", "20", "--period", "1", "-o", rec}, []string{"job", "add", "cabinet", "cab", "--rated-ohm", "8", "--job", hall})
	long, short := strings.Repeat("x", 250), strings.Repeat("x", 40)+"... "
	for _, c := range []struct {
		want string
		args []string
	}{
		{"tapload: cannot add cabinet " + short + "has 250 characters; write at most 200", []string{"add", "cabinet", long, "--rated-ohm", "8"}},
		{"tapload: cannot add the proof " + short + "has 250 characters; write at most 200", []string{"add", "proof", long, "--seen", rec}},
		{"tapload: cannot add driver " + short + "has 250 characters; write at most 200", []string{"add", "driver", long, "--before", rec}},
		{"tapload: there is no cabinet " + short + "in " + hall, []string{"remove", "cabinet", long}},
		{"tapload: there is no driver " + short + "in " + hall, []string{"replace", "driver", long, "--after", rec}},
		{"tapload: cannot rename cabinet cab as xxx", []string{"rename", "cabinet", "cab", long}},
	} {
		e, _, stderr := testEnv()
		code := run(t.Context(), append([]string{"job", "--job", hall}, c.args...), e)
		words := strings.ReplaceAll(strings.Join(strings.Fields(stderr.String()), " "), "...: ", "... ")
		if code != exitError || !strings.HasPrefix(words, c.want) || strings.Contains(words, strings.Repeat("x", 81)) {
			t.Errorf("%.30q exited with %d: %s", c.args, code, words)
		}
	}
	if left := names(t, hall); len(left) != 1 {
		t.Errorf("the folder holds %v", left)
	}
}
