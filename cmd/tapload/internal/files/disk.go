package files

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/robustio"
)

// disk is what is asked of the system. Whatever changes something there goes
// through do.
type disk struct {
	// before, where there is one, may fail a call in the system's place; after
	// hears of each that was made.
	before func(call string) error
	after  func(call string)
}

func (d disk) do(call string, do func() error) error {
	if d.before != nil {
		if err := d.before(call); err != nil {
			return err
		}
	}
	err := do()
	if d.after != nil {
		d.after(call)
	}
	return err
}

func (d disk) create(name string) (w *os.File, err error) {
	err = d.do("create", func() error {
		w, err = os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		return err
	})
	return w, err
}

// writer writes to a file through d.
type writer struct {
	disk
	file *os.File
}

func (w writer) Write(p []byte) (n int, err error) {
	err = w.do("write", func() error { n, err = w.file.Write(p); return err })
	return n, err
}

func (d disk) sync(w *os.File) error { return d.do("sync", w.Sync) }

// close closes w even where it fails: nothing else would.
func (d disk) close(w *os.File) error {
	err := d.do("close", w.Close)
	if err != nil {
		_ = w.Close()
	}
	return err
}

// liken gives w the permissions and, where the system lets it, the owner of an
// earlier file.
func (d disk) liken(w *os.File, like fs.FileInfo) {
	_ = d.do("liken", func() error { return liken(w, like) })
}

// rename is tried for two seconds on Windows: another program, such as a virus
// scanner, may look into every new file.
func (d disk) rename(from, to string) error {
	return d.do("rename", func() error { return robustio.Rename(from, to) })
}

func (d disk) link(from, to string) error {
	return d.do("link", func() error { return os.Link(from, to) })
}

// claim gives a file a name that none has. It fails with fs.ErrExist where one has it,
// and with another error where the system cannot tell at once.
func (d disk) claim(from, to string) error {
	return d.do("claim", func() error { return claim(from, to) })
}

func (d disk) mkdir(folder string) error {
	return d.do("mkdir", func() error { return os.Mkdir(folder, 0o777) })
}

func (d disk) open(path string) (r *os.File, err error) {
	err = d.do("open", func() error { r, err = os.Open(path); return err })
	return r, err
}

func (d disk) syncFolder(folder string) error {
	return d.do("sync folder", func() error { return syncFolder(folder) })
}

// remove takes a file away that need not be there.
func (d disk) remove(path string) error {
	err := d.do("remove", func() error { return os.Remove(path) })
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// Names of temporary files tell when they were made: a link has the time of the
// file that it is a link to.
const (
	tempStart = ".tapload-"
	tempEnd   = ".part"

	// stale is the age of a temporary file that no living program can be
	// writing: that takes seconds.
	stale = time.Hour
)

func tempName(folder string) string {
	return filepath.Join(folder, fmt.Sprintf("%s%x-%08x%s", tempStart, time.Now().Unix(), rand.Uint32(), tempEnd))
}

// sweep removes the temporary files of programs that died.
func sweep(folder string) {
	all, err := os.Open(folder)
	if err != nil {
		return
	}
	defer all.Close()
	names, _ := all.Readdirnames(-1)
	for _, name := range names {
		rest, begins := strings.CutPrefix(name, tempStart)
		rest, ends := strings.CutSuffix(rest, tempEnd)
		made, random, parts := strings.Cut(rest, "-")
		seconds, err := strconv.ParseInt(made, 16, 64)
		if begins && ends && parts && len(random) == 8 && err == nil && time.Since(time.Unix(seconds, 0)) > stale {
			_ = os.Remove(filepath.Join(folder, name)) // or the next one does
		}
	}
}
