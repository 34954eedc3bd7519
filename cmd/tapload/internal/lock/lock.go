// Package lock keeps two programs from changing one file at the same time.
package lock

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/gofrs/flock"

	"tapload/cmd/tapload/internal/files"
	"tapload/measure/oneline"
)

const (
	// patience is how long one holder is waited for. A change takes
	// milliseconds, so that one who holds longer is stuck.
	patience = 5 * time.Second
	retry    = 5 * time.Millisecond
	// atEnd is how long Close waits for the system.
	atEnd = 100 * time.Millisecond
	// mostHolder is how many characters of its holder a lock shows.
	mostHolder = 100
)

// all are the locks that this program holds.
var all struct {
	sync.Mutex
	held map[*Lock]bool
}

// Close takes away the files of all locks that are held, and lets none be taken or
// let go of after that, for a program that is about to end and changes nothing any
// more. A file system that does not answer does not keep the program from its end.
func Close() {
	done := make(chan struct{})
	go func() {
		all.Lock()
		for l := range all.held {
			_ = l.remove() // or the next who holds it does
		}
		close(done)
	}()
	select {
	case <-done:
	case <-time.After(atEnd):
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
// then goes with the next who takes the lock. What is there under that name and is no
// lock, such as a link, is left alone, and the error says so: path may lie in a folder
// of somebody else.
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
			return l, nil
		}
		if now := l.holder(); now != holder {
			holder, since = now, time.Now()
		}
		if time.Since(since) >= patience {
			who, _, _ := strings.Cut(holder, "\n")
			if !strings.HasPrefix(who, signature) {
				who = "another program"
			}
			who = oneline.Cut(oneline.Harmless(who), mostHolder)
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

// try takes the lock if nobody holds it, and signs it. A holder takes its file away
// while it still holds it, so that a lock counts on the file that is in the folder
// alone.
func (l *Lock) try() (bool, error) {
	switch there, err := os.Lstat(l.path); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return false, err
	case !there.Mode().IsRegular():
		return false, l.foreign() // a pipe or a device would do something when it is opened
	}
	l.of = flock.New(l.path, flock.SetFlag(os.O_CREATE|os.O_RDONLY|asItIs), flock.SetPermissions(0o666))
	held, err := l.of.TryLock()
	if err != nil || !held {
		if errors.Is(err, fs.ErrPermission) && files.Exists(l.path) {
			err = nil // on its way out, where an open file cannot be taken away
		}
		return false, errors.Join(err, l.of.Close())
	}
	mine, err := l.of.Stat()
	if err == nil {
		var there fs.FileInfo
		if there, err = os.Lstat(l.path); err == nil && os.SameFile(mine, there) {
			if err = l.sign(mine); err == nil {
				return true, nil
			}
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	return false, errors.Join(err, l.of.Close())
}

const (
	// who begins at the second byte: where locks bind, the first is locked.
	who       = 1
	signature = "process "
	// mostSigned is more bytes than any holder writes.
	mostSigned = 500
)

// sign writes who holds the lock into its file, which was mine when it was locked. A
// file that is something else as well is not written to.
func (l *Lock) sign(mine fs.FileInfo) error {
	host, err := os.Hostname()
	if err != nil {
		host = "this computer"
	}
	if err := l.check(mine); err != nil {
		return err
	}
	f, err := os.OpenFile(l.path, os.O_WRONLY|asItIs, 0)
	if err != nil { // left by somebody whose files this user cannot write to
		return cmp.Or(os.Remove(l.path), fs.ErrNotExist)
	}
	if info, err := f.Stat(); err != nil || !os.SameFile(info, mine) {
		return errors.Join(cmp.Or(err, l.foreign()), f.Close())
	}
	_, err = f.WriteAt(fmt.Appendf(nil, "%s%d on %s\n%s\n", signature, os.Getpid(), host, time.Now().Format(time.RFC3339Nano)), who)
	if err = errors.Join(err, f.Close()); err != nil {
		_ = os.Remove(l.path) // or the next who holds it does
	}
	return err
}

// check returns an error where what has the name of the lock is not mine, or not a
// lock alone.
func (l *Lock) check(mine fs.FileInfo) error {
	f, err := os.OpenFile(l.path, os.O_RDONLY|asItIs, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	names, err := links(f)
	if err != nil {
		return err
	}
	text := make([]byte, mostSigned)
	n, err := f.ReadAt(text, who)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	// A holder that lost its power may have left a file of zeros.
	text = bytes.TrimLeft(text[:n], "\x00")
	signed := info.Size() != who && info.Size() < mostSigned && (len(text) == 0 || bytes.HasPrefix(text, []byte(signature)))
	if !info.Mode().IsRegular() || !os.SameFile(info, mine) || names > 1 || !signed {
		return l.foreign()
	}
	return nil
}

// foreign is the error of something else under the name of the lock.
func (l *Lock) foreign() error {
	return fmt.Errorf("%s is there, and is no lock of this program; look what it is, and take it away", l.path)
}

// holder is what the holder wrote, "" where that cannot be read.
func (l *Lock) holder() string {
	f, err := os.OpenFile(l.path, os.O_RDONLY|asItIs, 0)
	if err != nil {
		return ""
	}
	defer f.Close()
	text := make([]byte, mostSigned)
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
