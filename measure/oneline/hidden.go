package oneline

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
)

// shows returns what is wrong with a label that shows nothing at all, or holds a
// character that shows nothing and that no script has where it stands: two labels
// that look alike would be two things. Blanks of the keyboard are as good as
// nothing written, which who asks for a label refuses.
func shows(s string) error {
	some, last := strings.Trim(s, " ") == "", rune(0)
	for _, r := range s {
		if hidden(last, r) {
			return fmt.Errorf("holds a character that shows nothing (U+%04X); write it anew, of characters that are seen", r)
		}
		some = some || inked(r)
		last = r
	}
	if !some {
		return errors.New("shows nothing; write at least one letter or digit, or leave it out")
	}
	return nil
}

// inked tells whether r leaves a mark by itself.
func inked(r rune) bool {
	switch r {
	case '\u034f', '\u115f', '\u1160', '\u17b4', '\u17b5', '\u2800': // joiners and fillers, the blank of Braille
		return false
	}
	return unicode.IsGraphic(r) && !unicode.IsSpace(r) && !unicode.Is(unicode.Variation_Selector, r)
}

// joining are the scripts that join or part letters by a character that is not
// seen, and spaceless those that part words by one (Unicode Standard, 23.2).
var (
	joining   = []*unicode.RangeTable{unicode.Arabic, unicode.Syriac, unicode.Mongolian, unicode.Devanagari, unicode.Bengali, unicode.Gurmukhi, unicode.Gujarati, unicode.Oriya, unicode.Tamil, unicode.Telugu, unicode.Kannada, unicode.Malayalam, unicode.Sinhala, unicode.Khmer, unicode.Myanmar, unicode.Tibetan}
	spaceless = []*unicode.RangeTable{unicode.Thai, unicode.Lao, unicode.Khmer, unicode.Myanmar, unicode.Tibetan}
)

// hidden tells whether r shows nothing and has no business behind last, which is 0
// at the beginning. Signs of more than one character (emoji) are a script here.
func hidden(last, r rune) bool {
	sign := unicode.Is(unicode.So, last) || last >= 0x1f3fb && last <= 0x1f3ff // a colour of skin
	switch {
	case r == '\u200b':
		return !unicode.In(last, spaceless...)
	case r == '\u200c' || r == '\u200d':
		return !sign && !unicode.In(last, joining...) && !unicode.Is(unicode.Mn, last)
	case r >= 0xe0020 && r <= 0xe007f: // the letters of a flag
		return last != 0x1f3f4 && (last < 0xe0020 || last > 0xe007f)
	}
	switch r {
	case '\u00ad', '\u180e', '\u3164', '\ufeff', '\uffa0', 0xe0001:
		return true
	}
	return r >= '\u2060' && r <= '\u206f'
}
