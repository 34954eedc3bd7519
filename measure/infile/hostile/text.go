package hostile

import (
	"math/rand/v2"
	"strconv"
	"strings"
	"unicode/utf16"
)

// numbers are those that a number may be replaced with, as they are written.
var numbers = []string{
	"0", "-0", "-1", "1", "2", "3", "0.5", "7", "1e-320", "5e-324", "1e-30", "1e-12", "0.001", "1000", "1e9", "1e19", "1e30", "1e39", "1e154", "1e308", "1.7976931348623157e308", "1e309", "-1e308", "1e999", "-1e999", "4294967296", "2147483648", "9007199254740993", "9223372036854775807", "9223372036854775808", "-9223372036854775808",
	"99999999999999999999", "18446744073709551616", "1_000", "0x1p4", "0x10", "0b1", "0o7", "010", "+1", "1.", ".5", "1e", "1,5", "1.5.2", "NaN", "nan", "-nan", "Inf", "inf", "+inf", "-inf", "Infinity", "∞", "８", "1e+", "--1", "1 2", "1/2", "0.1 + 0.2", "1" + strings.Repeat("0", 400), "0." + strings.Repeat("0", 400) + "1", strings.Repeat("9", 20_000),
}

// texts are those that a text may be replaced with, as they stand between quotes.
var texts = []string{
	"", " ", "x", "8", "8 ohm", "8k", "null", "true", `a\nb`, "a\nb", "a\tb", `\u202e`, "\u202e8", `\u0000`, "\x00", `\ud800`, `\ud83d\ude00`, "\x1b[2J", `\u001b[31m`, "\xff", "\xc3", "\xed\xa0\x80", "\u2028", "\u0085", "\ufeff", "\u200b", "\u3164", "“X”", "8Ω", "\x1a", `\"`, `\`, `\x`, `"`, "'", "'''", `"""`, "<script>", "%s%d%n",
	"../../etc/passwd", "/dev/zero", `C:\\x`, "nul", "a/b", ".", "..", "-o", "--help", "a=b", "$(id)", "1979-05-27", "2026-13-40T99:99:99Z", "2026-03-01T14:05:00Z", strings.Repeat("x", 250), strings.Repeat("é", 5000), strings.Repeat("x", 100_000), strings.Repeat("\u0301", 300),
	strings.Repeat("\xce", 60), strings.Repeat("\U0010ffff", 60), strings.Repeat("\u00ad", 190), // escapes are longer than what they stand for
}

// badValues are values of no key.
var badValues = append([]string{`null`, `{}`, `[]`, `[[1]]`, `[null]`, `[1, "x"]`, `{"a": 1}`, `{a = 1}`, `"x"`, `""`, `true`, `false`, `True`, ``, ` `, `undefined`, `1979-05-27`, `07:32:00`, `'x'`, `"`, `[1,]`, `{,}`, `//`, `#`, `/* */ 1`, "\"\xff\"", `"a\nb"`, `"\u202E"`}, numbers...)

// otherScalar is another value for one that is written so.
func otherScalar(r *rand.Rand, text string) string {
	if x, err := strconv.ParseFloat(text, 64); err == nil && r.IntN(4) > 0 {
		if r.IntN(3) == 0 {
			return pick(r, numbers)
		}
		return strconv.FormatFloat(x*pick(r, []float64{-1, 0, 1e-9, 1e-3, 0.5, 0.999999, 1.000001, 2, 10, 1e3, 1e6, 1e9, 1e18, 1e160, 1e300}), 'g', -1, 64)
	}
	if strings.HasPrefix(text, `"`) && r.IntN(4) > 0 {
		inside := strings.Trim(text, `"`)
		return `"` + pick(r, []string{pick(r, texts), inside + pick(r, texts), pick(r, texts) + inside, strings.ToUpper(inside), inside[:len(inside)/2], inside + inside}) + `"`
	}
	return pick(r, badValues)
}

// Bytes makes malformed files of no structure that is known here.
func Bytes(r *rand.Rand, sound []string) string {
	text := pick(r, sound)
	for range geometric(r) {
		text = changeText(r, text, sound)
	}
	return text
}

// changeText changes a text as such, wherever it may be.
func changeText(r *rand.Rand, text string, others []string) string {
	at := r.IntN(len(text) + 1)
	if r.IntN(2) == 0 { // where something begins or ends
		if i := strings.IndexAny(text[at:], "{}[]()\",:;=\n #!|+&"); i >= 0 {
			at += i + r.IntN(2)
		}
	}
	to := at + r.IntN(min(len(text)-at, 40)+1)
	switch r.IntN(16) {
	case 0, 1:
		return text[:at]
	case 2:
		return text[:at] + text[to:]
	case 3:
		return text[:to] + text[at:]
	case 4:
		return text[at:]
	case 5:
		other := pick(r, others)
		return text[:at] + other[r.IntN(len(other)+1):]
	case 6, 7:
		return text[:at] + pick(r, texts) + text[at:]
	case 8:
		return text[:at] + pick(r, badValues) + text[to:]
	case 9:
		if at == len(text) {
			return text + "\x00"
		}
		return text[:at] + string([]byte{text[at] ^ 1<<r.IntN(8)}) + text[at+1:]
	case 10:
		return text[:at] + string([]byte{byte(r.IntN(256)), byte(r.IntN(256))}) + text[at:]
	case 11:
		return pick(r, []string{"\ufeff", "\ufeff\ufeff", "\xff\xfe", "\x00", " ", "\n", "#!/bin/sh\n", "{", "["}) + text[:at] + pick(r, texts) + text[at:]
	case 12:
		return strings.ReplaceAll(text[:at], "\n", pick(r, []string{"\r\n", "\r", "\n\n", "\u2028", "\v"})) + text[to:]
	case 13:
		return text + pick(r, append([]string{"}", "]", ",", "\x00", "\n" + text, text[at:]}, badValues...))
	case 14:
		return strings.ReplaceAll(text, pick(r, []string{",", ".", ":", "\"", "=", " ", "1", "e"}), pick(r, texts[:40]))
	default:
		wide := utf16.Encode([]rune(text[:at]))
		b := make([]byte, 0, 2*len(wide))
		for _, c := range wide {
			b = append(b, byte(c), byte(c>>8))
		}
		return string(b)
	}
}
