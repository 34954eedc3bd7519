// Package lock keeps two programs from changing one file at the same time.
package lock

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/gofrs/flock"

	"tapload/cmd/tapload/internal/files"
)

const (
	// patience is how long one holder is waited for. A change takes
	// milliseconds, so that one who holds longer is stuck.
	patience = 5 * time.Second
	retry    = 5 * time.Millisecond
)

// all are the locks that this program holds.
var all struct {
	sync.Mutex
	held map[*Lock]bool
}

// Close takes away the files of all locks that are held, and lets none be taken or
// let go of after that, for a program that is about to end and changes nothing any
// more.
func Close() {
	all.Lock()
	for l := range all.held {
		_ = l.remove() // or the next who holds it does
	}
}

// Lock is a file that is held.
type Lock struct {
	of   *flock.Flock
	path string
}

// Take holds path, which need not be there, until Release. It waits for whoever
// holds it, 5 s at most for each; the error then says who that is. All who change
// the file must ask: nothing else keeps them from it.
//
// The lock is a file beside path, which says who holds it and is gone afterwards.
// The system lets go of it when a program ends, however it ends; a file that is left
// then goes with the next who takes the lock.
func Take(ctx context.Context, path string) (*Lock, error) {
	return take(ctx, path, patience)
}

func take(ctx context.Context, path string, patience time.Duration) (*Lock, error) {
	l := &Lock{path: filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+".lock")}
	holder, since := "", time.Now()
	for {
		held, err := l.enter()
		if err != nil {
			return nil, fmt.Errorf("cannot lock %s against other programs: %w", path, files.Plain(err))
		}
		if held {
			return l, l.sign()
		}
		if now := l.holder(); now != holder {
			holder, since = now, time.Now()
		}
		if time.Since(since) >= patience {
			who, _, _ := strings.Cut(holder, "\n")
			if who == "" {
				who = "another program"
			}
			return nil, fmt.Errorf("%s has been held by %s for more than %v; wait for that or end it, then try again", path, who, patience)
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(retry):
		}
	}
}

// enter is try, of which Close knows.
func (l *Lock) enter() (bool, error) {
	all.Lock()
	defer all.Unlock()
	held, err := l.try()
	if held {
		if all.held == nil {
			all.held = map[*Lock]bool{}
		}
		all.held[l] = true
	}
	return held, err
}

// try takes the lock if nobody holds it. A holder takes its file away while it
// still holds it, so that a lock counts on the file that is in the folder alone.
func (l *Lock) try() (bool, error) {
	l.of = flock.New(l.path, flock.SetPermissions(0o666))
	held, err := l.of.TryLock()
	if err != nil || !held {
		if errors.Is(err, fs.ErrPermission) && exists(l.path) {
			err = nil // on its way out, where an open file cannot be taken away
		}
		return false, errors.Join(err, l.of.Close())
	}
	mine, err := l.of.Stat()
	if err == nil {
		var there fs.FileInfo
		if there, err = os.Stat(l.path); err == nil && os.SameFile(mine, there) {
			return true, nil
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	return false, errors.Join(err, l.of.Close())
}

// who begins at the second byte: where locks bind, the first is locked.
const who = 1

// sign writes who holds the lock.
func (l *Lock) sign() error {
	host, err := os.Hostname()
	if err != nil {
		host = "this computer"
	}
	f, err := os.OpenFile(l.path, os.O_WRONLY, 0)
	if err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "process %d on %s\n%s\n", os.Getpid(), host, time.Now().Format(time.RFC3339Nano)), who)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		return errors.Join(fmt.Errorf("cannot lock with %s: %w", l.path, files.Plain(err)), l.Release())
	}
	return nil
}

// holder is what the holder wrote, "" where that cannot be read.
func (l *Lock) holder() string {
	f, err := os.Open(l.path)
	if err != nil {
		return ""
	}
	defer f.Close()
	text := make([]byte, 500)
	n, _ := f.ReadAt(text, who)
	return string(bytes.TrimSpace(text[:n]))
}

// Release lets go.
func (l *Lock) Release() error {
	all.Lock()
	defer all.Unlock()
	delete(all.held, l)
	return l.remove()
}

// remove takes the file away. Where one that is open cannot be removed it goes when
// it is closed, unless somebody else has it by then.
func (l *Lock) remove() error {
	removed := os.Remove(l.path)
	err := l.of.Close()
	if removed != nil {
		_ = os.Remove(l.path) // the next who holds it removes it
	}
	return err
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
