package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
)

// output is standard output that remembers its first error, and ends the command
// with it: whoever prints need not look.
type output struct {
	w     io.Writer
	ended func()

	mu  sync.Mutex
	err error
}

func (o *output) Write(p []byte) (n int, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.err != nil {
		return 0, o.err
	}
	if n, o.err = o.w.Write(p); o.err != nil {
		o.ended()
	}
	return n, o.err
}

// judge returns the error of a command that ended with err: that of the output
// where nothing else went wrong.
func (o *output) judge(err error, w *written) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	_, decided := errors.AsType[*verdictError](err)
	if o.err == nil || err != nil && !decided && !errors.Is(err, context.Canceled) && !errors.Is(err, o.err) {
		return err
	}
	failed := fmt.Errorf("cannot print the answer: %w", plainPath(o.err))
	if len(w.all()) > 0 {
		failed = fmt.Errorf("%w; %s", failed, w.words())
	}
	return failed
}
