package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	"tapload/measure"
	"tapload/measure/oneline"
	"tapload/measure/signal"
)

// signalOptions are the flags that choose a test signal. The same flags make
// the same signal in every command.
type signalOptions struct {
	kind      string
	low, high hertz
	rate      int
	levels    levels
	series    bool // several levels are taken

	periods   int
	period    seconds
	perOctave int
	dwell     seconds
	settle    seconds

	wanted fraction
	limit  seconds

	material *materialOptions // nil where there is none

	given func(flag string) bool
}

// The kinds of test signal.
const (
	chirp     = "chirp"
	multitone = "multitone"
	tones     = "tones"
)

// signalFlags are the flags that only some kinds of signal have.
var signalFlags = []struct {
	name  string
	kinds []string
}{
	{"periods", []string{chirp, multitone}},
	{"period", []string{chirp, multitone}},
	{"distortion", []string{chirp}},
	{"points-per-octave", []string{multitone, tones}},
	{"dwell", []string{tones}},
	{"settle", []string{tones}},
	{"wanted", []string{tones}},
	{"time-limit", []string{tones}},
	{"level", []string{chirp, multitone, tones, wavFile}},
	{"seconds", []string{listen}},
	{"coherence", []string{listen, wavFile}},
	{"amplifier-connected", []string{listen, wavFile}},
	{"full-scale-volt", []string{listen, wavFile}},
	{"probe-ratio", []string{listen, wavFile}},
}

func defaultSignal() signalOptions {
	return signalOptions{
		kind: chirp, low: signal.DefaultLowHz, high: signal.DefaultHighHz, rate: signal.DefaultRateHz,
		levels: levels{-6}, periods: signal.DefaultPeriods, period: signal.DefaultSeconds,
		dwell: signal.DefaultDwell, settle: signal.DefaultSettle,
		wanted: 0.001, limit: 120,
		given: func(string) bool { return false },
	}
}

func (o *signalOptions) register(f *pflag.FlagSet) {
	o.registerSignal(f)
	f.Var(&o.wanted, "wanted", "how sure |Z| is to become at every tone (k = 2), while the time lasts")
	f.Var(&o.limit, "time-limit", "sound to play at most to get there")
	seldom(f, "periods", "period", "points-per-octave", "dwell", "settle", "wanted", "time-limit", "rate")
}

// registerSignal registers the flags that a signal without rounds has.
func (o *signalOptions) registerSignal(f *pflag.FlagSet) {
	*o = defaultSignal()
	o.given = f.Changed
	f.StringVar(&o.kind, "signal", o.kind, "`kind` of test signal: chirp, tones (slow and sure) or multitone")
	f.Var(&o.low, "low", "low end of the measured band")
	f.Var(&o.high, "high", "high end of the measured band")
	f.Var((*sampleRate)(&o.rate), "rate", "sample rate")
	f.Var(&o.levels, "level", "loudest sample, relative to full scale")
	f.IntVar(&o.periods, "periods", o.periods, "how often chirp or multitone is measured, `n` times, 2 or more")
	f.Var(&o.period, "period", "length of one chirp or multitone; the nearest that suits is taken")
	f.Lookup("period").DefValue = "5.46" // of which all digits would only confuse
	f.IntVar(&o.perOctave, "points-per-octave", 0, fmt.Sprintf("lines or tones an octave, `n`; %d for a multitone, %d for tones", signal.DefaultPerOctave, signal.DefaultTonesPerOctave))
	f.Lookup("points-per-octave").DefValue = "0" // which is not shown: it depends on the signal
	f.Var(&o.dwell, "dwell", "shortest time for which a tone is measured, in the first round")
	f.Var(&o.settle, "settle", "shortest time for which a load may settle to a tone")
}

// check returns what is wrong with the flags.
func (o signalOptions) check() error {
	if o.kind == multitone { // whose search for phases takes a while
		if err := o.fits(); err != nil {
			return err
		}
		return o.multitone().Check()
	}
	_, err := o.make(context.Background())
	return err
}

// fits returns an error where a flag has no meaning for the kind of signal.
func (o signalOptions) fits() error {
	switch o.class() {
	case chirp, multitone, tones:
	case listen, wavFile:
		if o.material == nil {
			return fmt.Errorf("--signal %s is for \"tapload sweep\" alone: standards and stimuli need a test signal", o.kind)
		}
	default:
		return fmt.Errorf("--signal %s: the kinds are %s, %s and %s; sweep also takes %s and a .wav file", oneline.Quote(o.kind), chirp, tones, multitone, listen)
	}
	for _, f := range signalFlags {
		if o.given(f.name) && !strings.Contains(" "+strings.Join(f.kinds, " ")+" ", " "+o.class()+" ") {
			return fmt.Errorf("--%s is for --signal %s; this one is %s", f.name, strings.Join(f.kinds, " or "), o.kind)
		}
	}
	if len(o.levels) > 1 && !o.series {
		return fmt.Errorf("--level %s: one level here; a series of levels is for \"tapload sweep\"", o.levels.String())
	}
	// The library would take a zero for "use the default".
	if o.rate == 0 || o.periods == 0 {
		return fmt.Errorf("--rate and --periods must be above 0")
	}
	if o.given("points-per-octave") && o.perOctave <= 0 {
		return fmt.Errorf("--points-per-octave %d must be above 0", o.perOctave)
	}
	if o.wanted == 0 {
		return fmt.Errorf("--wanted must be above 0")
	}
	return nil
}

// level is that of the first sweep, and of the only one where there is no
// series.
func (o signalOptions) level() decibel { return o.levels[0] }

func (o signalOptions) multitone() signal.MultitoneOptions {
	return signal.MultitoneOptions{
		RateHz: o.rate, LowHz: float64(o.low), HighHz: float64(o.high), Peak: o.level().fraction(),
		PeriodSeconds: float64(o.period), Periods: o.periods, PerOctave: o.perOctave,
	}
}

// make returns the signal that the flags ask for. An error may be that of ctx.
func (o signalOptions) make(ctx context.Context) (signal.Signal, error) {
	if err := o.fits(); err != nil {
		return nil, err
	}
	switch o.class() {
	case listen, wavFile:
		return o.makeMaterial()
	case multitone:
		return signal.NewMultitone(ctx, o.multitone())
	case tones:
		return signal.NewTones(signal.TonesOptions{
			RateHz: o.rate, LowHz: float64(o.low), HighHz: float64(o.high), Peak: o.level().fraction(),
			PerOctave: o.perOctave, DwellSeconds: float64(o.dwell), SettleSeconds: float64(o.settle),
		})
	default:
		return signal.NewChirp(signal.ChirpOptions{
			RateHz: o.rate, LowHz: float64(o.low), HighHz: float64(o.high),
			Peak: o.level().fraction(), PeriodSeconds: float64(o.period), Periods: o.periods,
		})
	}
}

// aim returns what tones are to be played for in further rounds, or nil where
// there are none: a recording is what it is.
func (o signalOptions) aim(s sourceOptions) *measure.Aim {
	if o.kind != tones || s.replay != "" {
		return nil
	}
	return &measure.Aim{Wanted: float64(o.wanted), Seconds: float64(o.limit)}
}

// checkFor returns what is wrong with the source, or with the flags for it.
func (o signalOptions) checkFor(s sourceOptions) error {
	if err := s.check(); err != nil {
		return err
	}
	for _, name := range []string{"wanted", "time-limit"} {
		if o.given(name) && s.replay != "" {
			return fmt.Errorf("--%s is not for a recording (--replay), which has no further rounds; use --dwell in stimulus and here", name)
		}
	}
	if o.heard() {
		if err := o.fits(); err != nil {
			return err
		}
		return o.checkMaterial(s)
	}
	return o.check()
}
