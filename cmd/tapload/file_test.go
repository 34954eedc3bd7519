package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
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

// When the last of several files does not get its name, those before it are what
// they were: the one that was kept, and the one that was not there.
func TestWriteFilesTurnsBack(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if err := os.WriteFile(in("old"), []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	inTheWay := func(io.Writer) error { return os.MkdirAll(in("last/inner"), 0o777) }
	err := writeFiles(file{path: in("old"), write: text("x")}, file{path: in("new"), write: text("x")}, file{path: in("last"), force: true, write: inTheWay})
	if err == nil || !strings.HasPrefix(err.Error(), "cannot write "+in("last")+": ") || strings.Contains(err.Error(), ".part") {
		t.Errorf("got %v", err)
	}
	mustBe(t, in("old"), "old")
	if got := names(t, dir); !slices.Equal(got, []string{"last", "old"}) {
		t.Errorf("the folder holds %v", got)
	}
}

// A command hears before it does its work that a folder takes no files.
func TestCheckFolder(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("needs a folder that not even its owner may write to")
	}
	refused := false
	for _, folder := range []string{"/sys", "/proc"} { // in a chroot the first may be an ordinary one
		f, err := os.CreateTemp(folder, "")
		if err == nil {
			f.Close()
			os.Remove(f.Name())
			continue
		}
		refused = true
		var why syscall.Errno
		if !errors.As(err, &why) {
			t.Fatal(err)
		}
		path := folder + "/x.sweep.json"
		if err, want := (file{path: path}).check(), fmt.Sprintf("cannot write %s: %v", path, why); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	if !refused {
		t.Error("every folder takes files")
	}
	dir := t.TempDir()
	if err := (file{path: filepath.Join(dir, "x")}).check(); err != nil {
		t.Error(err)
	}
	if got := names(t, dir); len(got) > 0 {
		t.Errorf("the folder holds %v", got)
	}
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
