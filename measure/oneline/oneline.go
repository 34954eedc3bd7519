// Package oneline keeps labels, names and notes to what they look like: words on
// one line. A line break in a label could begin a line of a page as if the program
// said it, and an escape sequence or a mark of direction rewrite one that it did.
package oneline

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Most is how many characters a label, name or note may have.
const Most = 200

// Check returns what is wrong with a label, name or note, in words that go on
// after its place; nil for nothing.
func Check(s string) error {
	if n := utf8.RuneCountInString(s); n > Most {
		return fmt.Errorf("has %d characters; write at most %d", n, Most)
	}
	if err := Plain(s); err != nil {
		return err
	}
	return shows(s)
}

// Plain is Check for words of any length, which may show nothing.
func Plain(s string) error {
	if !utf8.ValidString(s) {
		return errors.New("is not valid UTF-8; write it anew as plain text")
	}
	for _, r := range s {
		if what := unseen(r); what != "" {
			return fmt.Errorf("holds %s (U+%04X); write it on one line, of characters that are seen", what, r)
		}
	}
	return nil
}

// unseen says what r is if it shows nothing and changes what stands around it; ""
// for all others. Directions are those of Unicode's annex 9.
func unseen(r rune) string {
	switch {
	case r == '\n' || r == '\r' || r == '\v' || r == '\f' || r == '\u0085' || r == '\u2028' || r == '\u2029':
		return "a line break"
	case unicode.IsControl(r):
		return "a control character"
	case unicode.Is(unicode.Bidi_Control, r):
		return "a mark of writing direction"
	}
	return ""
}

// mostShown is how many characters of something a sentence shows.
const mostShown = 40

// Short is s as a sentence shows it, cut where it has more than 40 characters.
func Short(s string) string { return Cut(s, mostShown) }

// Cut is s where it has at most so many characters, and else its beginning.
func Cut(s string, most int) string {
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most]) + "..."
}

// Quote is Short between quotes, with an escape for each character that is not
// seen. An escape has up to ten characters, so that to cut s first would not do.
func Quote(s string) string {
	room := mostShown
	for at := 0; at < len(s); {
		_, size := utf8.DecodeRuneInString(s[at:])
		if room -= utf8.RuneCountInString(strconv.Quote(s[at:at+size])) - len(`""`); room < 0 {
			return strings.TrimSuffix(strconv.Quote(s[:at]), `"`) + `..."`
		}
		at += size
	}
	return strconv.Quote(s)
}

// Harmless returns words of one line with a space for each character that Plain
// refuses.
func Harmless(s string) string { return strings.Map(shown, s) }

func shown(r rune) rune {
	if unseen(r) != "" {
		return ' '
	}
	return r
}

// HarmlessText is Harmless for the lines of a finished page or picture, which stay
// lines.
func HarmlessText(text []byte) []byte {
	return bytes.Map(func(r rune) rune {
		if r == '\n' {
			return r
		}
		return shown(r)
	}, text)
}

// Escape returns JSON with what Plain refuses as \u escapes, which read back the
// same. JSON has them within its strings alone.
func Escape(json []byte) []byte {
	var b bytes.Buffer
	for _, r := range string(json) {
		if unseen(r) != "" {
			fmt.Fprintf(&b, "\\u%04x", r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.Bytes()
}
