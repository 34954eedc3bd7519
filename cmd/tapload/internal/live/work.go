package live

import (
	"context"
	"sync"
	"time"
)

// Working is a step that is being done, or the last that was.
type Working struct {
	Step    string `json:"step"`
	Running bool   `json:"running"`
	OK      bool   `json:"ok"`
	At             // while it runs; then what it says is what it came to
	Answers []int  `json:"answers"` // numbers of its pages
}

// work is what is being done: a step, or else the watching.
type work struct {
	changed chan struct{}

	mu     sync.Mutex
	next   *order
	stop   context.CancelFunc // of the step that is being done
	answer [][]byte           // pages, by their number
	first  int                // number of the first that is still kept
}

type order struct {
	step   string
	filled map[string]string
}

func (w *work) nudge() {
	select {
	case w.changed <- struct{}{}:
	default:
	}
}

// begin takes an order, unless there is one already.
func (w *work) begin(o order) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.next != nil {
		return false
	}
	w.next = &o
	w.nudge()
	return true
}

func (w *work) ordered() *order {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.next
}

// end ends the step that is being done.
func (w *work) end() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.stop != nil {
		w.stop()
	}
}

const keptAnswers = 50

func (w *work) keep(page []byte) (number int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.answer = append(w.answer, page)
	if len(w.answer) > keptAnswers {
		w.answer = w.answer[1:]
		w.first++
	}
	return w.first + len(w.answer) - 1
}

func (w *work) kept(number int) ([]byte, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if i := number - w.first; i >= 0 && i < len(w.answer) {
		return w.answer[i], true
	}
	return nil, false
}

// supervise does what is ordered, and watches while nothing is and a page is
// open, until ctx ends or nobody came for too long. One thing has the card at a
// time.
func (s *Server) supervise(ctx context.Context) {
	const again = 2 * time.Second // after the watching failed
	lonely := time.Now()
	var pause <-chan time.Time
	for ctx.Err() == nil {
		if o := s.work.ordered(); o != nil {
			s.do(ctx, *o)
			continue
		}
		if s.hub.open() > 0 && pause == nil {
			if s.watch(ctx) != nil {
				s.tellStand(ctx) // what is to be measured with may be another
				pause = time.After(again)
			}
			lonely = time.Now()
			continue
		}
		var alone <-chan time.Time
		if s.alone > 0 && s.hub.open() == 0 {
			alone = time.After(time.Until(lonely.Add(s.alone)))
		}
		select {
		case <-ctx.Done():
		case <-s.work.changed:
		case <-pause:
			pause = nil
		case <-alone:
			return
		}
	}
}

// watch watches until ctx ends, nobody looks any more or something is ordered.
func (s *Server) watch(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	over := make(chan error, 1)
	go func() { over <- s.world.Watch(ctx, func(v any) { s.hub.send(moment, v) }) }()
	look := time.NewTicker(time.Second)
	defer look.Stop()
	for {
		select {
		case err := <-over:
			if err != nil && ctx.Err() == nil {
				state, says := "fault", "cannot measure"
				if s.stand.Load().First { // which is no fault of anything
					state, says = "unset", "not set up yet"
				}
				s.hub.send(moment, map[string]any{"state": state, "says": says, "detail": err.Error()})
				return err
			}
			return nil
		case <-look.C:
			if s.world.Changed != nil && s.world.Changed() {
				s.tellStand(ctx)
			}
		case <-s.work.changed:
			if s.hub.open() == 0 || s.work.ordered() != nil {
				cancel()
			}
		}
	}
}

// do does a step and tells what it came to.
func (s *Server) do(ctx context.Context, o order) {
	stopped, stop := context.WithCancel(ctx)
	defer stop()
	s.work.mu.Lock()
	s.work.stop = stop
	s.work.mu.Unlock()
	s.hub.send(working, Working{Step: o.step, Running: true})
	a := s.world.Do(stopped, o.step, o.filled, func(at At) {
		s.hub.send(working, Working{Step: o.step, Running: true, At: at})
	})
	done := Working{Step: o.step, OK: a.OK, At: At{Says: a.Says}}
	for _, d := range a.Pages {
		page, err := pageOf(context.WithoutCancel(ctx), d) // what was done is shown
		if err != nil {
			done.OK, done.At.Says = false, err.Error()
			continue
		}
		done.Answers = append(done.Answers, s.work.keep(page))
	}
	s.work.mu.Lock()
	s.work.next, s.work.stop = nil, nil
	s.work.mu.Unlock()
	s.tellStand(ctx)
	s.hub.send(working, done)
}

// tellStand tells where the work stands, unless ctx ends before that is known.
func (s *Server) tellStand(ctx context.Context) {
	at := s.world.Stand(ctx)
	if ctx.Err() != nil {
		return
	}
	s.stand.Store(&at)
	s.hub.send(stand, at)
}
