// Package cores shares work among the cores of the machine.
package cores

import (
	"context"
	"runtime"
	"sync"
)

// InOrder does n pieces of work on all cores and takes each result in its
// turn, as soon as those before it are taken. It ends with the first error of
// take, or when ctx does.
func InOrder[T any](ctx context.Context, n int, work func(int) (T, error), take func(int, T, error) error) error {
	type outcome struct {
		result T
		err    error
	}
	ctx, stop := context.WithCancel(ctx)
	workers := min(runtime.GOMAXPROCS(0), n)
	// A result waits in its place; room bounds how many do.
	places := make([]chan outcome, n)
	for i := range places {
		places[i] = make(chan outcome, 1)
	}
	room := make(chan struct{}, 8*workers)
	next := make(chan int)
	var running sync.WaitGroup
	defer running.Wait()
	defer stop()
	running.Go(func() {
		defer close(next)
		for i := range n {
			select {
			case room <- struct{}{}:
			case <-ctx.Done():
				return
			}
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	})
	for range workers {
		running.Go(func() {
			for i := range next {
				r, err := work(i)
				places[i] <- outcome{r, err}
			}
		})
	}
	for i, place := range places {
		select {
		case o := <-place:
			<-room
			if ctx.Err() != nil {
				return ctx.Err() // and not what it made of the work
			}
			if err := take(i, o.result, o.err); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}
