package portaudio

import (
	"context"
	"fmt"
	"math/bits"
	"sync"
	"sync/atomic"
	"time"

	"tapload/measure/card"
)

var _ card.Streamer = (*Card)(nil)

// heldSeconds of sound at least are held for Read, twice what a reader is promised.
const heldSeconds = 20

// Stream implements card.Streamer. The card waits for the loop as for the signal of
// Play; it is taken until Close.
func (c *Card) Stream(ctx context.Context, l card.Loop) (card.Stream, error) {
	if err := c.claim(ctx, card.Output{RateHz: l.RateHz, Channels: [][]float64{l.Period}}); err != nil {
		return nil, err
	}
	e, err := c.sound(ctx, l)
	if c.again(ctx, err) {
		e, err = c.sound(ctx, l)
	}
	if err != nil {
		c.mu.Unlock()
		return nil, err
	}
	return e, nil
}

// sound is one attempt to have l sound.
func (c *Card) sound(ctx context.Context, l card.Loop) (*endless, error) {
	s := c.setup(l.RateHz)
	e := newEndless(s, l, c.inputs)
	e.card, e.ctx = c, ctx
	var err error
	if e.open, err = c.start(s, e.callback); err != nil {
		return nil, err
	}
	nothing := func() card.Progress { return card.Progress{} }
	if err := c.watch(ctx, &e.playing, e.begun, nothing, nil); err != nil {
		return nil, c.giveUp(e.open, err)
	}
	e.spared = context.AfterFunc(ctx, e.fadeOut)
	return e, nil
}

// endless is a loop on its way out and its recording on its way in, of which the
// newest is kept in a ring. The callback writes the ring ahead of what Frames tells,
// and overwrites only what is no longer promised.
type endless struct {
	playing
	period []float32
	rise   []float32 // gain, from 0 to 1
	v      [2][]float32
	early  int64 // frames before a flagged block that may be spoilt
	late   int64 // and behind it

	frames  atomic.Int64 // recorded
	whole   atomic.Int64 // nothing from this one on is known to be spoilt
	flagged atomic.Int64 // blocks
	read    atomic.Int64 // frame that Read has ended with

	card   *Card
	ctx    context.Context
	open   stream
	spared func() bool // lets ctx end without a word
	closed sync.Once
	end    error // of closing
}

func newEndless(s setup, l card.Loop, inputs [2]int) *endless {
	e := &endless{early: int64(frames(latency, s.rateHz)), late: int64(frames(2*latency, s.rateHz))}
	e.init(s, inputs)
	for _, x := range l.Period {
		e.period = append(e.period, float32(x))
	}
	for n := range frames(card.FadeIn, s.rateHz) {
		e.rise = append(e.rise, float32(card.FadeInGain(int64(n), s.rateHz)))
	}
	for ch := range e.v {
		e.v[ch] = make([]float32, 1<<bits.Len(uint(heldSeconds*s.rateHz)))
	}
	return e
}

// callback waits for one block, or plays and records it.
func (e *endless) callback(in, out []float32, s status) {
	if n, in, lapse, begun := e.block(in, out, s); begun {
		at := e.frames.Load()
		e.play(out, at)
		e.record(in, at, n)
		if lapse != 0 {
			e.flagged.Add(1)
			e.whole.Store(at + int64(n) + e.late)
		}
		e.frames.Store(at + int64(n))
	}
	e.calls.Add(1)
}

// play fills out with the loop from frame at on.
func (e *endless) play(out []float32, at int64) {
	ending, gone := e.ending.Load(), int(e.gone.Load())
	place := int(at % int64(len(e.period)))
	for i := 0; i < len(out); i += e.outputs {
		x := e.gain(ending, &gone) * e.period[place]
		if at < int64(len(e.rise)) {
			x *= e.rise[at]
		}
		for ch := range e.outputs {
			out[i+ch] = x
		}
		at++
		if place++; place == len(e.period) {
			place = 0
		}
	}
	e.gone.Store(int64(gone))
}

// record keeps n frames from frame at on, silence where there are none.
func (e *endless) record(in []float32, at int64, n int) {
	_ = e.read.Load() // what is overwritten was read before
	for ch, ring := range e.v {
		mask := int64(len(ring) - 1)
		var peak float32
		for i := range n {
			var x float32
			if in != nil {
				x = in[i*e.inputs+e.from[ch]]
			}
			ring[(at+int64(i))&mask] = x
			peak = max(peak, x, -x)
		}
		e.peak(ch, peak)
	}
}

// Wait implements card.Stream.
func (e *endless) Wait(ctx context.Context, n int64) error {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	calls, idle := e.calls.Load(), time.Duration(0)
	for {
		switch {
		case e.card.dead != nil:
			return e.card.dead
		case e.ctx.Err() != nil:
			return context.Cause(e.ctx)
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case e.Frames() >= n:
			return nil
		}
		select {
		case <-e.ctx.Done():
		case <-ctx.Done():
		case <-tick.C:
		}
		if idle += pollEvery; calls != e.calls.Load() {
			calls, idle = e.calls.Load(), 0
		}
		if idle >= e.card.patient {
			seconds := float64(e.frames.Load()) / float64(e.rateHz)
			e.card.die(fmt.Sprintf("card %q stopped after %.1f s and has not answered for %v", e.card.in, seconds, idle))
		}
	}
}

// Frames implements card.Stream. A flag may still be said of the newest 0.3 s.
func (e *endless) Frames() int64 { return max(0, e.frames.Load()-e.early) }

// Read implements card.Stream.
func (e *endless) Read(at int64, v1, v2 []float64) error {
	n, frames := int64(len(v1)), e.Frames()
	held := int64(heldSeconds/2) * int64(e.rateHz)
	first := max(0, frames-held)
	if at < first || at+n > frames {
		return card.Unread(at, len(v1), first, frames)
	}
	for ch, v := range [2][]float64{v1, v2} {
		ring := e.v[ch]
		for i := range v {
			v[i] = float64(ring[(at+int64(i))&int64(len(ring)-1)])
		}
	}
	e.read.Store(at + n)
	if gone := e.frames.Load() - int64(len(e.v[0])); gone > at {
		return card.Unread(at, len(v1), gone, frames) // it took that long
	}
	return nil
}

// BadAt implements card.Stream.
func (e *endless) BadAt() (whole int64, blocks int) { return e.whole.Load(), int(e.flagged.Load()) }

// Peaks implements card.Stream.
func (e *endless) Peaks() [2]float64 { return e.heard() }

// About implements card.Stream.
func (e *endless) About() card.Recording { return e.card.about(e.rateHz) }

// Close implements card.Stream. It does nothing more where the sound system has
// been found dead, because that would hang.
func (e *endless) Close() error {
	e.closed.Do(func() {
		defer e.card.mu.Unlock()
		e.spared()
		if e.card.dead != nil {
			return
		}
		e.fadeOut()
		idle, calls := time.Duration(0), e.calls.Load()
		for ; !e.faded() && idle < e.card.patient; idle += pollEvery {
			time.Sleep(pollEvery)
			if n := e.calls.Load(); n != calls {
				calls, idle = n, 0
			}
		}
		if !e.faded() {
			e.card.die(fmt.Sprintf("card %q stopped and has not answered for %v", e.card.in, idle))
			e.end = e.card.dead
			return
		}
		if err := e.card.within(callLimit, "stop", e.open.stop); err != nil {
			e.end = e.card.stopFault(err)
		}
	})
	return e.end
}
