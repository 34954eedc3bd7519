package demo

import (
	"context"
	"fmt"
	"io"
	"strings"
	"testing"
)

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
