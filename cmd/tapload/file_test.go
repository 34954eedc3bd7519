package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
)

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

func mustBe(t *testing.T, path, want string) {
	t.Helper()
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Errorf("%s holds %q, want %q", path, got, want)
	}
}

func TestWriteFiles(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
	if err := writeFiles(file{path: a, write: text("one")}, file{path: b, write: text("two")}); err != nil {
		t.Fatal(err)
	}
	mustBe(t, a, "one")
	mustBe(t, b, "two")
	if got := names(t, dir); !slices.Equal(got, []string{"a", "b"}) {
		t.Errorf("the folder holds %v", got)
	}

	if err := writeFiles(file{path: a, write: text("new")}); err != nil {
		t.Error(err)
	}
	mustBe(t, a, "new")
	mustBe(t, a+"~", "one")
	if err := writeFiles(file{path: a, force: true, write: text("newest")}); err != nil {
		t.Error(err)
	}
	mustBe(t, a, "newest")
	mustBe(t, a+"~", "one")
}

// TestWriteFilesFails: when one of several files cannot be written, none is,
// what was there stays, and nothing else is left behind.
func TestWriteFilesFails(t *testing.T) {
	cause := errors.New("no ink")
	broken := func(w io.Writer) error {
		if _, err := w.Write(make([]byte, 1<<20)); err != nil {
			return err
		}
		return cause
	}
	dir := t.TempDir()
	old := filepath.Join(dir, "old")
	if err := os.WriteFile(old, []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	err := writeFiles(
		file{path: filepath.Join(dir, "first"), write: text("whole")},
		file{path: old, force: true, write: broken},
	)
	if !errors.Is(err, cause) || !strings.Contains(err.Error(), "old") {
		t.Errorf("the error %v does not carry cause and file", err)
	}
	mustBe(t, old, "old")
	if got := names(t, dir); !slices.Equal(got, []string{"old"}) {
		t.Errorf("the folder holds %v", got)
	}
}

func TestFileCheck(t *testing.T) {
	dir := t.TempDir()
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		dir:                                "folder",
		filepath.Join(dir, "no", "x.json"): "there is no folder",
		filepath.Join(plain, "x.json"):     "not a",
	} {
		if err := (file{path: path}).check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want something with %q", path, err, want)
		}
	}
	if runtime.GOOS == "linux" {
		if err := (file{path: "/dev/null", force: true}).check(); err == nil {
			t.Error("a device would have been replaced by a file")
		}
	}
}

func TestWriteFilesKeepsLinks(t *testing.T) {
	dir := t.TempDir()
	target, link := filepath.Join(dir, "target"), filepath.Join(dir, "link")
	if err := os.WriteFile(target, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("target", link); err != nil {
		t.Skip(err)
	}
	if err := writeFiles(file{path: link, force: true, write: text("new")}); err != nil {
		t.Fatal(err)
	}
	mustBe(t, target, "new")
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is %v, %v", info, err)
	}
}
