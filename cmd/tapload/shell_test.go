package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
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
		writeText(t, filepath.Join(folder, name), "")
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
