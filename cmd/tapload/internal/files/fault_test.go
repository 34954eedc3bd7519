package files

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A scene is files that are written where others may be.
type scene struct {
	name   string
	before map[string]string // path and text
	links  map[string]string
	write  []string // paths; those that begin with ! replace
}

// scenes are in a folder of their own each, with / on another file system where
// there is one.
var scenes = []scene{
	{name: "new", write: []string{"a"}},
	{name: "replaced", before: map[string]string{"a": "old a"}, write: []string{"!a"}},
	{name: "kept", before: map[string]string{"a": "old a", "a~": "older a"}, write: []string{"a"}},
	{name: "several", before: map[string]string{"a": "old a", "c": "old c"}, write: []string{"a", "b", "!c"}},
	{name: "folder", before: map[string]string{"b": "old b"}, write: []string{"made/a", "b"}},
	{name: "link", before: map[string]string{"far/a": "old a"}, links: map[string]string{"a": "far/a"}, write: []string{"a"}},
}

// place makes the scene in a folder, whose part "far" is on another file system
// where there is one.
func (s scene) place(t *testing.T, dir string) {
	t.Helper()
	far := t.TempDir()
	if shared, err := os.MkdirTemp("/dev/shm", ""); err == nil {
		t.Cleanup(func() { _ = os.RemoveAll(shared) })
		far = shared
	}
	if err := os.Symlink(far, filepath.Join(dir, "far")); err != nil {
		t.Skip(err)
	}
	for path, text := range s.before {
		if err := os.WriteFile(filepath.Join(dir, path), []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
	}
	for path, to := range s.links {
		if err := os.Symlink(to, filepath.Join(dir, path)); err != nil {
			t.Skip(err)
		}
	}
}

func (s scene) files(dir string) (all []File) {
	for _, path := range s.write {
		name, force := strings.CutPrefix(path, "!")
		all = append(all, File{Path: filepath.Join(dir, name), Force: force, Measured: true, Makes: strings.Contains(name, "/"), Write: text("new " + filepath.Base(name))})
	}
	return all
}

// holds returns the text of a file, "" where there is none.
func holds(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return string(data)
}

// look holds the folder against what must be there whatever happened: under each
// name the whole old file or the whole new one, and a kept one under its name or
// the name that it is kept under.
func (s scene) look(t *testing.T, dir string) (isNew int) {
	t.Helper()
	for _, f := range s.files(dir) {
		name := filepath.Base(f.Path)
		old := s.before[name] + s.before[s.links[name]]
		is := holds(t, f.Path)
		switch is {
		case old:
		case "new " + name:
			isNew++
		default:
			t.Errorf("%s holds %q", name, is)
		}
		kept := f.Path + "~"
		if to, linked := s.links[name]; linked {
			kept = filepath.Join(dir, to) + "~"
		}
		if was := s.before[name+"~"]; was != "" && holds(t, kept) != was && holds(t, kept) != old {
			t.Errorf("%s~ holds %q", name, holds(t, kept))
		}
		if !f.Force && old != "" && is != old && holds(t, kept) != old {
			t.Errorf("what %s held is lost: %s~ holds %q", name, name, holds(t, kept))
		}
	}
	return isNew
}

// left lists the temporary files of a folder.
func left(t *testing.T, dir string) (temps []string) {
	t.Helper()
	for _, folder := range []string{dir, filepath.Join(dir, "far"), filepath.Join(dir, "made")} {
		if !Exists(folder) {
			continue
		}
		for _, name := range names(t, folder) {
			if strings.HasPrefix(name, tempStart) {
				temps = append(temps, name)
			}
		}
	}
	return temps
}

func calls(t *testing.T, s scene) (all []string) {
	t.Helper()
	dir := t.TempDir()
	s.place(t, dir)
	d := disk{after: func(call string) { all = append(all, call) }}
	if _, err := d.write(s.files(dir)); err != nil {
		t.Fatal(err)
	}
	if got := s.look(t, dir); got != len(s.write) {
		t.Errorf("%d files are new", got)
	}
	if temps := left(t, dir); len(temps) > 0 {
		t.Errorf("left are %v", temps)
	}
	return all
}

// An error of the disk at the second rename deleted the new measurement; a report
// replaced one of two files.
func TestEveryCallFails(t *testing.T) {
	for _, s := range scenes {
		for i, call := range calls(t, s) {
			for _, forGood := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s/%d %s %v", s.name, i, call, forGood), func(t *testing.T) {
					dir, home := t.TempDir(), t.TempDir()
					t.Setenv("HOME", home)
					t.Setenv("USERPROFILE", home)
					t.Setenv("TMPDIR", home)
					s.place(t, dir)
					n := -1
					d := disk{before: func(string) error {
						if n++; n == i || forGood && n > i {
							return syscall.EIO
						}
						return nil
					}}
					kept, err := d.write(s.files(dir))
					isNew := s.look(t, dir)
					temps := left(t, dir)
					if err == nil {
						if isNew != len(s.write) || len(temps) > 0 && call != "remove" {
							t.Errorf("no error, %d files are new, left are %v", isNew, temps)
						}
						for _, k := range kept {
							if !strings.HasPrefix(holds(t, k.Now), "old") {
								t.Errorf("%s holds %q", k.Now, holds(t, k.Now))
							}
						}
						return
					}
					moved, is := errors.AsType[*Rescued](err)
					if forGood {
						if is || !strings.Contains(err.Error(), "; nor could it be written in ") {
							t.Errorf("got %v", err)
						}
						return
					}
					if made := filepath.Join(dir, "made"); Exists(made) && len(names(t, made)) == 0 {
						t.Error("left is an empty folder")
					}
					if len(temps) > 0 {
						t.Errorf("left are %v", temps)
					}
					if !is || !strings.HasPrefix(err.Error(), "cannot ") || !strings.Contains(err.Error(), syscall.EIO.Error()) || !strings.HasPrefix(holds(t, moved.Path), "new ") {
						t.Errorf("what was measured is lost: %v", err)
					}
					if len(s.write) == 1 && isNew != 0 {
						t.Errorf("%v, and all the same it is there", err)
					}
				})
			}
		}
	}
}

// Of several files that can be made again none is written where one is not.
func TestAllOrNone(t *testing.T) {
	s := scenes[3]
	for i, call := range calls(t, s) {
		dir := t.TempDir()
		s.place(t, dir)
		all := s.files(dir)
		for i := range all {
			all[i].Measured = false
		}
		n := -1
		_, err := disk{before: func(string) error {
			if n++; n == i {
				return syscall.ENOSPC
			}
			return nil
		}}.write(all)
		want := 0
		if err == nil {
			want = len(all)
		}
		if isNew := s.look(t, dir); isNew != want {
			t.Errorf("call %d, %s: %d files are new: %v", i, call, isNew, err)
		}
	}
}

// A test binary with this in its environment writes a scene and dies after a call.
const dying = "TAPLOAD_TEST_DIES"

func TestMain(m *testing.M) {
	if how := os.Getenv(dying); how != "" {
		die(how)
	}
	os.Exit(m.Run())
}

func die(how string) {
	which, folder, _ := strings.Cut(how, ":")
	if which == "endless" {
		endless(folder)
	}
	var s, after int
	if _, err := fmt.Sscanf(which, "%d,%d", &s, &after); err != nil {
		panic(err)
	}
	n := -1
	d := disk{after: func(string) {
		if n++; n == after {
			os.Exit(9)
		}
	}}
	_, err := d.write(scenes[s].files(folder))
	panic(fmt.Sprint("still alive: ", err))
}

func dyingIn(how, folder string) *exec.Cmd {
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), dying+"="+how+":"+folder)
	return c
}

// Killed at the second rename, neither file had its name.
func TestDeathAfterEveryCall(t *testing.T) {
	for i, s := range scenes {
		for n, call := range calls(t, s) {
			t.Run(fmt.Sprintf("%s/%d %s", s.name, n, call), func(t *testing.T) {
				t.Parallel()
				dir := t.TempDir()
				s.place(t, dir)
				out, err := dyingIn(fmt.Sprintf("%d,%d", i, n), dir).CombinedOutput()
				if exit, is := errors.AsType[*exec.ExitError](err); !is || exit.ExitCode() != 9 {
					t.Fatalf("it did not die: %v, %s", err, out)
				}
				s.look(t, dir)
				if _, err := (disk{}).write(s.files(dir)); err != nil {
					t.Fatal(err)
				}
				for _, f := range s.files(dir) {
					mustBe(t, f.Path, "new "+filepath.Base(f.Path)) // by the next run, whatever this one left
				}
			})
		}
	}
}

// Between two renames the earlier file was copied, where a program that died left
// some files new and some old.
func TestNothingComesBetweenRenames(t *testing.T) {
	for _, s := range scenes {
		all := calls(t, s)
		named := func(call string) bool { return call == "rename" || call == "claim" }
		first := slices.IndexFunc(all, named)
		last := first
		for i, call := range all {
			if named(call) {
				last = i
			}
		}
		for _, call := range all[first:last] {
			if !named(call) && call != "sync folder" {
				t.Errorf("%s: %v", s.name, all)
				break
			}
		}
	}
}

// version is a text that shows whether it is whole.
func version(n int) string {
	return strings.Repeat(fmt.Sprintf("%d\n", n), 20000) + "end"
}

// endless writes one version after another, for ever.
func endless(folder string) {
	path := filepath.Join(folder, "a")
	n := 0
	if old, err := os.ReadFile(path); err == nil {
		first, _, _ := bytes.Cut(old, []byte("\n"))
		n, _ = strconv.Atoi(string(first))
	}
	fmt.Println("begins")
	for {
		n++
		if err := save(File{Path: path, Write: text(version(n))}); err != nil {
			panic(err)
		}
	}
}

// Whenever it is killed, what it wrote before is there.
func TestKilledAtRandom(t *testing.T) {
	kills := 200
	if testing.Short() {
		kills = 20
	}
	random := rand.New(rand.NewPCG(1, 2))
	dir := t.TempDir()
	last := 0
	number := func(path string) int {
		text := holds(t, path)
		first, _, _ := strings.Cut(text, "\n")
		n, _ := strconv.Atoi(first)
		if text != "" && text != version(n) {
			t.Fatalf("%s is not whole: %d bytes of version %d", path, len(text), n)
		}
		return n
	}
	// Each is killed within some versions, however long this machine takes for one.
	within := 15 * time.Millisecond
	elsewhere, began := filepath.Join(t.TempDir(), "a"), time.Now()
	for n := range 4 {
		if err := save(File{Path: elsewhere, Write: text(version(n))}); err != nil {
			t.Fatal(err)
		}
	}
	within = max(within, time.Since(began))
	for range kills {
		c := dyingIn("endless", dir)
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		if _, err := out.Read(make([]byte, 6)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(random.Int64N(int64(within))))
		_ = c.Process.Kill()
		_ = c.Wait()
		now, kept := number(filepath.Join(dir, "a")), number(filepath.Join(dir, "a~"))
		if now < last || kept != now && kept != now-1 {
			t.Fatalf("version %d is there and %d beside it, after %d", now, kept, last)
		}
		last = now
	}
	if last < kills/4 {
		t.Errorf("%d versions were written in %d runs", last, kills)
	}
	// Left are some temporary files, which go when they are old enough to be nobody's.
	for _, name := range names(t, dir) {
		rest, is := strings.CutPrefix(name, tempStart)
		if _, random, ok := strings.Cut(rest, "-"); is && ok {
			old := fmt.Sprintf("%s%x-%s", tempStart, time.Now().Add(-2*stale).Unix(), random)
			if err := os.Rename(filepath.Join(dir, name), filepath.Join(dir, old)); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := save(File{Path: filepath.Join(dir, "a"), Force: true, Write: text("x")}); err != nil {
		t.Fatal(err)
	}
	if got := names(t, dir); !slices.Equal(got, []string{"a", "a~"}) {
		t.Errorf("the folder holds %v", got)
	}
}
