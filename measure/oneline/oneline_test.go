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

// What went wrong: labels that show nothing, and pairs that look alike, passed for
// characters that are seen.
func TestLabelsShowWhatTheyHold(t *testing.T) {
	const nothing, hidden = "shows nothing; write at least one letter or digit, or leave it out", "holds a character that shows nothing (U+%s); write it anew, of characters that are seen"
	for text, want := range map[string]string{
		" \u00a0 ": nothing, "\u00a0\u3000": nothing, "\u2800": nothing, "\u115f\u1160": nothing, "\u034f": nothing, "\ufe0f": nothing, "\U000e0100": nothing,
		"\u3164": "3164", "a\u3164": "3164", "\uffa0": "FFA0", "\u200b": "200B", "cab\u200b 1": "200B", "\ufeffcab": "FEFF", "cab\ufeff": "FEFF", "a\u2060b": "2060", "a\u2063b": "2063",
		"Laut\u00adsprecher": "00AD", "\U000e0041": "E0041", "a\U000e0041": "E0041", "\U000e0001": "E0001", "cab\u200d": "200D", "a\u200cb": "200C", "\u200d": "200D", "8\u200d": "200D",
	} {
		if want != nothing {
			want = strings.Replace(hidden, "%s", want, 1)
		}
		if err := Check(text); err == nil || err.Error() != want {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
	for _, sound := range []string{
		"", " ", "a b", "8", "-", "Ω", "吉他箱", "스피커", "e\u0301", "\u0301", "\u1112\u1161", // Hangul of its parts
		"\u0645\u06cc\u200c\u062e", "\u0915\u094d\u200d\u0937", "\u0e01\u200b\u0e02", // Persian, Hindi, Thai
		"\u2764\ufe0f", "\U0001f469\u200d\U0001f3a4", "\U0001f469\U0001f3fd\u200d\U0001f3a4", "\U0001f3f4\U000e0067\U000e0062\U000e007f", "1\ufe0f\u20e3",
	} {
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

// Whatever words hold, what goes out passes Plain, has the lines it had, and as JSON
// reads back the same.
func TestWaysOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOfN(rapid.Rune(), 0, 40, -1).Draw(t, "words")
		if out := Harmless(s); Plain(out) != nil || Harmless(out) != out {
			t.Fatalf("%q became %q: %v", s, out, Plain(out))
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
