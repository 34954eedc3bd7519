package portaudio

import (
	"errors"
	"maps"
	"math"
	"slices"
	"sync/atomic"
	"testing"
	"time"
)

// fake is a sound system without sound. It plays one scenario and complains,
// at the end of the test, of what was not done or done in vain. Run it inside
// a synctest bubble: it keeps the pace of a real card.
type fake struct {
	t       *testing.T
	devices []device
	blocks  []int                                         // frames of the blocks, over and over
	circuit func(input int, played []float32) (x float32) // what an input (from 0) hears of a frame played

	listErr, openErr, startErr, stopErr, closeErr error
	runsAt                                        float64 // rate of the hardware; 0 for the one asked for
	supported                                     []int   // rates, asked for after errRate
	status                                        map[int]status
	always                                        func(block int) status // beside status; nil for nothing
	noInput                                       []int                  // blocks without input
	sleeps                                        []int                  // the first streams bring so many blocks and no more
	stalls                                        map[int]time.Duration  // before these blocks
	slower                                        int                    // times than the rate, if above 0
	deadAfter                                     int                    // blocks, if above 0
	hangs                                         string

	// What was done.
	up, opened, stopped int
	setup               setup
	asked               []int // rates
	heard               []float32
	dead                atomic.Bool
	release             chan struct{}
}

var simple = []device{{index: 7, name: "Bench Box", api: "Fake", inputs: 2, outputs: 2, rateHz: 48000, defaultIn: true, defaultOut: true}}

// wire hears on every input what the output of the same number plays, the
// inputs told apart by their gain: 1, 1/2, 1/3, ...
func wire(input int, played []float32) float32 {
	return played[input%len(played)] / float32(input+1)
}

func newFake(t *testing.T) *fake {
	f := &fake{t: t, devices: simple, blocks: []int{1024}, circuit: wire, release: make(chan struct{})}
	t.Cleanup(f.finish)
	return f
}

// finish complains of all that is left over.
func (f *fake) finish() {
	close(f.release)
	if f.hangs != "" {
		return // what was called, or was not, is no longer known
	}
	if !f.dead.Load() && f.up != 0 {
		f.t.Errorf("the sound system was brought up %d times more often than closed", f.up)
	}
	if f.opened != f.stopped && !f.dead.Load() {
		f.t.Errorf("%d streams opened, %d stopped", f.opened, f.stopped)
	}
	for what, err := range map[string]error{"list": f.listErr, "open": f.openErr, "start": f.startErr, "stop": f.stopErr, "close": f.closeErr} {
		if err != nil {
			f.t.Errorf("%s was not called, and should have failed with %v", what, err)
		}
	}
	if len(f.sleeps) > 0 {
		f.t.Errorf("the test ended before streams fell asleep after %v blocks", f.sleeps)
	}
	if len(f.status) > 0 || len(f.noInput) > 0 {
		f.t.Errorf("the test ended before blocks %v with a status and %v without input", slices.Collect(maps.Keys(f.status)), f.noInput)
	}
	if f.deadAfter > 0 && !f.dead.Load() {
		f.t.Errorf("the test ended before the card died after block %d", f.deadAfter)
	}
	if f.supported != nil && len(f.asked) == 0 {
		f.t.Error("nobody asked which rates are supported")
	}
}

// called checks that a call is legal and returns the error planned for it,
// once.
func (f *fake) called(what string, planned *error) error {
	if f.dead.Load() {
		f.t.Errorf("%s was called of a dead sound system", what)
	}
	if what == f.hangs {
		<-f.release
		return errPlanned
	}
	err := *planned
	*planned = nil
	return err
}

func (f *fake) list() ([]device, error) {
	if err := f.called("list", &f.listErr); err != nil {
		return nil, err
	}
	f.up++
	return f.devices, nil
}

func (f *fake) about() (Library, error) {
	return Library{"Fake 1.0", []string{"b", "a"}}, nil
}

func (f *fake) close() error {
	err := f.called("close", &f.closeErr)
	if f.hangs == "close" {
		return err
	}
	if f.opened != f.stopped && f.hangs == "" {
		f.t.Error("the sound system was closed before the stream")
	}
	f.up--
	return err
}

func (f *fake) supports(s setup) error {
	f.asked = append(f.asked, s.rateHz)
	if !slices.Contains(f.supported, s.rateHz) {
		return errRate
	}
	return nil
}

func (f *fake) open(s setup, each callback) (stream, error) {
	if err := f.called("open", &f.openErr); err != nil {
		return nil, err
	}
	f.opened++
	f.setup = s
	return &fakeStream{fake: f, each: each, halt: make(chan struct{}), halted: make(chan struct{})}, nil
}

type fakeStream struct {
	*fake
	each         callback
	started      bool
	halt, halted chan struct{}
}

func (s *fakeStream) rateHz() float64 {
	if s.runsAt != 0 {
		return s.runsAt
	}
	return float64(s.setup.rateHz)
}

func (s *fakeStream) start() error {
	if err := s.called("start", &s.startErr); err != nil {
		return err
	}
	s.started = true
	go s.run()
	return nil
}

func (s *fakeStream) stop() error {
	err := s.called("stop", &s.stopErr)
	if s.hangs == "stop" {
		return err
	}
	s.stopped++
	if s.started {
		close(s.halt)
		<-s.halted
	}
	return err
}

// delay is how many frames pass before the inputs hear what was played: one
// block, the longest, as with a real system.
func (f *fake) delay() int { return slices.Max(f.blocks) }

// run calls back at the pace of the sample rate.
func (s *fakeStream) run() {
	defer close(s.halted)
	heard := make([]float32, s.delay()*s.setup.outputs) // as yet unheard by the inputs
	awake := math.MaxInt
	if len(s.sleeps) > 0 {
		awake, s.sleeps = s.sleeps[0], s.sleeps[1:]
	}
	for block := 0; ; block++ {
		if block == awake {
			select {
			case <-s.halt:
			case <-s.release:
			}
			return
		}
		if s.deadAfter > 0 && block == s.deadAfter {
			s.dead.Store(true)
			return
		}
		n := s.blocks[block%len(s.blocks)]
		select {
		case <-s.halt:
			return
		case <-s.release:
			return
		case <-time.After(s.stalls[block] + time.Duration(max(1, s.slower)*n)*time.Second/time.Duration(s.setup.rateHz)):
		}
		in := make([]float32, n*s.setup.inputs)
		out := make([]float32, n*s.setup.outputs)
		for i := range out {
			out[i] = 9 // what the callback leaves alone is noticed
		}
		for i := range n {
			for ch := range s.setup.inputs {
				in[i*s.setup.inputs+ch] = s.circuit(ch, heard[:s.setup.outputs])
			}
			heard = heard[s.setup.outputs:]
		}
		if at := slices.Index(s.noInput, block); at >= 0 {
			s.noInput = slices.Delete(s.noInput, at, at+1)
			in = nil
		}
		status := s.status[block]
		delete(s.status, block)
		if s.always != nil {
			status = s.always(block)
		}
		s.each(in, out, status)
		heard = append(heard, out...)
		s.heard = append(s.heard, out...)
	}
}

var errPlanned = errors.New("as planned")
