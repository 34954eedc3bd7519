// Package hostile holds readers of files to what they owe whoever meets a bad one:
// no panic, little time and memory, and one sentence that says what is wrong.
package hostile

import (
	"fmt"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"tapload/measure/oneline"
)

// What one file may take. The time is that of a busy machine.
const (
	mostTime  = time.Second
	mostBytes = 200 << 20
	mostRunes = 300
)

// goWords are those of a program, not of a bench.
var goWords = regexp.MustCompile(`strconv|unmarshal|Unmarshal|\bGo\b|struct|json:|toml:|reflect|<nil>|runtime|panic|float64|int64|map\[|%!|NaN \+|\{RR`)

// Read runs a reader on a text that it may take or refuse.
func Read(t testing.TB, text string, read func(text string) error) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	start := time.Now()
	err := read(text)
	took := time.Since(start)
	runtime.ReadMemStats(&after)
	if took > mostTime {
		t.Errorf("%.60q took %v", text, took)
	}
	if n := after.TotalAlloc - before.TotalAlloc; n > mostBytes {
		t.Errorf("%.60q took %d MB", text, n>>20)
	}
	if err == nil {
		return
	}
	said := err.Error()
	switch {
	case utf8.RuneCountInString(said) > mostRunes:
		t.Errorf("%.60q: %d characters: %s", text, utf8.RuneCountInString(said), said)
	case goWords.MatchString(said):
		t.Errorf("%.60q: words of a program: %s", text, said)
	case oneline.Plain(said) != nil:
		t.Errorf("%.60q: %q %v", text, said, oneline.Plain(said))
	}
}

var (
	jsonKey  = regexp.MustCompile(`"([a-z_0-9]+)":\s*`)
	tomlKey  = regexp.MustCompile(`(?m)^\s*([a-z_0-9]+)\s*=\s*`)
	jsonBad  = []string{`null`, `-1`, `0`, `1e999`, `NaN`, `{}`, `[]`, `[[1]]`, `"x"`, `"a\nb"`, `"\u202e"`, `true`, `[null]`, ``}
	tomlBad  = []string{`-1`, `0`, `nan`, `inf`, `1e999`, `{}`, `[]`, `[[1]]`, `"x"`, `"a\nb"`, `"\u202E"`, `true`, `99999999999999999999`, `1979-05-27`, ``}
	anything = []string{"", "\ufeff", "\xff", "null", "[]", "{}", "0", "\x00", "\"", strings.Repeat("[", 50000), strings.Repeat("{\"a\":", 50000), "a = " + strings.Repeat("[", 50000),
		strings.Repeat("a.", 50000) + "b = 1", "a = " + strings.Repeat("{a=", 50000), `{"label": "` + strings.Repeat("x", 1<<20) + `"}`}
)

// JSON returns texts that are wrong in one place each, made of a sound one.
func JSON(sound string) []string {
	return append(spoilt(sound, jsonKey, jsonBad), "{"+strings.Repeat(`"a":1,`, 300_000)+`"b":1}`)
}

// TOML is JSON for files that people write.
func TOML(sound string) []string {
	var many strings.Builder
	for i := range 300_000 {
		fmt.Fprintf(&many, "k%d = 1\n", i)
	}
	return append(spoilt(sound, tomlKey, tomlBad), many.String(), "[percent]\n"+many.String())
}

// spoilt puts each bad value ahead of the value of each key, where it stands in
// place of it in a text that was cut there, and beside it in one that was not.
func spoilt(sound string, key *regexp.Regexp, bad []string) []string {
	all := append([]string{sound, "\ufeff" + strings.ReplaceAll(sound, "\n", "\r\n"), sound[:len(sound)/2], sound + sound}, anything...)
	seen := map[string]bool{}
	for _, at := range key.FindAllStringSubmatchIndex(sound, -1) {
		name := sound[at[2]:at[3]]
		if seen[name] {
			continue
		}
		seen[name] = true
		end := at[1] + valueEnd(sound[at[1]:])
		for _, value := range bad {
			all = append(all, sound[:at[1]]+value+sound[end:])
		}
		all = append(all, sound[:at[2]]+"unknown"+sound[at[3]:], sound[:at[1]])
	}
	return all
}

// valueEnd is where the value at the start of s ends.
func valueEnd(s string) int {
	depth, quoted := 0, false
	for i, c := range s {
		switch {
		case c == '"' && (i == 0 || s[i-1] != '\\'):
			quoted = !quoted
		case quoted:
		case c == '[' || c == '{':
			depth++
		case c == ']' || c == '}':
			if depth--; depth < 0 {
				return i
			}
		case depth == 0 && (c == ',' || c == '\n'):
			return i
		}
	}
	return len(s)
}
