package demo

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"tapload/cmd/tapload/internal/screen"
	"tapload/cmd/tapload/internal/shelltest"
)

// What the demonstration shows can be pasted into a shell as it stands.
func TestDemoCommandsCanBeTyped(t *testing.T) {
	for _, s := range steps() {
		for _, c := range s.commands {
			line := strings.ReplaceAll(strings.Join(screen.Command("$ ", c.args), "\n"), "\\\n", "")
			words, err := shelltest.Words(strings.TrimPrefix(line, "$ "), t.TempDir())
			if want := append([]string{"tapload"}, c.args...); err != nil || !slices.Equal(words, want) {
				t.Errorf("shown as %q, which is %q (%v)", line, words, err)
			}
		}
	}
}

// A step that ends otherwise than it must stops the demonstration, and says
// which and why.
func TestDemoStopsAtAStepThatFails(t *testing.T) {
	var out strings.Builder
	run := func(_ context.Context, _ []string, _, stderr io.Writer) int {
		fmt.Fprintln(stderr, "tapload: there is no record none.sweep.json")
		return 1
	}
	err := command{args: []string{"fit", "none.sweep.json"}, code: failed}.do(context.Background(), run, &page{w: &out})
	if err == nil || !strings.Contains(err.Error(), `"tapload fit none.sweep.json" exited with 1, and the demonstration needs 3: tapload: `) {
		t.Error(err)
	}
}
