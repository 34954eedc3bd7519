package main

import (
	"context"
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
