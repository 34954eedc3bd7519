package guide

import (
	"context"
	"errors"
	"strings"
	"testing"
)

// typed runs a guide on answers and returns the screen, and what it ran.
func typed(t *testing.T, answers ...string) (screen string, ran [][]string) {
	t.Helper()
	t.Chdir(t.TempDir())
	var out strings.Builder
	err := Run(t.Context(), World{
		In: strings.NewReader(strings.Join(answers, "\n") + "\n"), Out: &out,
		Run:       func(_ context.Context, args []string) bool { ran = append(ran, args); return false },
		Cards:     func() ([]Card, error) { return nil, errors.New("there is no card") },
		Bench:     func() (string, error) { return "bench.toml", nil },
		Number:    func(s, unit string) error { return nil },
		Taps:      func(string) error { return nil },
		Load:      func(string) error { return nil },
		Exchanged: func(string, string) string { return "" },
	})
	if err != nil {
		t.Fatal(err)
	}
	return out.String(), ran
}

// A guide ends with what is typed, and leaves a job half asked.
func TestGuideIsLeft(t *testing.T) {
	screen, ran := typed(t, "3", "q", "1", "1", "q", "q")
	if n := strings.Count(screen, "What is to be done?"); n != 3 || len(ran) > 0 {
		t.Errorf("the menu stands %d times, ran %q:\n%s", n, ran, screen)
	}
}

// A check that fails ends the measurement: nothing else is run.
func TestMeasureStopsAtAFailedCheck(t *testing.T) {
	screen, ran := typed(t, "1", "1", "22", "q")
	if len(ran) != 1 || strings.Join(ran[0], " ") != "check --sense-ohm 22 --bench bench.toml" {
		t.Errorf("ran %q", ran)
	}
	for _, want := range []string{"there is no card", "  tapload check --sense-ohm 22 --bench bench.toml", "Mend that first"} {
		if !strings.Contains(screen, want) {
			t.Errorf("the screen does not say %q:\n%s", want, screen)
		}
	}
}
