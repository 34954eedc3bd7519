package screen

import (
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// TestFold: folding only ever turns spaces into line breaks, and no line is
// too long that a space could have broken.
func TestFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[a-z±]{1,12}( [a-z±]{1,12}){0,30}`).Draw(t, "s")
		width := rapid.IntRange(16, 80).Draw(t, "width")
		out := Fold(s, width)
		if back := strings.ReplaceAll(out, "\n  ", " "); back != s {
			t.Fatalf("%q came back as %q", s, back)
		}
		for _, line := range strings.Split(out, "\n") {
			if n := utf8.RuneCountInString(line); n > width {
				t.Fatalf("line of %d characters at width %d: %q", n, width, line)
			}
		}
	})
	if s := "one two"; Fold(s, 0) != s {
		t.Error("no terminal, but the text was folded")
	}
}
