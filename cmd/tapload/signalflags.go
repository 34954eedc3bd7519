package main

import (
	"fmt"

	"github.com/spf13/pflag"

	"tapload/measure/signal"
)

// signalOptions are the flags that choose a test signal. The same flags make
// the same signal in every command.
type signalOptions struct {
	kind      string
	low, high hertz
	rate      int
	level     decibel
	periods   int
	period    seconds
}

func defaultSignal() signalOptions {
	return signalOptions{
		kind: "chirp", low: signal.DefaultLowHz, high: signal.DefaultHighHz, rate: signal.DefaultRateHz,
		level: -6, periods: signal.DefaultPeriods, period: signal.DefaultSeconds,
	}
}

func (o *signalOptions) register(f *pflag.FlagSet) {
	*o = defaultSignal()
	f.StringVar(&o.kind, "signal", o.kind, "`kind` of test signal")
	f.Var(&o.low, "low", "low end of the measured band")
	f.Var(&o.high, "high", "high end of the measured band")
	f.IntVar(&o.rate, "rate", o.rate, "sample rate, in `hz`")
	f.Var(&o.level, "level", "loudest sample, relative to full scale")
	f.IntVar(&o.periods, "periods", o.periods, "how often the chirp is measured, `n` times, 2 or more")
	f.Var(&o.period, "period", "length of one chirp; the nearest that suits is taken")
	f.Lookup("period").DefValue = "5.46" // of which all digits would only confuse
}

// make returns the signal that the flags ask for.
func (o signalOptions) make() (signal.Periodic, error) {
	if o.kind != "chirp" {
		return nil, fmt.Errorf("--signal %q: the only kind is chirp", o.kind)
	}
	// The library would take a zero for "use the default".
	if o.rate == 0 || o.periods == 0 {
		return nil, fmt.Errorf("--rate and --periods must be above 0")
	}
	return signal.NewChirp(signal.ChirpOptions{
		RateHz: o.rate, LowHz: float64(o.low), HighHz: float64(o.high),
		Peak: o.level.fraction(), PeriodSeconds: float64(o.period), Periods: o.periods,
	})
}
