package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
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

func save(files ...File) error {
	return Write(nil, files...)
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

func TestWrite(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
	if err := save(File{Path: a, Write: text("one")}, File{Path: b, Write: text("two")}); err != nil {
		t.Fatal(err)
	}
	mustBe(t, a, "one")
	mustBe(t, b, "two")
	if got := names(t, dir); !slices.Equal(got, []string{"a", "b"}) {
		t.Errorf("the folder holds %v", got)
	}

	if err := save(File{Path: a, Write: text("new")}); err != nil {
		t.Error(err)
	}
	mustBe(t, a, "new")
	mustBe(t, a+"~", "one")
	if err := save(File{Path: a, Force: true, Write: text("newest")}); err != nil {
		t.Error(err)
	}
	mustBe(t, a, "newest")
	mustBe(t, a+"~", "one")
}

// When the last of several files does not get its name, those before it are what
// they were: the one that was kept, and the one that was not there.
func TestWriteTurnsBack(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if err := os.WriteFile(in("old"), []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	inTheWay := func(io.Writer) error { return os.MkdirAll(in("last/inner"), 0o777) }
	err := save(File{Path: in("old"), Write: text("x")}, File{Path: in("new"), Write: text("x")}, File{Path: in("last"), Force: true, Write: inTheWay})
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
		if err, want := (File{Path: path}).Check(), fmt.Sprintf("cannot write %s: %v", path, why); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	if !refused {
		t.Error("every folder takes files")
	}
	dir := t.TempDir()
	if err := (File{Path: filepath.Join(dir, "x")}).Check(); err != nil {
		t.Error(err)
	}
	if got := names(t, dir); len(got) > 0 {
		t.Errorf("the folder holds %v", got)
	}
}

// TestWriteFails: when one of several files cannot be written, none is,
// what was there stays, and nothing else is left behind.
func TestWriteFails(t *testing.T) {
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
	err := save(
		File{Path: filepath.Join(dir, "first"), Write: text("whole")},
		File{Path: old, Force: true, Write: broken},
	)
	if !errors.Is(err, cause) || !strings.Contains(err.Error(), "old") {
		t.Errorf("the error %v does not carry cause and file", err)
	}
	mustBe(t, old, "old")
	if got := names(t, dir); !slices.Equal(got, []string{"old"}) {
		t.Errorf("the folder holds %v", got)
	}
}

func TestCheck(t *testing.T) {
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
		if err := (File{Path: path}).Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want something with %q", path, err, want)
		}
	}
	if runtime.GOOS == "linux" {
		if err := (File{Path: "/dev/null", Force: true}).Check(); err == nil {
			t.Error("a device would have been replaced by a file")
		}
	}
}

func TestLinkStays(t *testing.T) {
	dir := t.TempDir()
	target, link := filepath.Join(dir, "target"), filepath.Join(dir, "link")
	if err := os.WriteFile(target, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("target", link); err != nil {
		t.Skip(err)
	}
	if err := save(File{Path: link, Force: true, Write: text("new")}); err != nil {
		t.Fatal(err)
	}
	mustBe(t, target, "new")
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is %v, %v", info, err)
	}
}

// Through a link to another file system the new measurement was deleted, and the
// old one was under another name than was told.
func TestThroughLinks(t *testing.T) {
	far, dir := t.TempDir(), t.TempDir()
	if shared, err := os.MkdirTemp("/dev/shm", ""); err == nil {
		defer os.RemoveAll(shared)
		far = shared
	}
	target, link := filepath.Join(far, "target"), filepath.Join(dir, "link")
	if err := os.Symlink(target, link); err != nil {
		t.Skip(err)
	}
	for i, want := range []string{"one", "two"} { // at first it leads to nothing yet
		var kept []Kept
		if err := Write(func(k []Kept, _ error) { kept = k }, File{Path: link, Write: text(want)}); err != nil {
			t.Fatal(err)
		}
		mustBe(t, target, want)
		if i == 1 {
			if len(kept) != 1 || kept[0] != (Kept{link, target + "~"}) {
				t.Errorf("kept is %v", kept)
			}
			mustBe(t, target+"~", "one")
		}
	}
	if got := names(t, dir); !slices.Equal(got, []string{"link"}) {
		t.Errorf("the folder holds %v", got)
	}
	round := filepath.Join(dir, "round")
	if err := os.Symlink("round", round); err != nil {
		t.Fatal(err)
	}
	if err := (File{Path: round}).Check(); err == nil || !strings.HasPrefix(err.Error(), "cannot write "+round+": ") {
		t.Errorf("got %v", err)
	}
}

// A file that only its owner may read was readable to all when it was replaced.
func TestModeStays(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("files have the rights of their folder here")
	}
	path := filepath.Join(t.TempDir(), "a")
	if err := os.WriteFile(path, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := save(File{Path: path, Write: text("new")}); err != nil {
			t.Fatal(err)
		}
	}
	for _, path := range []string{path, path + "~"} {
		if info, err := os.Stat(path); err != nil || info.Mode() != 0o600 {
			t.Errorf("%s: %v, %v", path, info.Mode(), err)
		}
	}
}

// That there was no room, and that the earlier file could not be kept, was learnt
// after the measurement.
func TestCheckKnowsBefore(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a")
	room := 0
	full := disk{before: func(call string) error {
		if call == "write" {
			if room -= 1 << 16; room < 0 {
				return syscall.ENOSPC
			}
		}
		return nil
	}}
	room = 2 << 20
	if err := full.check(File{Path: path, Measured: true}); err != nil {
		t.Error(err)
	}
	room = 2 << 20
	if err, want := full.check(File{Path: path, Size: 4 << 20}), "cannot write "+path+": "+syscall.ENOSPC.Error(); err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	if err := errors.Join(os.WriteFile(path, nil, 0o666), os.Mkdir(path+"~", 0o777)); err != nil {
		t.Fatal(err)
	}
	if err := (File{Path: path}).Check(); err == nil || !strings.Contains(err.Error(), path+"~, which is a folder") {
		t.Errorf("got %v", err)
	}
	if got := names(t, dir); !slices.Equal(got, []string{"a", "a~"}) {
		t.Errorf("the folder holds %v", got)
	}
}

// Two results for one file left only the second. What went wrong: so did two whose
// folder was named once by itself and once by a link to it.
func TestTwoForOneName(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
	if err := os.Symlink("a", b); err != nil {
		t.Skip(err)
	}
	alias := filepath.Join(t.TempDir(), "alias")
	if err := os.Symlink(dir, alias); err != nil {
		t.Fatal(err)
	}
	for _, other := range []string{b, dir + "/./a", filepath.Join(alias, "a")} {
		if err := save(File{Path: a, Write: text("x")}, File{Path: other, Write: text("y")}); err == nil || !strings.Contains(err.Error(), "name two files") {
			t.Errorf("%s: %v", other, err)
		}
	}
	if got := names(t, dir); !slices.Equal(got, []string{"b"}) {
		t.Errorf("the folder holds %v", got)
	}
}

// A measurement stays in its place where only the picture beside it fails, and two
// that have none do not replace each other.
func TestMeasuredIsKept(t *testing.T) {
	dir, home := t.TempDir(), t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("USERPROFILE", home)
	record := File{Path: filepath.Join(dir, "cab.sweep.json"), Measured: true, Write: text("curve")}
	err := save(record, File{Path: filepath.Join(dir, "no", "cab.png"), Write: text("picture")})
	if err == nil || !strings.HasSuffix(err.Error(), "; what was measured is in "+record.Path) {
		t.Errorf("got %v", err)
	}
	mustBe(t, record.Path, "curve")
	record.Path = filepath.Join(dir, "no", "cab.sweep.json")
	for _, name := range []string{"cab.sweep.json", "cab-2.sweep.json"} {
		err := save(record)
		if want := "there is no folder " + filepath.Join(dir, "no") + "; what was measured is in " + filepath.Join(home, name); err == nil || !strings.HasSuffix(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
		mustBe(t, filepath.Join(home, name), "curve")
	}
}

// at does something just before the first call of a kind.
func at(call string, do func()) disk {
	done := false
	return disk{before: func(now string) error {
		if now == call && !done {
			done = true
			do()
		}
		return nil
	}}
}

// What went wrong: of two measurements that went to one file at the same time one was
// lost, and both were said to be written.
func TestTwoAtOnce(t *testing.T) {
	for _, c := range []struct {
		call    string
		earlier bool
	}{{"claim", false}, {"sync", false}, {"rename", true}, {"sync folder", true}} {
		path := filepath.Join(t.TempDir(), "a")
		if c.earlier {
			if err := save(File{Path: path, Write: text("old")}); err != nil {
				t.Fatal(err)
			}
		}
		other := func() {
			if err := save(File{Path: path, Write: text("other's")}); err != nil {
				t.Error(err)
			}
		}
		kept, err := at(c.call, other).write([]File{{Path: path, Measured: true, Write: text("mine")}})
		if err != nil || len(kept) != 1 || kept[0] != (Kept{path, path + "~"}) {
			t.Errorf("%+v: %v, %v", c, kept, err)
		}
		mustBe(t, path, "mine")
		mustBe(t, path+"~", "other's")
		if got := names(t, filepath.Dir(path)); len(got) != 2 {
			t.Errorf("%+v: the folder holds %v", c, got)
		}
	}
}

// Where no file has two names, another's is still seen, and a measurement goes
// elsewhere where one goes on replacing it.
func TestTwoAtOnceWithoutLinks(t *testing.T) {
	home := t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("USERPROFILE", home)
	path := filepath.Join(t.TempDir(), "a.b")
	d := disk{before: func(call string) error {
		switch call {
		case "claim":
			_ = os.WriteFile(path, []byte("other's"), 0o666)
			return syscall.EPERM
		case "link":
			return syscall.EPERM
		case "sync folder": // between the kept one and the new one
			_ = os.Remove(path)
			_ = os.WriteFile(path, []byte("another's"), 0o666)
		}
		return nil
	}}
	_, err := d.write([]File{{Path: path, Measured: true, Write: text("mine")}})
	moved, is := errors.AsType[*Rescued](err)
	if !is || !strings.HasPrefix(err.Error(), "cannot write "+path+": another program writes it at the same time; ") {
		t.Fatalf("%v", err)
	}
	mustBe(t, path, "another's")
	mustBe(t, moved.Path, "mine")
}

// What went wrong: of two jobs that were begun in one folder at the same time one was
// lost, and through a link to nothing one was begun elsewhere.
func TestNew(t *testing.T) {
	dir := t.TempDir()
	path, link := filepath.Join(dir, "a"), filepath.Join(dir, "link")
	other := func() {
		if err := save(File{Path: path, Write: text("other's")}); err != nil {
			t.Error(err)
		}
	}
	mine := File{Path: path, New: true, Write: text("mine")}
	want := "cannot write " + path + ": something of that name is there already; look what it is, and take it away"
	for _, d := range []disk{at("claim", other), {}} {
		if _, err := d.write([]File{mine}); !errors.Is(err, fs.ErrExist) || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
		mustBe(t, path, "other's")
	}
	if err := os.Symlink(filepath.Join(dir, "far"), link); err != nil {
		t.Skip(err)
	}
	mine.Path = link
	if err := save(mine); !errors.Is(err, fs.ErrExist) {
		t.Errorf("%v", err)
	}
	if got := names(t, dir); !slices.Equal(got, []string{"a", "link"}) {
		t.Errorf("the folder holds %v", got)
	}
}

// What went wrong: a folder that one had made, and took away when it had nothing to
// put there, was gone when another wrote there.
func TestMakes(t *testing.T) {
	dir := t.TempDir()
	folder := filepath.Join(dir, "records")
	f := File{Path: filepath.Join(folder, "a"), Makes: true, Measured: true, Write: text("mine")}
	if err := f.Check(); err != nil {
		t.Error(err)
	}
	if got := names(t, dir); len(got) > 0 {
		t.Errorf("a look made %v", got)
	}
	gone := at("create", func() {
		if err := os.Remove(folder); err != nil {
			t.Error(err)
		}
	})
	if _, err := gone.write([]File{f}); err != nil {
		t.Error(err)
	}
	mustBe(t, f.Path, "mine")
	f.Path = filepath.Join(dir, "no", "records", "a")
	if err := f.Check(); err == nil {
		t.Error("a folder in a folder that is not there can be made")
	}
}

// What went wrong: where a measurement must not go was asked before it was made, and
// it went there all the same when that had come to be meanwhile.
func TestMayIsAskedLast(t *testing.T) {
	dir, home := t.TempDir(), t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("USERPROFILE", home)
	var no error
	f := File{Path: filepath.Join(dir, "a.b"), Measured: true, Write: text("mine"), May: func() error { return no }}
	if err := f.Check(); err != nil {
		t.Error(err)
	}
	no = errors.New("it is elsewhere now")
	err := save(f)
	if want := "cannot write " + f.Path + ": it is elsewhere now; what was measured is in " + filepath.Join(home, "a.b"); err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
	if got := names(t, dir); len(got) > 0 {
		t.Errorf("the folder holds %v", got)
	}
}

// What went wrong: that an earlier file of somebody else can neither be read nor get a
// second name was learnt after the measurement.
func TestCheckOfWhatCannotBeKept(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a")
	if err := os.WriteFile(path, []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	foreign := disk{before: func(call string) error {
		if call == "link" || call == "open" {
			return syscall.EACCES
		}
		return nil
	}}
	for force, want := range map[bool]string{false: "cannot keep the earlier ", true: "cannot write "} {
		if err := foreign.check(File{Path: path, Force: force, Measured: true}); err == nil || err.Error() != want+path+": "+syscall.EACCES.Error() {
			t.Errorf("%v", err)
		}
	}
	if err := (File{Path: path, Measured: true}).Check(); err != nil {
		t.Error(err)
	}
	if got := names(t, dir); !slices.Equal(got, []string{"a"}) {
		t.Errorf("the folder holds %v", got)
	}
}
