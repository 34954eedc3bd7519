package shelltest_test

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"tapload/cmd/tapload/internal/shelltest"
)

func TestWords(t *testing.T) {
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
		got, err := shelltest.Words(line, folder)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %q, %v; want %q", line, got, err, want)
		}
	}
	for _, line := range []string{`a || b`, `(a + b)`, `$HOME`, `"$a"`, "`a`", `a > b`, `a; b`, `a & b`, `~/x`, `'a`, `"a`, "a\nb"} {
		if got, err := shelltest.Words(line, folder); err == nil {
			t.Errorf("%s: %q, want an error", line, got)
		}
	}
}
