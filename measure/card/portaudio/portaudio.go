// Package portaudio is the real sound card: it plays and records through the
// PortAudio library (19.6 or later), the only hardware and the only cgo of the
// module.
//
// A build without cgo loads the library at run time (system_dynamic.go): the
// same program then runs on machines that have it not, where the functions of
// this package fail with a fault that says what to install.
package portaudio

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"tapload/measure/card"
)

// Options chooses a sound card. The zero value of a field takes its default.
type Options struct {
	// Name of the card: of the card itself (Info.Name), of one of its devices,
	// or a part of either in any case that no other card's name has; "..." in a
	// name stands for what ShortName left out. "API: Name" looks among the
	// devices of one interface of the sound system only; a part of the
	// interface's name will do. Both halves of the card are taken by one interface, the best that the
	// name allows. Default: the sound system's own choice.
	Name string
	// Output names another card that plays, or one of its devices; it must be
	// of the same interface. Default: the card that records.
	Output string
	// Inputs that V1 and V2 come from, counted from 1. Default: 1 and 2.
	Inputs [2]int
	// Extra is how long recording goes on after the last sample was handed to
	// the card. It must be longer than the way through the card, out and back:
	// two buffers of 0.3 s, and up to 2 s on odd systems. A recording that ends
	// too early is found by the analysis, which says so. Default: 1 s.
	Extra time.Duration
	// Watchdog is how long the card may bring no block while the signal plays
	// before it counts as stopped; while it wakes it has 5 s. Default: 3 s.
	Watchdog time.Duration
}

const (
	// settle is how long a card must have run without a flag before the signal
	// begins, beyond the blocks that fill its buffers at once. A sound server that
	// was asleep flags its first blocks, or brings none for a second or two after
	// them.
	settle = 500 * time.Millisecond

	// wakeLimit is how long a card may take until its first block, after that
	// until its last flag before the signal, and between two blocks meanwhile.
	wakeLimit = 5 * time.Second

	// lead is the silence before the signal in the recording.
	lead = 100 * time.Millisecond

	defaultExtra = time.Second

	// While the signal plays a card that stays away for longer than its buffers
	// has spoilt the recording, which the analysis says and which leaves the
	// card usable. After this it counts as dead.
	defaultWatchdog = 3 * time.Second

	// latency is asked for in each direction. A dropout cannot be mended,
	// whereas latency costs nothing: nobody plays along. What a card calls its
	// own safe latency can be absurd either way. With 0.1 s every second sweep
	// through PulseAudio failed on a busy machine (testdata/figures/servers.txt).
	latency = 300 * time.Millisecond

	rateTolerance = 1e-4 // of the rate; drivers report 44099.98 Hz and the like

	pollEvery     = 10 * time.Millisecond
	progressEvery = 100 * time.Millisecond

	// callLimit bounds calls that only hang when the sound system has died; a
	// healthy one takes 0.1 s and its buffers. One that starts a server first,
	// or finds a device asleep, has openLimit.
	callLimit = 5 * time.Second
	openLimit = 10 * time.Second
)

// Card is an open sound card. Its methods may be called from any goroutine,
// but it plays one signal at a time.
type Card struct {
	sys     system
	said    *strings.Builder
	in, out device
	devices []device // all there are
	kind    Kind
	note    string
	inputs  [2]int // counted from 1
	extra   time.Duration
	patient time.Duration // before the card counts as stopped

	mu     sync.Mutex
	dead   *card.Fault // why the sound system must not be touched any more
	closed bool
}

var _ card.Card = (*Card)(nil)

// Open returns the card that o names, ready to play. It fails with a
// *card.Fault: Absent where there is no such card, more than one, or too few
// channels; the text lists what there is.
func Open(o Options) (*Card, error) {
	said := new(strings.Builder)
	return open(newSystem(said), said, o)
}

func open(sys system, said *strings.Builder, o Options) (*Card, error) {
	if o.Inputs == ([2]int{}) {
		o.Inputs = [2]int{1, 2}
	}
	if o.Extra == 0 {
		o.Extra = defaultExtra
	}
	if o.Watchdog == 0 {
		o.Watchdog = defaultWatchdog
	}
	switch {
	case o.Inputs[0] < 1 || o.Inputs[1] < 1 || o.Inputs[0] == o.Inputs[1]:
		return nil, fmt.Errorf("inputs %d,%d must be two different inputs, counted from 1", o.Inputs[0], o.Inputs[1])
	case o.Extra < 0 || o.Watchdog < 0:
		return nil, fmt.Errorf("extra time %v and watchdog %v must not be below 0", o.Extra, o.Watchdog)
	}

	devices, err := sys.list()
	if err != nil {
		return nil, systemFault(err)
	}
	c := &Card{sys: sys, said: said, devices: devices, inputs: o.Inputs, extra: o.Extra, patient: o.Watchdog}
	taken, err := choose(Group(exported(devices)), o)
	if err != nil {
		return nil, alsoFailed(err, sys.close())
	}
	c.in, c.out, c.kind, c.note = devices[taken.in.Place], devices[taken.out.Place], taken.kind, taken.note
	return c, nil
}

// Kind returns what stands between the program and the converters of the card.
func (c *Card) Kind() Kind { return c.kind }

// Note returns which devices were taken, as one sentence, or "" where Options
// named them exactly.
func (c *Card) Note() string { return c.note }

// Chatter returns what the sound system printed on standard error while the
// card was opened.
func (c *Card) Chatter() string { return c.said.String() }

// Close lets go of the card and of the sound system. It does nothing where
// Play has found the sound system dead, because that would hang.
func (c *Card) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed || c.dead != nil {
		return nil
	}
	c.closed = true
	if err := c.within(callLimit, "close", c.sys.close); err != nil {
		return fmt.Errorf("closing card %q: %w", c.in, err)
	}
	return nil
}

// Play implements card.Card. A mono signal is played on the first two outputs
// alike. The signal begins once the card has run for 0.5 s without a flag, to
// which it has 5 s to come; the recording starts 0.1 s before the signal and
// runs on for Options.Extra after it. A card that does not come up is tried
// twice. When ctx ends, the sound fades out over 50 ms from the next block on
// that the card asks for.
func (c *Card) Play(ctx context.Context, o card.Output) (card.Recording, error) {
	if err := c.claim(ctx, o); err != nil {
		return card.Recording{}, err
	}
	defer c.mu.Unlock()
	rec, err := c.take(ctx, o)
	if c.again(ctx, err) {
		rec, err = c.take(ctx, o)
	}
	return rec, err
}

// claim takes the card for sound like o; let go of it with c.mu.
func (c *Card) claim(ctx context.Context, o card.Output) (err error) {
	if !c.mu.TryLock() {
		return &card.Fault{Cause: card.Busy, Text: fmt.Sprintf("card %q is already playing", c.in)}
	}
	switch {
	case c.dead != nil:
		err = c.dead
	case c.closed:
		err = fmt.Errorf("card %q is closed", c.in)
	case ctx.Err() != nil:
		err = context.Cause(ctx)
	default:
		err = c.checkOutput(o)
	}
	if err != nil {
		c.mu.Unlock()
	}
	return err
}

// again reports whether what ended with err is to be tried once more. PulseAudio
// hangs now and then when it is about to suspend a card just as it is opened, and
// not the next time. Nothing was played.
func (c *Card) again(ctx context.Context, err error) bool {
	return errors.As(err, new(asleep)) && c.dead == nil && ctx.Err() == nil
}

// asleep is the fault of a card that does not come up.
type asleep struct{ *card.Fault }

func (a asleep) Unwrap() error { return a.Fault }

// take is one attempt to play o.
func (c *Card) take(ctx context.Context, o card.Output) (card.Recording, error) {
	s := c.setup(o.RateHz)
	t := newTake(s, o.Channels, c.inputs, timing{
		before: frames(lead, o.RateHz), after: frames(c.extra, o.RateHz),
		early: frames(latency, o.RateHz), late: frames(2*latency, o.RateHz),
	})
	str, err := c.start(s, t.callback)
	if err != nil {
		return card.Recording{}, err
	}
	if err := c.watch(ctx, &t.playing, t.complete, t.progress, o.Progress); err != nil {
		return card.Recording{}, c.giveUp(str, err)
	}
	if err := c.within(callLimit, "stop", str.stop); err != nil {
		return card.Recording{}, c.stopFault(err)
	}
	v1, v2 := t.recorded()
	rec := c.about(o.RateHz)
	rec.V1, rec.V2, rec.Flags = v1, v2, t.flags
	return rec, nil
}

// about returns what c says of every recording.
func (c *Card) about(rateHz int) card.Recording {
	return card.Recording{RateHz: rateHz, Bits: 24, Source: c.in.String(), Inputs: c.inputs}
}

func (c *Card) setup(rateHz int) setup {
	return setup{
		in: c.in, out: c.out, rateHz: rateHz,
		inputs: max(c.inputs[0], c.inputs[1]), outputs: min(2, c.out.outputs),
		latency: latency,
	}
}

// start opens a stream for s and starts it.
func (c *Card) start(s setup, each callback) (str stream, err error) {
	err = c.within(openLimit, "open", func() (err error) {
		str, err = c.sys.open(s, each)
		return err
	})
	if err != nil {
		return nil, c.openFault(s, err)
	}
	if got := str.rateHz(); math.Abs(got-float64(s.rateHz)) > rateTolerance*float64(s.rateHz) {
		fault := &card.Fault{Cause: card.WrongRate,
			Text:   fmt.Sprintf("card %q runs at %g Hz instead of the %d Hz asked for", c.in, got, s.rateHz),
			Advice: fmt.Sprintf("ask for %.0f Hz", got)}
		return nil, c.giveUp(str, fault)
	}
	if err := c.within(openLimit, "start", str.start); err != nil {
		fault := c.openFault(s, err)
		if errors.Is(err, errSlow) {
			return nil, c.giveUp(str, asleep{fault})
		}
		return nil, c.giveUp(str, fault)
	}
	return str, nil
}

// frames returns how many sample frames d takes.
func frames(d time.Duration, rateHz int) int {
	return int(math.Ceil(d.Seconds() * float64(rateHz)))
}

// giveUp stops s, unless that would hang, and returns err.
func (c *Card) giveUp(s stream, err error) error {
	if c.dead != nil {
		return err
	}
	return alsoFailed(err, c.within(callLimit, "stop", s.stop))
}

// alsoFailed returns err, with what went wrong while tidying up after it.
func alsoFailed(err, tidying error) error {
	if tidying == nil {
		return err
	}
	return fmt.Errorf("%w (and then: %w)", err, tidying)
}

// checkOutput returns an error where o cannot be played unchanged.
func (c *Card) checkOutput(o card.Output) error {
	if err := o.Check(); err != nil {
		return err
	}
	if len(o.Channels) > c.out.outputs {
		return &card.Fault{Cause: card.Absent, Text: fmt.Sprintf("card %q has %s, but the signal is stereo", c.out, plural(c.out.outputs, "output"))}
	}
	for ch, x := range o.Channels {
		for i, v := range x {
			if !(math.Abs(v) <= 1) {
				return fmt.Errorf("output channel %d, sample %d: %g is outside full scale, -1 to 1", ch+1, i, v)
			}
		}
	}
	return nil
}

// watch returns once p is complete, has faded out after the end of ctx, has
// waited in vain for the card to run without a flag, or has not been called for
// too long: while it plays the card is dead then. How far it has come is told to
// on, which may be nil.
func (c *Card) watch(ctx context.Context, p *playing, complete func() bool, come func() card.Progress, on func(card.Progress)) error {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	ended, fading := ctx.Done(), false
	var calls int64
	// Time is counted in ticks received, not read from a clock: while this
	// program is suspended or starved it must not accuse the card.
	var idle, waking, unreported time.Duration
	for {
		select {
		case <-ended:
			p.fadeOut()
			ended, fading = nil, true
			continue
		case <-tick.C:
		}
		idle += pollEvery
		if n := p.calls.Load(); n != calls {
			calls, idle = n, 0
		}
		done, begun := complete(), p.begun()
		if unreported += pollEvery; on != nil && (done || unreported >= progressEvery) {
			on(come())
			unreported = 0
		}
		patience := c.patient
		if !begun {
			patience = wakeLimit
			if calls > 0 {
				waking += pollEvery
			}
		}
		switch {
		case fading && (done || p.faded()):
			return context.Cause(ctx)
		case done:
			return nil
		case idle >= patience && !begun:
			p.fadeOut() // should it begin just now
			return asleep{c.asleepFault(p, patience)}
		case idle >= patience:
			at := come()
			c.die(fmt.Sprintf("card %q stopped after %.1f of %.1f s and has not answered for %v", c.in, at.Done.Seconds(), at.Total.Seconds(), patience))
			return c.dead
		case !begun && waking >= wakeLimit+latency+settle:
			p.fadeOut() // should it begin just now
			return c.restlessFault(p)
		}
	}
}

// die says that the card is dead.
func (c *Card) die(text string) {
	c.dead = &card.Fault{Cause: card.Stopped, Text: text,
		Advice: "check its plug and the sound server, then start the program again (the sound system is left open, since closing it now would hang)"}
}

// asleepFault says that the card has brought no block for so long, and the
// signal has not begun.
func (c *Card) asleepFault(p *playing, silent time.Duration) *card.Fault {
	text := fmt.Sprintf("card %q does not run: no sound came within %v of its start", c.in, silent)
	if p.calls.Load() > 0 {
		text = fmt.Sprintf("card %q stopped before the signal began and has not answered for %v", c.in, silent)
	}
	return &card.Fault{Cause: card.Stopped, Text: text,
		Advice: "check its plug and the sound server, then start the program again"}
}

// restlessFault says that the signal could not begin.
func (c *Card) restlessFault(p *playing) *card.Fault {
	flagged, blocks := p.waking.flagged.Load(), p.waking.blocks.Load()
	advice := "close other programs, choose another way to the card, or restart the sound server; nothing was played"
	if flagged == 0 {
		return &card.Fault{Cause: card.Stopped, Advice: advice,
			Text: fmt.Sprintf("card %q hardly runs: in %v it brought less than %v of sound", c.in, wakeLimit+latency+settle, settle)}
	}
	return &card.Fault{Cause: card.LostBlocks, Advice: advice,
		Text: fmt.Sprintf("card %q never ran for %v without losing sound, in the %v that it was given: its driver flagged %d of %d blocks (%v)",
			c.in, settle, wakeLimit+latency+settle, flagged, blocks, card.Lapse(p.waking.lapse.Load()))}
}

// within calls f and returns its error, or declares the sound system dead when
// f does not return within limit.
func (c *Card) within(limit time.Duration, what string, f func() error) error {
	result := make(chan error, 1)
	go func() { result <- f() }()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case err := <-result:
		return err
	case <-timer.C:
		c.dead = &card.Fault{Cause: card.Stopped,
			Text:   fmt.Sprintf("card %q did not %s within %v", c.in, what, limit),
			Advice: "check its plug and the sound server, then start the program again"}
		return c.dead
	}
}

// commonRates are tried, in hertz, to tell which the card would have taken.
var commonRates = [...]int{44100, 48000, 88200, 96000, 176400, 192000}

// openFault explains why s did not open or start.
func (c *Card) openFault(s setup, err error) *card.Fault {
	var fault *card.Fault
	switch {
	case errors.As(err, &fault):
		return fault
	case errors.Is(err, errRate):
		var takes []string
		for _, hz := range commonRates {
			t := s
			t.rateHz = hz
			if c.sys.supports(t) == nil {
				takes = append(takes, fmt.Sprint(hz))
			}
		}
		advice := "ask for the rate its sound server or mixer is set to"
		if len(takes) > 0 {
			advice = "ask for " + strings.Join(takes, ", ") + " Hz"
		}
		return &card.Fault{Cause: card.WrongRate, Text: fmt.Sprintf("card %q does not run at %d Hz", c.in, s.rateHz), Advice: advice}
	case errors.Is(err, errBusy):
		return &card.Fault{Cause: card.Busy, Text: fmt.Sprintf("card %q is in use", c.in),
			Advice: "close the program that uses it", Err: err}
	case errors.Is(err, errChannels):
		return &card.Fault{Cause: card.Absent, Text: fmt.Sprintf("card %q does not open with %s and %s",
			c.in, plural(s.inputs, "input"), plural(s.outputs, "output")), Err: err}
	case errors.Is(err, errSlow):
		return &card.Fault{Cause: card.Stopped, Text: fmt.Sprintf("card %q does not start", c.in),
			Advice: "check its plug and the sound server, then start the program again", Err: err}
	case errors.Is(err, errGone):
		return &card.Fault{Cause: card.Absent, Text: fmt.Sprintf("card %q is gone", c.in), Advice: "check its plug", Err: err}
	}
	return &card.Fault{Cause: card.Unknown, Text: fmt.Sprintf("card %q does not start", c.in), Err: err}
}

// stopFault explains why a stream did not stop in good order.
func (c *Card) stopFault(err error) error {
	if c.dead != nil {
		return c.dead
	}
	return &card.Fault{Cause: card.Unknown, Text: fmt.Sprintf("card %q did not stop in good order", c.in), Err: err}
}

// systemFault is the fault of a sound system that does not come up.
func systemFault(err error) error {
	var fault *card.Fault
	if errors.As(err, &fault) {
		return fault
	}
	return &card.Fault{Cause: card.Absent, Text: "the sound system does not start", Err: err}
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
