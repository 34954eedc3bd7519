// Package shelltest takes command lines apart as a shell would, for tests of what
// the program and its documents show.
package shelltest

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
)

// Words splits a command line as a POSIX shell would that stands in that
// folder: quotes, backslashes, comments and patterns of file names. What else
// a shell makes of a line (variables, pipes, redirections, several commands) is
// an error, so that nothing is shown that needs it.
func Words(line, folder string) ([]string, error) {
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
