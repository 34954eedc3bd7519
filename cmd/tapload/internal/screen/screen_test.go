package screen

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"tapload/cmd/tapload/internal/shelltest"
)

// argvOf takes a command line of Windows apart as its programs do: rules as the
// system's documentation of command-line arguments gives them (from memory).
func argvOf(line string) []string {
	var args []string
	var word strings.Builder
	begun, quoted, slashes := false, false, 0
	flush := func(n int) { word.WriteString(strings.Repeat(`\`, n)); slashes = 0 }
	for _, r := range line {
		if r == '\\' {
			slashes, begun = slashes+1, true
			continue
		}
		if r == '"' {
			n := slashes
			flush(n / 2)
			begun = true
			if n%2 == 1 {
				word.WriteRune('"')
			} else {
				quoted = !quoted
			}
			continue
		}
		flush(slashes)
		if r == ' ' && !quoted {
			if begun {
				args = append(args, word.String())
			}
			word.Reset()
			begun = false
			continue
		}
		begun = true
		word.WriteRune(r)
	}
	flush(slashes)
	if begun {
		args = append(args, word.String())
	}
	return args
}

// What is quoted comes out of either shell as it went in.
func TestShellQuotes(t *testing.T) {
	for _, c := range []struct{ word, posix, prompt string }{
		{"cab", "cab", "cab"},
		{"", "''", `""`},
		{"two words", "'two words'", `"two words"`},
		{"4,8,16", "4,8,16", `"4,8,16"`},
		{"a || b", "'a || b'", `"a || b"`},
		{`jobs\hall`, `'jobs\hall'`, `jobs\hall`},
		{`my jobs\`, `'my jobs\'`, `"my jobs\\"`},
		{"Bühne", "'Bühne'", "Bühne"},
		{"it's", `'it'\''s'`, `"it's"`},
		{"0.1%", "0.1%", `"0.1%"`},
	} {
		if got := posixWord(c.word); got != c.posix {
			t.Errorf("%q is %s for a POSIX shell, want %s", c.word, got, c.posix)
		}
		if got := promptWord(c.word); got != c.prompt {
			t.Errorf("%q is %s on Windows, want %s", c.word, got, c.prompt)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.StringOf(rapid.SampledFrom([]rune(`ab ü\"'|,`))), 1, 4).Draw(t, "words")
		var posix, prompt []string
		for _, w := range words {
			posix, prompt = append(posix, posixWord(w)), append(prompt, promptWord(w))
		}
		if got, err := shelltest.Words(strings.Join(posix, " "), ""); err != nil || !slices.Equal(got, words) {
			t.Errorf("%q: a POSIX shell makes %q, %v", words, got, err)
		}
		if got := argvOf(strings.Join(prompt, " ")); !slices.Equal(got, words) {
			t.Errorf("%q: Windows makes %q of %s", words, got, strings.Join(prompt, " "))
		}
	})
}

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
