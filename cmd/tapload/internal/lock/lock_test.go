package lock

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
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
	if how == "closed" {
		go func() { _ = held.Release() }() // which may come at any moment
		Close()
		if exists(held.path) {
			panic("the file is still there")
		}
	}
	os.Exit(9)
}

// A program that was ended in the middle of a change left its lock file in the
// folder.
func TestLockOfAnEndedProgram(t *testing.T) {
	for _, c := range []struct {
		how  string
		left int
	}{{"closed", 0}, {"killed", 1}} {
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
