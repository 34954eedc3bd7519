package lock

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
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

// One at a time holds it, whose file goes away while others are about to lock that.
func TestTakeIsForOne(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.toml")
	var holders, together atomic.Int32
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 300 {
				l, err := Take(context.Background(), path)
				if err != nil {
					t.Error(err)
					return
				}
				if holders.Add(1) > 1 {
					together.Add(1)
				}
				runtime.Gosched()
				holders.Add(-1)
				if err := l.Release(); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	if n := together.Load(); n > 0 {
		t.Errorf("%d of 2400 times somebody else held it too", n)
	}
}
