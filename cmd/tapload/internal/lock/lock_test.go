package lock

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/files"
)

// A number that fifty writers read, raise and write loses none of them, and nothing
// is left in the folder.
func TestTakeLosesNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "n")
	if err := os.WriteFile(path, []byte("0"), 0o666); err != nil {
		t.Fatal(err)
	}
	raise := func() error {
		l, err := Take(context.Background(), path)
		if err != nil {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return errors.Join(err, l.Release())
		}
		n, err := strconv.Atoi(string(text))
		time.Sleep(time.Millisecond) // in which another would read the same
		return errors.Join(err, os.WriteFile(path, strconv.AppendInt(nil, int64(n)+1, 10), 0o666), l.Release())
	}
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() {
			if err := raise(); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if text, err := os.ReadFile(path); err != nil || string(text) != "50" {
		t.Errorf("%s, %v; want 50", text, err)
	}
	if left, err := os.ReadDir(filepath.Dir(path)); err != nil || len(left) != 1 {
		t.Errorf("the folder holds %v, %v", left, err)
	}
}

// Who holds it is named, and a lock whose holder has died holds nobody up.
func TestTakeNamesTheHolder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.toml")
	held, err := Take(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	_, err = take(context.Background(), path, 20*time.Millisecond)
	if want := fmt.Sprintf("%s has been held by process %d on ", path, os.Getpid()); err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("error %v, want %s", err, want)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Take(ctx, path); !errors.Is(err, context.Canceled) {
		t.Errorf("with a context that has ended: %v", err)
	}
	if err := held.Release(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(held.path, []byte("\x00process 1 on a computer that lost its power\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	again, err := Take(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Release(); err != nil {
		t.Error(err)
	}
	if _, err := Take(context.Background(), filepath.Join(filepath.Dir(path), "nothere", "job.toml")); err == nil || !strings.Contains(err.Error(), "cannot lock") {
		t.Errorf("in a folder that is not there: %v", err)
	}
}

// A test binary with this in its environment holds a file as it says, and ends.
const ending = "TAPLOAD_TEST_ENDS"

func TestMain(m *testing.M) {
	how, path, ends := strings.Cut(os.Getenv(ending), ":")
	if !ends {
		os.Exit(m.Run())
	}
	if how == "alone" {
		if err := alone(path); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	held, err := Take(context.Background(), path)
	if err != nil {
		panic(err)
	}
	if how == "stuck" {
		all.Lock() // as one does whose system call does not return
		Close()
	}
	if how == "closed" {
		go func() { _ = held.Release() }() // which may come at any moment
		Close()
		if files.Exists(held.path) {
			panic("the file is still there")
		}
	}
	os.Exit(9)
}

// A program that was ended in the middle of a change left its lock file in the
// folder. What went wrong: one whose file system did not answer did not end at all.
func TestLockOfAnEndedProgram(t *testing.T) {
	for _, c := range []struct {
		how  string
		left int
	}{{"closed", 0}, {"killed", 1}, {"stuck", 1}} {
		path := filepath.Join(t.TempDir(), "job.toml")
		end := exec.Command(os.Args[0])
		end.Env = append(os.Environ(), ending+"="+c.how+":"+path)
		out, err := end.CombinedOutput()
		if exit, is := errors.AsType[*exec.ExitError](err); !is || exit.ExitCode() != 9 {
			t.Fatalf("%s: %v, %s", c.how, err, out)
		}
		if left, err := os.ReadDir(filepath.Dir(path)); err != nil || len(left) != c.left {
			t.Errorf("%s: left are %v, %v", c.how, left, err)
		}
		next, err := Take(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		if err := next.Release(); err != nil {
			t.Error(err)
		}
		if left, err := os.ReadDir(filepath.Dir(path)); err != nil || len(left) > 0 {
			t.Errorf("%s: the next left %v, %v", c.how, left, err)
		}
	}
}

// One program at a time holds it, whose file goes away while others are about to lock
// that.
func TestTakeIsForOne(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.toml")
	var all sync.WaitGroup
	for range 6 {
		all.Go(func() {
			program := exec.Command(os.Args[0])
			program.Env = append(os.Environ(), ending+"=alone:"+path)
			if out, err := program.CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		})
	}
	all.Wait()
}

// alone takes the lock many times, and fails where somebody else has it meanwhile.
func alone(path string) error {
	for range 300 {
		l, err := Take(context.Background(), path)
		if err != nil {
			return err
		}
		in, err := os.OpenFile(path+".held", os.O_CREATE|os.O_EXCL, 0o666)
		if err != nil {
			return fmt.Errorf("somebody else holds it too: %w", err)
		}
		if err := errors.Join(in.Close(), os.Remove(in.Name()), l.Release()); err != nil {
			return err
		}
	}
	return nil
}

// What went wrong: the lock of a folder that somebody else had made was a link to
// another file, or another name of one, and that was written over; a link to nothing
// made a file there.
func TestTakeLeavesOthersAlone(t *testing.T) {
	for name, place := range map[string]func(lock, victim string) error{
		"link":             func(lock, victim string) error { return os.Symlink(victim, lock) },
		"hard link":        func(lock, victim string) error { return os.Link(victim, lock) },
		"link to nothing":  func(lock, victim string) error { return os.Symlink(victim+"2", lock) },
		"folder":           func(lock, _ string) error { return os.Mkdir(lock, 0o777) },
		"another file":     func(lock, _ string) error { return os.WriteFile(lock, []byte("a curve"), 0o666) },
		"one byte":         func(lock, _ string) error { return os.WriteFile(lock, []byte("x"), 0o666) },
		"device":           func(lock, _ string) error { return os.Symlink(os.DevNull, lock) },
		"a file as a lock": func(lock, _ string) error { return os.WriteFile(lock, bytes.Repeat([]byte("process "), 100), 0o666) },
	} {
		t.Run(name, func(t *testing.T) {
			folder, far := t.TempDir(), t.TempDir()
			victim, lock := filepath.Join(far, "victim"), filepath.Join(folder, ".job.toml.lock")
			if err := os.WriteFile(victim, []byte("what somebody wrote"), 0o666); err != nil {
				t.Fatal(err)
			}
			if err := place(lock, victim); err != nil {
				if runtime.GOOS == "windows" {
					t.Skip(err)
				}
				t.Fatal(err)
			}
			before, err := os.Lstat(lock)
			if err != nil {
				t.Fatal(err)
			}
			_, err = Take(t.Context(), filepath.Join(folder, "job.toml"))
			if want := "against other programs: " + lock + " is there, and is no lock of this program"; err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%v, want %s", err, want)
			}
			if text, err := os.ReadFile(victim); err != nil || string(text) != "what somebody wrote" {
				t.Errorf("it now holds %q, %v", text, err)
			}
			if after, err := os.Lstat(lock); err != nil || after.Mode() != before.Mode() || after.Size() != before.Size() {
				t.Errorf("it was %v and is %v, %v", before, after, err)
			}
			if all, err := os.ReadDir(far); err != nil || len(all) != 1 {
				t.Errorf("beside it are %v, %v", all, err)
			}
		})
	}
}

// A computer that lost its power may leave a lock of zeros, which holds nobody up.
func TestTakeOfZeros(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.toml")
	if err := os.WriteFile(filepath.Join(filepath.Dir(path), ".job.toml.lock"), make([]byte, 60), 0o666); err != nil {
		t.Fatal(err)
	}
	l, err := Take(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Release(); err != nil {
		t.Error(err)
	}
}

// What went wrong: who holds a lock is what stands in a file of anybody's, and that
// was shown at full length, with line breaks and all.
func TestHolderIsOneLine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.toml")
	held, err := Take(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"\x00process 1 on \x1b[2J\rhere " + strings.Repeat("x", 300): " has been held by process 1 on  [2J here xxx",
		"\x00nothing is wrong": " has been held by another program for",
	} {
		if err := os.WriteFile(held.path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		_, err = take(t.Context(), path, 20*time.Millisecond)
		if err == nil || !strings.HasPrefix(err.Error(), path+want) || len(err.Error()) > len(path)+200 {
			t.Errorf("%v", err)
		}
	}
	if err := held.Release(); err != nil {
		t.Fatal(err)
	}
}
