package guide

import (
	"context"
	"errors"
	"strings"
	"testing"

	"tapload/measure/quantity"
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
		Kept:      func() (string, bool, error) { return "", false, nil },
		Number:    func(string, quantity.Unit) error { return nil },
		Percent:   func(string) error { return nil },
		Taps:      func(string) error { return nil },
		Load:      func(s string) (string, error) { name, _, _ := strings.Cut(s, "="); return name, nil },
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

// A check that fails ends the measurement, nothing else is run, and what was
// answered is proposed again.
func TestMeasureStopsAtAFailedCheck(t *testing.T) {
	screen, ran := typed(t, "1", "1", "22", "", "1", "", "", "", "q")
	if len(ran) != 2 || strings.Join(ran[1], " ") != "check --sense-ohm 22 --sense-tolerance 1% --bench bench.toml" {
		t.Errorf("ran %q", ran)
	}
	for _, want := range []string{"there is no card", "  tapload check --sense-ohm 22 --sense-tolerance 1% --bench bench.toml", "Mend that first", "Sense resistor in ohm [22]: "} {
		if !strings.Contains(screen, want) {
			t.Errorf("the screen does not say %q:\n%s", want, screen)
		}
	}
}

// Enter ends a list of cabinets and adds none that nobody has; two of one name are
// refused when they are typed. The next job proposes them again.
func TestCabinetsAreThoseThatWereNamed(t *testing.T) {
	screen, ran := typed(t, "3", "", "a=8", "a=16", "b=16", "", "2", "", "100", "4", "", "a + b", "", "q")
	want := []string{"plan a=8 b=16 --amp solid-state --amp-min-ohm 4 --watts 100", "box sheet a + b a=8 b=16 -o box.pdf"}
	if len(ran) != 2 || strings.Join(ran[0], " ") != want[0] || strings.Join(ran[1], " ") != want[1] {
		t.Errorf("ran %q", ran)
	}
	for _, want := range []string{"An answer is needed here", "That names a twice", "Use a=8 and b=16 as before? [yes]"} {
		if !strings.Contains(screen, want) {
			t.Errorf("the screen does not say %q:\n%s", want, screen)
		}
	}
}
