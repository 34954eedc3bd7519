// Package live serves the page at the bench to a browser of the same machine. It
// holds no rule of the trade: what is measured, done and answered comes from the
// functions of a World, and what it shows of it is what the commands print.
package live

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"tapload/plot/report"
)

// World is what the page shows and can do.
type World struct {
	// Watch measures until ctx ends, and tells of each moment what is then written
	// as JSON. It runs only while a page is open and nothing else is done.
	Watch func(ctx context.Context, tell func(any)) error

	// Stand is what the page shows besides, asked again whenever something was
	// done or Changed says so, and never while a step is done. What it returns after
	// ctx ended is not shown.
	Stand func(ctx context.Context) Stand

	// Changed reports, once a second while Watch runs, whether what Stand says may
	// have changed by other hands. It may be nil.
	Changed func() bool

	// First is the page of who never measured: it stands in the place of the curve
	// while Stand says so, and where somebody asks for it.
	First report.Document

	// Hold begins to count what Watch tells of a cable that is moved, anew each
	// time, or ends it.
	Hold func(on bool)

	// Do does a step with what was filled in, and may tell what it is at. It is
	// called for one step at a time, with Watch over.
	Do func(ctx context.Context, step string, filled map[string]string, tell func(At)) Answer
}

// At is what a step is at.
type At struct {
	Says    string     `json:"says"`
	Percent *int       `json:"percent"` // of what it is at; nil where nobody knows
	Peaks   [2]float64 `json:"peaks"`   // of the inputs, fraction of full scale; 0 where nothing plays
	Ticks   []Tick     `json:"ticks"`   // the step's, as they are now; nil for those that it had
}

// Stand is where the work stands.
type Stand struct {
	Title   string    `json:"title"`
	Facts   []string  `json:"facts"`    // card, jig, resistor, each a few words
	Caution string    `json:"caution"`  // before sound is played; "" where none is
	TapsOhm []float64 `json:"taps_ohm"` // of the amplifier, for the chart
	First   bool      `json:"first"`    // nothing is there yet to measure with
	Steps   []Step    `json:"steps"`
	History []Entry   `json:"history"` // newest first
}

// Step is something that can be done.
type Step struct {
	Name   string  `json:"name"`
	Title  string  `json:"title"`
	Says   string  `json:"says"`    // what its button will do
	Button string  `json:"button"`  // "" where it has none
	WhyNot string  `json:"why_not"` // why it cannot be done yet; "" where it can
	Next   bool    `json:"next"`    // it is what comes next
	Ticks  []Tick  `json:"ticks"`
	Fields []Field `json:"fields"`
}

// Tick is a part of a step.
type Tick struct {
	Says string `json:"says"`
	Done bool   `json:"done"`
}

// Field is something to fill in.
type Field struct {
	Name     string   `json:"name"`
	Says     string   `json:"says"`
	Value    string   `json:"value"` // what is filled in already
	Choices  []string `json:"choices"`
	Required bool     `json:"required"`
}

// Entry is something that was done and has a page.
type Entry struct {
	Name string                                 `json:"name"` // that no other has
	When string                                 `json:"when"`
	Says string                                 `json:"says"`
	Page func(context.Context, io.Writer) error `json:"-"` // writes its page as HTML, at any time
}

// Answer is what a step came to.
type Answer struct {
	OK    bool
	Says  string // the answer, or what went wrong
	Pages []report.Document
}

// Server is a page that is served.
type Server struct {
	world    World
	listener net.Listener
	secret   string
	hub      hub
	work     work
	guarded  http.Handler
	stand    atomic.Pointer[Stand]
	alone    time.Duration
}

// Listen makes the page of a World available at an address of this machine alone.
// ctx may end before it knows where the work stands, and then it fails.
func Listen(ctx context.Context, w World) (*Server, error) {
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("no page can be served to a browser of this machine: %w", err)
	}
	s := &Server{world: w, listener: l, secret: rand.Text()}
	s.work.changed = make(chan struct{}, 1)
	s.hub.changed = s.work.nudge
	s.guarded = s.guard(s.routes())
	if s.tellStand(ctx); ctx.Err() != nil {
		l.Close()
		return nil, ctx.Err()
	}
	return s, nil
}

// EndsAlone has Serve end when no page was open for so long.
func (s *Server) EndsAlone(after time.Duration) { s.alone = after }

// URL is the address to open. Whoever knows it can use the page.
func (s *Server) URL() string { return fmt.Sprintf("http://%s/%s/", s.listener.Addr(), s.secret) }

// lastWords is how long what is being answered has when Serve ends.
const lastWords = 100 * time.Millisecond

// Serve serves the page until ctx ends, or until no page was open for as long as
// EndsAlone says. Nothing that it began runs afterwards.
func (s *Server) Serve(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	streams, endStreams := context.WithCancel(context.Background())
	defer endStreams()
	server := &http.Server{
		Handler: s.guarded, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 20 * time.Second, MaxHeaderBytes: 16 << 10,
		BaseContext: func(net.Listener) context.Context { return streams },
	}
	server.RegisterOnShutdown(endStreams)
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(s.listener) }()
	worked := make(chan struct{})
	go func() { defer close(worked); s.supervise(ctx); cancel() }()
	var err error
	select {
	case err = <-failed:
		cancel()
	case <-ctx.Done():
		closing, stop := context.WithTimeout(context.Background(), lastWords)
		if err = server.Shutdown(closing); errors.Is(err, context.DeadlineExceeded) {
			err = server.Close() // a connection over which nobody asks anything holds nobody up
		}
		stop()
	}
	<-worked
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}
