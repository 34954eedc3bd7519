package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	"time"

	"tapload/cmd/tapload/internal/files"
	"tapload/cmd/tapload/internal/lock"
)

const (
	// grace is how long a command that is stopped may take to end by itself.
	grace = 100 * time.Millisecond
	// longGrace is that of one that ends in no other way, and of one that holds a
	// sound card: its sound fades out, which is heard two buffers later, and a
	// program that ends under a playing driver may crash in it.
	longGrace = 2 * time.Second
)

// untilStopped is a context that ends with Ctrl-C, and with whatever else asks the
// program to end. A second Ctrl-C ends it at once.
func untilStopped() context.Context {
	stopped := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup, which outlives its terminal
		stopped = append(stopped, syscall.SIGHUP)
	}
	ctx, stop := signal.NotifyContext(context.Background(), stopped...)
	context.AfterFunc(ctx, stop)
	return ctx
}

// watched is run that ends soon after ctx whatever is being worked out, though
// never in the middle of a file.
func watched(ctx context.Context, args []string, e env, run func(context.Context, []string, env) int) int {
	// An answer that nobody reads any more is an error, and does not kill the
	// program in the middle of something.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)
	e.written = new(written)
	code := make(chan int, 1)
	go func() { code <- run(ctx, args, e) }()
	select {
	case c := <-code:
		return c
	case <-ctx.Done():
	}
	wait := grace
	if e.written.live.Load() || e.written.cards.Load() > 0 {
		wait = longGrace
	}
	select {
	case c := <-code:
		return c
	case <-time.After(wait):
	}
	files.Close()
	select {
	case c := <-code: // it was about to say what it wrote
		return c
	default:
		lock.Close()
		(&redrawn{w: e.stderr, terminal: e.columns >= progressWidth, shown: true}).end()
		return exitOf(ctx, e, ctx.Err())
	}
}
