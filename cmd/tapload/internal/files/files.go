// Package files brings results to disk so that nothing is lost: a file is complete
// before it has its name, what had the name is never gone for a moment, of several
// files all are written or none, and a measurement that its place does not take
// goes to another.
package files

import (
	"bufio"
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
)

// File is a result on its way to disk.
type File struct {
	Path     string // through a link that is what the link names
	Force    bool   // replaces a file that is there already; otherwise that is kept beside it
	Measured bool   // cannot be made again: where Path does not take it, it goes elsewhere
	New      bool   // must not be there yet; what is there stays, and the error is fs.ErrExist
	Makes    bool   // its folder, the last of Path, is made where it is not there
	Size     int64  // bytes that Check finds room for; 0 for a megabyte of what is Measured, more than any record
	Write    func(io.Writer) error

	// May returns what keeps the file from its place; nil for nothing. It is asked
	// just before anything is done there, since what held when a command began
	// need not hold when its result is there.
	May func() error
}

// Kept is an earlier file and the name that it has now.
type Kept struct{ Path, Now string }

// Check returns an error where f could not be written or has no room, so that a
// command can tell before it does its work.
func (f File) Check() error {
	busy.Lock()
	defer busy.Unlock()
	return disk{}.check(f)
}

// busy is held while there are files that are not complete.
var busy sync.Mutex

// Close waits for what is being written and lets nothing begin after that, for a
// program that is about to end.
func Close() { busy.Lock() }

// Write writes all files or none of them. The error of a file that is Measured says
// where that is instead. then, where it is not nil, hears which earlier files were
// kept and what Write returns, before Close can come in between.
func Write(then func(kept []Kept, err error), files ...File) error {
	// What can be made again may take its time to be made, and to be stopped.
	ready := slices.Clone(files)
	for i, f := range files {
		if f.Measured {
			continue
		}
		var text bytes.Buffer
		failed := f.Write(&text)
		ready[i].Write = func(w io.Writer) error {
			_, err := w.Write(text.Bytes())
			return cmp.Or(failed, err)
		}
	}
	busy.Lock()
	defer busy.Unlock()
	kept, err := disk{}.write(ready)
	if then != nil {
		then(kept, err)
	}
	return err
}

// Rescue writes f, a measurement that must not go to its place now, beside that under
// a name that nothing has there, or to another folder. The error says why it must not,
// and where it is. then hears the error before Close can come in between.
func Rescue(then func(err error), f File, cause error) error {
	busy.Lock()
	defer busy.Unlock()
	err := disk{}.beside(f, cause)
	then(err)
	return err
}

func (d disk) beside(f File, cause error) error {
	const second = 2 // the first is f.Path, which may come to be meanwhile
	if path, err := d.elsewhere(filepath.Dir(f.Path), f, second); err == nil {
		return &Rescued{path, cause}
	}
	return d.rescue(f, cause)
}

func (d disk) write(files []File) ([]Kept, error) {
	kept, err := d.all(files)
	if err == nil {
		return kept, nil
	}
	for _, f := range files {
		if !f.Measured {
			continue
		}
		if len(files) > 1 { // another may be the one in the way
			if kept, alone := d.all([]File{f}); alone == nil {
				return kept, &Rescued{f.Path, err}
			}
		}
		err = d.rescue(f, err)
	}
	return nil, err
}

func (d disk) check(f File) error {
	p, err := find(f)
	if err != nil {
		return err
	}
	size := f.Size
	if size == 0 && f.Measured {
		size = 1 << 20
	}
	try := func(folder string) error {
		temp, err := d.fill(folder, nil, func(w io.Writer) error {
			_, err := io.CopyN(w, zeros{}, size)
			return err
		})
		if temp != "" {
			err = errors.Join(err, d.remove(temp))
		}
		return err
	}
	err = try(p.folder())
	if f.Makes && errors.Is(err, fs.ErrNotExist) {
		err = try(filepath.Dir(p.folder()))
	}
	if err != nil || p.earlier == nil {
		return f.failed(err)
	}
	t := &transaction{disk: d}
	_, err = t.hold(p.real)
	if err == nil && p.keep != "" {
		_, err = t.hold(p.keep)
	}
	if err = t.end(err); err != nil && p.keep != "" {
		return fmt.Errorf("cannot keep the earlier %s: %w", f.Path, Plain(err))
	}
	return f.failed(err)
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// failed names the file in an error of the system; nil stays nil.
func (f File) failed(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("cannot write %s: %w", f.Path, Plain(err))
}

// Plain takes the system call and the path off a file error, for a sentence that
// names the path already.
func Plain(err error) error {
	if p, is := errors.AsType[*fs.PathError](err); is {
		return plainErrno(p.Err)
	}
	if l, is := errors.AsType[*os.LinkError](err); is {
		return plainErrno(l.Err)
	}
	return err
}

// place is where a file goes.
type place struct {
	File
	real    string      // Path, or what it links to
	earlier fs.FileInfo // what is there already; nil for nothing
	keep    string      // name for that; "" where none is kept
}

func (p place) folder() string { return filepath.Dir(p.real) }

// find looks where f goes, without a trace there.
func find(f File) (place, error) {
	p := place{File: f}
	bad := func(format string, about ...any) (place, error) {
		return p, fmt.Errorf("cannot write %s: "+format, append([]any{f.Path}, about...)...)
	}
	if base := filepath.Base(f.Path); base != ".." && !filepath.IsLocal(base) {
		return bad("the system takes no file of that name; choose another")
	}
	if f.May != nil {
		if err := f.May(); err != nil {
			return bad("%w", err)
		}
	}
	if f.New && Exists(f.Path) {
		return p, f.failed(errThere{})
	}
	info, err := os.Stat(f.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return bad("%w", Plain(err))
	case info.IsDir():
		return bad("it is a folder; name a file in it")
	case !info.Mode().IsRegular():
		return bad("it is not an ordinary file")
	default:
		p.earlier = info
	}
	if p.real, err = linked(f.Path); err != nil {
		return bad("%w", Plain(err))
	}
	folder := p.folder()
	switch info, err := os.Stat(folder); {
	case errors.Is(err, fs.ErrNotExist) && f.Makes:
		return p, nil
	case errors.Is(err, fs.ErrNotExist):
		return bad("there is no folder %s", folder)
	case err != nil:
		return bad("%w", Plain(err))
	case !info.IsDir():
		return bad("%s is not a folder", folder)
	}
	if p.earlier == nil {
		return p, nil
	}
	if err := held(p.real); err != nil {
		return bad("%w", err)
	}
	if f.Force {
		return p, nil
	}
	p.keep = p.real + "~"
	switch info, err := os.Lstat(p.keep); {
	case errors.Is(err, fs.ErrNotExist):
		return p, nil
	case err != nil:
		return bad("the earlier one cannot be kept as %s: %w", p.keep, Plain(err))
	case info.IsDir():
		return bad("the earlier one cannot be kept as %s, which is a folder; rename that", p.keep)
	}
	if err := held(p.keep); err != nil {
		return p, fmt.Errorf("cannot write %s: %w", p.keep, err)
	}
	return p, nil
}

// errThere is the error of a file that must be New where something is, if only a link
// to nothing.
type errThere struct{}

func (errThere) Error() string {
	return "something of that name is there already; look what it is, and take it away"
}

func (errThere) Is(target error) bool { return target == fs.ErrExist }

// Exists says whether anything has a name, if only a link to nothing.
func Exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// linked returns what path is a link to, which need not be there; path itself where
// it is none.
func linked(path string) (string, error) {
	const most = 40 // as the systems do
	for range most {
		to, err := os.Readlink(path)
		if err != nil {
			return path, nil
		}
		if !filepath.IsAbs(to) {
			folder := filepath.Dir(path)
			if real, err := filepath.EvalSymlinks(folder); err == nil {
				folder = real // ".." in a link goes up from there
			}
			to = filepath.Join(folder, to)
		}
		path = to
	}
	return "", errors.New("it is a link that leads nowhere")
}

// fill makes a temporary file in a folder, with the permissions of the earlier one
// where there is such, and returns its name, or "" when there is none.
func (d disk) fill(folder string, like fs.FileInfo, write func(io.Writer) error) (name string, err error) {
	name = tempName(folder)
	// os.CreateTemp would make it readable to its owner only; created like
	// this it gets the permissions that the user's umask asks for.
	w, err := d.create(name)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, d.close(w)) }()
	buf := bufio.NewWriterSize(writer{d, w}, 1<<16)
	if err := write(buf); err != nil {
		return name, err
	}
	if err := buf.Flush(); err != nil {
		return name, err
	}
	if like != nil {
		d.liken(w, like)
	}
	return name, d.sync(w)
}

// rescue brings a measurement that f.Path did not take to another folder, and says
// in the error which.
func (d disk) rescue(f File, cause error) error {
	var folders []string
	if home, err := os.UserHomeDir(); err == nil {
		folders = append(folders, home)
	}
	folders = append(folders, os.TempDir()) // which a restart may empty
	for _, folder := range folders {
		if path, err := d.elsewhere(folder, f, 1); err == nil {
			return &Rescued{path, cause}
		}
	}
	return fmt.Errorf("%w; nor could it be written in %s", cause, strings.Join(folders, " or "))
}

// Rescued is the error of a measurement that is in another place than was asked for.
type Rescued struct {
	Path  string // where it is
	cause error
}

func (r *Rescued) Error() string {
	return fmt.Sprintf("%v; what was measured is in %s", r.cause, r.Path)
}
func (r *Rescued) Unwrap() error { return r.cause }

// elsewhere writes f into a folder, under a name that nothing has there: f's own, or
// that with the first number from n on.
func (d disk) elsewhere(folder string, f File, n int) (path string, err error) {
	temp, err := d.fill(folder, nil, f.Write)
	if temp != "" {
		defer func() { _ = d.remove(temp) }()
	}
	if err != nil {
		return "", err
	}
	stem, ending, _ := strings.Cut(filepath.Base(f.Path), ".")
	for ; ; n++ {
		name := stem
		if n > 1 {
			name = fmt.Sprintf("%s-%d", stem, n)
		}
		path = filepath.Join(folder, name+"."+ending)
		err := d.link(temp, path)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if err != nil { // no links here
			w, made := d.create(path)
			if errors.Is(made, fs.ErrExist) {
				continue
			}
			if made != nil {
				return "", made
			}
			if err = d.close(w); err == nil {
				err = d.rename(temp, path)
			}
			if err != nil {
				_ = d.remove(path)
				return "", err
			}
		}
		return path, d.syncFolder(folder)
	}
}
