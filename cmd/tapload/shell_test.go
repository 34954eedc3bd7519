package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapload/cmd/tapload/internal/screen"
)

// shellWords splits a command line as a POSIX shell would that stands in that
// folder: quotes, backslashes, comments and patterns of file names. What else
// a shell makes of a line (variables, pipes, redirections, several commands) is
// an error, so that nothing is shown that needs it.
func shellWords(line, folder string) ([]string, error) {
	var words []string
	var word, pattern strings.Builder // the pattern has what was quoted escaped
	begun, wild := false, false
	put := func(c byte, quoted bool) {
		begun = true
		word.WriteByte(c)
		if quoted && strings.IndexByte(`*?[\`, c) >= 0 {
			pattern.WriteByte('\\')
		}
		pattern.WriteByte(c)
		wild = wild || !quoted && strings.IndexByte("*?[", c) >= 0
	}
	end := func() error {
		if !begun {
			return nil
		}
		found := []string{word.String()}
		if wild {
			all, err := filepath.Glob(filepath.Join(folder, pattern.String()))
			if err != nil {
				return fmt.Errorf("pattern %s: %w", pattern.String(), err)
			}
			if len(all) > 0 {
				found = all
			}
			for i, path := range found {
				if rel, err := filepath.Rel(folder, path); err == nil && len(all) > 0 {
					found[i] = rel
				}
			}
			slices.Sort(found)
		}
		words = append(words, found...)
		word.Reset()
		pattern.Reset()
		begun, wild = false, false
		return nil
	}
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case c == ' ' || c == '\t':
			if err := end(); err != nil {
				return nil, err
			}
		case c == '#' && !begun:
			return words, nil
		case c == '\'':
			begun = true
			n := strings.IndexByte(line[i+1:], '\'')
			if n < 0 {
				return nil, errors.New("a ' has no other end")
			}
			for _, q := range []byte(line[i+1 : i+1+n]) {
				put(q, true)
			}
			i += n + 1
		case c == '"':
			begun = true
			for i++; ; i++ {
				if i >= len(line) {
					return nil, errors.New(`a " has no other end`)
				}
				if line[i] == '"' {
					break
				}
				if line[i] == '$' || line[i] == '`' {
					return nil, fmt.Errorf("a shell takes the %q for itself", line[i])
				}
				if line[i] == '\\' && i+1 < len(line) && strings.IndexByte("\\\"$`", line[i+1]) >= 0 {
					i++
				}
				put(line[i], true)
			}
		case c == '\\' && i+1 < len(line):
			if i++; line[i] != '\n' {
				put(line[i], true)
			}
		case strings.IndexByte("|&;<>()$`\n\\", c) >= 0 || c == '~' && !begun:
			return nil, fmt.Errorf("a shell takes the %q for itself", c)
		default:
			put(c, false)
		}
	}
	return words, end()
}

func TestShellWords(t *testing.T) {
	folder := t.TempDir()
	for _, name := range []string{"b.x", "a.x", "c.y"} {
		if err := os.WriteFile(filepath.Join(folder, name), nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for line, want := range map[string][]string{
		`a  b	c`:                {"a", "b", "c"},
		`"a + b" 'c || d'`:      {"a + b", "c || d"},
		`a="left cab.x" ''`:     {"a=left cab.x", ""},
		`"\"\\\$\q"`:            {`"\$\q`},
		"a \\\n    b":           {"a", "b"},
		`a\ b`:                  {"a b"},
		`a   # b "`:             {"a"},
		`a#b`:                   {"a#b"},
		`*.x`:                   {"a.x", "b.x"},
		`'*.x' "*.x" \*.x`:      {"*.x", "*.x", "*.x"},
		`*.z`:                   {"*.z"},
		`--tap 4,8,16 [NAME=]X`: {"--tap", "4,8,16", "[NAME=]X"},
	} {
		got, err := shellWords(line, folder)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %q, %v; want %q", line, got, err, want)
		}
	}
	for _, line := range []string{`a || b`, `(a + b)`, `$HOME`, `"$a"`, "`a`", `a > b`, `a; b`, `a & b`, `~/x`, `'a`, `"a`, "a\nb"} {
		if got, err := shellWords(line, folder); err == nil {
			t.Errorf("%s: %q, want an error", line, got)
		}
	}
}

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
		if got := screen.Posix(c.word); got != c.posix {
			t.Errorf("%q is %s for a POSIX shell, want %s", c.word, got, c.posix)
		}
		if got := screen.Prompt(c.word); got != c.prompt {
			t.Errorf("%q is %s on Windows, want %s", c.word, got, c.prompt)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.StringOf(rapid.SampledFrom([]rune(`ab ü\"'|,`))), 1, 4).Draw(t, "words")
		var posix, prompt []string
		for _, w := range words {
			posix, prompt = append(posix, screen.Posix(w)), append(prompt, screen.Prompt(w))
		}
		if got, err := shellWords(strings.Join(posix, " "), ""); err != nil || !slices.Equal(got, words) {
			t.Errorf("%q: a POSIX shell makes %q, %v", words, got, err)
		}
		if got := argvOf(strings.Join(prompt, " ")); !slices.Equal(got, words) {
			t.Errorf("%q: Windows makes %q of %s", words, got, strings.Join(prompt, " "))
		}
	})
}

// What the demonstration shows can be pasted into a shell as it stands.
func TestDemoCommandsCanBeTyped(t *testing.T) {
	shown := 0
	lines := strings.Split(demonstration(t).screen, "\n")
	for i := range lines {
		line, is := strings.CutPrefix(lines[i], "$ ")
		for is && strings.HasSuffix(line, `\`) {
			i++
			line = strings.TrimSuffix(line, `\`) + lines[i]
		}
		if !is {
			continue
		}
		shown++
		words, err := shellWords(line, t.TempDir())
		if err != nil || words[0] != "tapload" && words[0] != "cd" {
			t.Errorf("shown as %q, which is %q (%v)", line, words, err)
		}
	}
	if shown < 30 {
		t.Errorf("%d commands are shown", shown)
	}
}

func TestFilesOf(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.Mkdir("sub", 0o777); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"a.json", "b.json", filepath.Join("sub", "c.json"), "odd*.json", "oddly.json"} {
		if err := os.WriteFile(name, nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct{ args, want []string }{
		{[]string{"?.json", "sub/*.json"}, []string{"a.json", "b.json", filepath.Join("sub", "c.json")}},
		{[]string{"b.json", "none*.json", "a=?.json"}, []string{"b.json", "none*.json", "a=?.json"}},
		{[]string{"odd*.json"}, []string{"odd*.json"}},
		{nil, nil},
	} {
		if got := filesOf(c.args); !slices.Equal(got, c.want) {
			t.Errorf("%q are %q, want %q", c.args, got, c.want)
		}
	}
}
