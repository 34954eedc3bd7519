package main

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

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
