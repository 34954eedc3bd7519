package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"

	"github.com/rogpeppe/go-internal/robustio"
)

// file is a result on its way to disk.
type file struct {
	path  string
	force bool // replaces a file that is there already; otherwise that is kept beside it
	write func(io.Writer) error
}

// check returns an error when f could not be written, so that a command can
// tell before it does its work.
func (f file) check() error {
	if base := filepath.Base(f.path); base != ".." && !filepath.IsLocal(base) {
		return fmt.Errorf("cannot write %s: the system takes no file of that name; choose another", f.path)
	}
	info, err := os.Stat(f.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return fmt.Errorf("cannot write %s: %w", f.path, plainPath(err))
	case info.IsDir():
		return fmt.Errorf("cannot write %s: it is a folder; name a file in it", f.path)
	case !info.Mode().IsRegular():
		return fmt.Errorf("cannot write %s: it is not an ordinary file", f.path)
	}
	folder := filepath.Dir(f.path)
	switch info, err := os.Stat(folder); {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("cannot write %s: there is no folder %s", f.path, folder)
	case err != nil:
		return fmt.Errorf("cannot write %s: %w", f.path, plainPath(err))
	case !info.IsDir():
		return fmt.Errorf("cannot write %s: %s is not a folder", f.path, folder)
	}
	for _, there := range []string{f.path, f.earlier()} {
		if there == "" {
			continue
		}
		if err := held(there); err != nil {
			return fmt.Errorf("cannot write %s: %w", there, err)
		}
	}
	temp, err := f.writeTemp(func(io.Writer) error { return nil })
	if temp != "" {
		err = errors.Join(err, removeIfThere(temp))
	}
	if err != nil {
		return fmt.Errorf("cannot write %s: %w", f.path, plainPath(err))
	}
	return nil
}

// plainPath takes the system call and the path off a file error: the sentence
// around it names the path already.
func plainPath(err error) error {
	if p, is := errors.AsType[*fs.PathError](err); is {
		return plainErrno(p.Err)
	}
	if l, is := errors.AsType[*os.LinkError](err); is {
		return plainErrno(l.Err)
	}
	return err
}

// earlier returns the name under which a file that is there already will be
// kept, or "" when there is none or none is kept.
func (f file) earlier() string {
	if _, err := os.Lstat(f.path); err != nil || f.force {
		return ""
	}
	return f.path + "~"
}

// sayEarlier tells under which names the files that are there already will be
// kept.
func (e env) sayEarlier(files ...file) {
	for _, f := range files {
		if name := f.earlier(); name != "" {
			e.say("note: the earlier " + f.path + " is now " + name)
		}
	}
}

// write writes files, and says so for a command that prints nothing else.
func (e env) write(files ...file) error {
	if err := writeFiles(files...); err != nil {
		return err
	}
	for _, f := range files {
		e.say("written " + f.path)
	}
	return nil
}

// writeFiles writes all files or none of them. Each goes to a temporary file
// in its own folder first, and all get their names when all are complete, so
// that no half file can ever be found under the name of a result. A
// measurement cannot be made again: the file that was there before is kept
// beside the new one unless f.force says otherwise.
func writeFiles(files ...file) (err error) {
	var temps []string
	var undo []func() error
	defer func() {
		if err == nil {
			return
		}
		for i := len(undo) - 1; i >= 0; i-- {
			err = errors.Join(err, undo[i]())
		}
		for _, t := range temps {
			err = errors.Join(err, removeIfThere(t))
		}
	}()
	for _, f := range files {
		if err := f.check(); err != nil {
			return err
		}
		temp, err := f.writeTemp(f.write)
		if temp != "" {
			temps = append(temps, temp)
		}
		if err != nil {
			return fmt.Errorf("cannot write %s: %w", f.path, plainPath(err))
		}
	}
	// To rename is tried for two seconds: another program, such as a virus
	// scanner, may look into every new file.
	for i, f := range files {
		path := f.path
		if real, err := filepath.EvalSymlinks(path); err == nil {
			path = real // a link stays a link
		}
		_, missing := os.Lstat(path)
		kept := f.earlier() != ""
		if kept {
			if err := robustio.Rename(path, path+"~"); err != nil {
				return fmt.Errorf("cannot keep the earlier %s: %w", f.path, plainPath(err))
			}
			undo = append(undo, func() error { return robustio.Rename(path+"~", path) })
		}
		if err := robustio.Rename(temps[i], path); err != nil {
			return fmt.Errorf("cannot write %s: %w", f.path, plainPath(err))
		}
		if missing != nil {
			undo = append(undo, func() error { return os.Remove(path) })
		}
	}
	return nil
}

// writeTemp writes a file beside the place of f and returns its name, or "" when
// there is none.
func (f file) writeTemp(write func(io.Writer) error) (name string, err error) {
	// os.CreateTemp would make it readable to its owner only; created like
	// this it gets the permissions that the user's umask asks for.
	name = filepath.Join(filepath.Dir(f.path), fmt.Sprintf(".%s.%08x.part", filepath.Base(f.path), rand.Uint32()))
	w, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	buf := bufio.NewWriterSize(w, 1<<16)
	if err := write(buf); err != nil {
		return name, err
	}
	if err := buf.Flush(); err != nil {
		return name, err
	}
	return name, w.Sync()
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
