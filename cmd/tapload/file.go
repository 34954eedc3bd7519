package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"tapload/cmd/tapload/internal/files"
)

// file is a result on its way to disk.
type file = files.File

// plainPath takes the system call and the path off a file error: the sentence
// around it names the path already.
func plainPath(err error) error { return files.Plain(err) }

// save writes all files or none, and then says under which names those that were
// there are kept.
func (e env) save(all ...file) error {
	err := files.Write(func(kept []files.Kept, err error) {
		for _, k := range kept {
			e.say("note: the earlier " + k.Path + " is now " + k.Now)
		}
		if moved, is := errors.AsType[*files.Rescued](err); is {
			e.written.add(moved.Path)
		}
		for _, f := range all {
			if err == nil {
				e.written.add(f.Path)
			}
		}
	}, all...)
	if _, rescued := errors.AsType[*files.Rescued](err); !rescued && errors.Is(err, context.Canceled) {
		return err // stopped while it was made
	}
	if err != nil {
		return unsaved{err}
	}
	return nil
}

// rescue keeps a measurement whose place must not take it now beside that, and says in
// the error where it is.
func (e env) rescue(f file, cause error) error {
	return files.Rescue(func(err error) {
		if moved, is := errors.AsType[*files.Rescued](err); is {
			e.written.add(moved.Path)
		}
	}, f, cause)
}

// write is save for a command that prints nothing else: it says what is written.
func (e env) write(all ...file) error {
	if err := e.save(all...); err != nil {
		return err
	}
	for _, f := range all {
		e.say("written " + f.Path)
	}
	return nil
}

func exists(path string) bool { return files.Exists(path) }

// written are the files that a command line has written so far.
type written struct {
	outer *written     // of the command that runs this one; nil for none
	live  atomic.Bool  // the command goes on until it is stopped
	cards atomic.Int32 // sound cards that it holds

	mu    sync.Mutex
	paths []string
}

func (w *written) add(paths ...string) {
	if w == nil {
		return
	}
	w.outer.add(paths...)
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, path := range paths {
		if !slices.Contains(w.paths, path) {
			w.paths = append(w.paths, path)
		}
	}
}

// drop forgets a file that was taken away again.
func (w *written) drop(path string) {
	if w == nil {
		return
	}
	w.outer.drop(path)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.paths = slices.DeleteFunc(w.paths, func(p string) bool { return p == path })
}

// goesOn says that only Ctrl-C ends the command, which is no fault.
func (w *written) goesOn() {
	for ; w != nil; w = w.outer {
		w.live.Store(true)
	}
}

// holdsCard says that the command holds a sound card, until letGo is called.
func (w *written) holdsCard() (letGo func()) {
	for one := w; one != nil; one = one.outer {
		one.cards.Add(1)
	}
	return func() {
		for one := w; one != nil; one = one.outer {
			one.cards.Add(-1)
		}
	}
}

// words says what a command that was stopped has written.
func (w *written) words() string {
	const most = 4
	switch all := w.all(); {
	case len(all) == 0:
		return "no result was written"
	case len(all) > most:
		return fmt.Sprintf("%d files were written before that, the last of them %s", len(all), all[len(all)-1])
	default:
		return "written before that: " + strings.Join(all, ", ")
	}
}

func (w *written) all() []string {
	if w == nil {
		return nil
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.paths)
}
