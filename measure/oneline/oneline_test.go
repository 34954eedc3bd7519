package oneline

import (
	"encoding/json"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// A label with a line break began a line of a page as if the program said it.
func TestCheckRefuses(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"a\nrated 8 ohm; safe", "holds a line break (U+000A)"}, {"a\u2028b", "holds a line break (U+2028)"}, {"a\u0085b", "holds a line break (U+0085)"},
		{"\x1b[2J", "holds a control character (U+001B)"}, {"\u009b31m", "holds a control character (U+009B)"}, {"a\tb", "holds a control character (U+0009)"},
		{"cab \u202e8", "holds a mark of writing direction (U+202E)"}, {"\u2066a", "holds a mark of writing direction (U+2066)"}, {"\u200fa", "holds a mark of writing direction (U+200F)"},
		{strings.Repeat("ä", Most+1), "has 201 characters; write at most 200"}, {"a\xff", "is not valid UTF-8"},
	} {
		if err := Check(c.text); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %s", c.text, err, c.want)
		}
	}
	for _, sound := range []string{"", strings.Repeat("ä", Most), "2x12, \"top\" — Ω", "כלי", "吉他箱"} {
		if err := Check(sound); err != nil {
			t.Errorf("%q: %v", sound, err)
		}
	}
}

// A name of 29 bytes that are no text was cut to 40 characters, and its 116 of
// escapes made a sentence too long; 40 of U+10FFFF would have made 400.
func TestQuoteIsCutAsItShows(t *testing.T) {
	full := strings.Repeat("x", mostShown)
	for _, c := range []struct{ text, want string }{
		{"", `""`}, {"Ω 8", `"Ω 8"`}, {full, `"` + full + `"`}, {full + "a", `"` + full + `..."`}, {"\xff\u202e8 ohm", `"\xff\u202e8 ohm"`},
		{strings.Repeat("\xce", 29), `"` + strings.Repeat(`\xce`, 10) + `..."`}, {strings.Repeat("\U0010ffff", 40), `"` + strings.Repeat(`\U0010ffff`, 4) + `..."`},
		{full[1:] + "\xff", `"` + full[1:] + `..."`}, {full[1:] + `"`, `"` + full[1:] + `..."`},
	} {
		if got := Quote(c.text); got != c.want {
			t.Errorf("%q: %s, want %s", c.text, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := strings.Repeat(rapid.String().Draw(t, "words"), 5)
		shown := Quote(s)
		if n := utf8.RuneCountInString(shown) - len(`""`); n > mostShown && (n > mostShown+len("...") || !strings.HasSuffix(shown, `..."`)) {
			t.Fatalf("%s has %d characters", shown, n)
		}
		if Plain(shown) != nil {
			t.Fatalf("%q: %v", shown, Plain(shown))
		}
		if back, err := strconv.Unquote(shown); err != nil || back != s && !strings.HasPrefix(s, strings.TrimSuffix(back, "...")) {
			t.Fatalf("%s is no beginning of %q", shown, s)
		}
	})
}

// Whatever words hold, what goes out passes Check, has the lines it had, and as JSON
// reads back the same.
func TestWaysOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOfN(rapid.Rune(), 0, 40, -1).Draw(t, "words")
		if out := Harmless(s); Check(out) != nil || Harmless(out) != out {
			t.Fatalf("%q became %q: %v", s, out, Check(out))
		}
		page := "one\n" + s + "\ntwo\n"
		if out := string(HarmlessText([]byte(page))); strings.Count(out, "\n") != strings.Count(page, "\n") || Plain(strings.ReplaceAll(out, "\n", "")) != nil {
			t.Fatalf("%q became %q", page, out)
		}
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var back string
		if text = Escape(text); Plain(string(text)) != nil || json.Unmarshal(text, &back) != nil || back != s {
			t.Fatalf("%q became %s", s, text)
		}
	})
}
