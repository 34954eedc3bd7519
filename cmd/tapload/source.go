package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/pflag"

	"tapload/fixtures/bench"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/card/portaudio"
)

// sourceOptions are the flags that say where the two voltages come from.
type sourceOptions struct {
	card, bench, replay string
	player              string
	inputs              inputs
	seed                uint64

	given   func(flag string) bool
	onBench func(*bench.Bench) // what is to be connected first, which people do elsewhere; may be nil
}

func (o *sourceOptions) register(f *pflag.FlagSet) {
	o.registerOwn(f)
	f.StringVar(&o.replay, "replay", "", "recording to use, a two-channel WAV `file`")
	f.Uint64Var(&o.seed, "seed", 0, "`number` that the virtual bench's noise starts from")
	seldom(f, "seed")
}

// registerOwn registers the flags of what a workshop has itself.
func (o *sourceOptions) registerOwn(f *pflag.FlagSet) {
	o.inputs = inputs{1, 2}
	o.given = f.Changed
	f.StringVar(&o.card, "card", "", "sound card, by `name` or a part of it; \"\" is the one that the sound system prefers")
	f.StringVar(&o.player, "player", "", "another card that plays, by `name`, of the same interface")
	f.Var(&o.inputs, "channels", "inputs that hear V1 and V2")
	f.StringVar(&o.bench, "bench", "", "virtual bench, described in this `file`")
	seldom(f, "player")
}

func (o sourceOptions) check() error {
	var named []string
	for _, name := range []string{"card", "bench", "replay"} {
		if o.given(name) {
			named = append(named, "--"+name)
		}
	}
	for _, file := range []struct{ flag, path string }{{"bench", o.bench}, {"replay", o.replay}} {
		if o.given(file.flag) && file.path == "" {
			return fmt.Errorf("--%s \"\": there is no file without a name", file.flag)
		}
	}
	switch {
	case len(named) == 0:
		return errors.New("say what to measure with, once for all by \"tapload setup --card NAME --sense-ohm 10\", or here: --card NAME, --bench FILE or --replay FILE.wav")
	case len(named) > 1:
		return fmt.Errorf("%s and %s: measure with one of them", named[0], named[1])
	case o.given("seed") && o.bench == "":
		return errors.New("--seed is for the virtual bench (--bench) only")
	case o.given("player") && !o.live():
		return errors.New("--player is for a sound card (--card) only")
	case o.given("channels") && o.bench != "":
		return errors.New("--channels is for a card or a recording; a virtual bench has just V1 and V2")
	}
	return nil
}

// live reports whether sound will be played for real.
func (o sourceOptions) live() bool { return o.given("card") }

// open returns the card that the flags name, of the sound system of e where they
// name a sound card, and says which that was. A recording brings its own sample
// rate, which sig then takes unless the flags insist on another. Let go of the
// card with close.
func (o sourceOptions) open(e env, sig *signalOptions) (c card.Card, close func() error, err error) {
	close = func() error { return nil }
	switch {
	case o.bench != "":
		b, err := bench.Load(o.bench)
		if err != nil {
			return nil, nil, err
		}
		if o.given("seed") {
			b.Seed = o.seed
		}
		if o.onBench != nil {
			o.onBench(b)
		}
		return b, close, nil
	case o.replay != "":
		r, err := card.OpenReplay(o.replay, o.inputs)
		if err != nil {
			return nil, nil, err
		}
		if !o.given("rate") {
			sig.rate = r.RateHz()
		}
		if sig.material != nil {
			sig.material.seconds = seconds(r.Seconds())
		}
		return r, close, nil
	}
	p, err := e.sound.open(portaudio.Options{Name: o.card, Output: o.player, Inputs: o.inputs})
	if err != nil {
		return nil, nil, err
	}
	if note := p.Note(); note != "" {
		e.say("note: " + note)
	}
	letGo := e.written.holdsCard()
	return p, func() error {
		defer letGo()
		return p.Close()
	}, nil
}

// soundSystem lists the sound cards that there are, with what it says of itself
// meanwhile, and opens one of them.
type soundSystem interface {
	list() (infos []portaudio.Info, chatter string, err error)
	open(portaudio.Options) (soundCard, error)
}

// soundCard is a card to be let go of, with what is to be said of the choice.
type soundCard interface {
	card.Card
	Note() string
	Close() error
}

// hardware is the sound system of this computer.
type hardware struct{}

func (hardware) list() ([]portaudio.Info, string, error) { return portaudio.List() }
func (hardware) open(o portaudio.Options) (soundCard, error) {
	c, err := portaudio.Open(o)
	if err != nil {
		return nil, err // and not a card that is nil inside
	}
	return c, nil
}

// inSeries returns c as a card for several plays: those of a virtual bench then
// have noise of their own each.
func inSeries(c card.Card) card.Card {
	if b, ok := c.(*bench.Bench); ok {
		return bench.NewSeries(b)
	}
	return c
}

// setup opens the card that the flags name and returns what measures their signal
// with it. Where sound will be played for real it gives the caution and shows
// progress; call end when the measurement is over.
func (e env) setup(ctx context.Context, o sourceOptions, s *signalOptions) (setup measure.Setup, end func() error, err error) {
	c, closeCard, err := o.open(e, s)
	if err != nil {
		return setup, nil, err
	}
	sig, err := s.make(ctx)
	if err != nil {
		return setup, nil, errors.Join(err, closeCard())
	}
	setup = measure.Setup{Card: inSeries(c), Signal: sig, Aim: s.aim(o), Simulated: o.bench != "", Now: e.now().UTC(), Progress: e.page.progress()}
	if s.heard() {
		setup.FullScaleVolt = s.material.fullScaleVolt()
	}
	if !o.live() || setup.Progress != nil {
		return setup, closeCard, nil
	}
	p := newProgress(e)
	if s.heard() {
		e.say(connectedCaution)
		if s.class() == listen {
			p.doing = "hearing"
		}
	} else {
		e.say(caution)
	}
	setup.Progress = p.report
	return setup, func() error { p.end(); return closeCard() }, nil
}

// caution stands before every sound on real hardware.
const caution = "caution: measure with no amplifier connected, and start quiet"
