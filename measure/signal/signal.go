// Package signal makes the test signals, and keeps of each the exact law from
// which every sample can be made again.
//
// Samples are fractions of full scale; frequencies are in hertz and lengths in
// samples.
package signal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"tapload/measure/oneline"
)

// Signal is a test signal.
type Signal interface {
	Rate() int          // sample rate, Hz
	Samples() []float64 // the whole signal from the first to the last sample; the caller owns the slice
}

// Periodic is a Signal that repeats. In its counted periods a linear circuit
// is in steady state, so a spectrum taken over a whole number of them holds
// the signal in every Periods-th line alone: the lines between show noise.
type Periodic interface {
	Signal
	Frame() Frame

	// Cycle returns one period, from the first counted sample on, which the
	// caller owns. An error is that of ctx.
	Cycle(ctx context.Context) ([]float64, error)
}

// Frame is how a periodic signal lies in time and in frequency.
type Frame struct {
	LeadIn  int // samples before the first counted period; the signal's own cyclic continuation
	Period  int // samples of one period
	Periods int // counted periods
	Tail    int // samples after the last counted period, cyclic again
	Fade    int // samples of the fade at either end, inside LeadIn and Tail

	LowHz, HighHz float64 // the band in which the signal measures
}

// Len returns the length of the whole signal in samples.
func (f Frame) Len() int { return f.LeadIn + f.Period*f.Periods + f.Tail }

const (
	leadInSeconds = 0.6 // fade, then at least 0.5 s for transients to die
	tailSeconds   = 0.3 // room for an uncertain start, then the fade
	fadeSeconds   = 0.1
)

// frameOf is the layout of periods of that length with the usual lead-in, tail
// and fades.
func frameOf(rateHz, period, periods int, lowHz, highHz float64) Frame {
	samples := func(s float64) int { return int(math.Round(s * float64(rateHz))) }
	return Frame{
		LeadIn: samples(leadInSeconds), Period: period, Periods: periods,
		Tail: samples(tailSeconds), Fade: samples(fadeSeconds),
		LowHz: lowHz, HighHz: highHz,
	}
}

// check returns an error that names what is wrong with f at the given rate.
func (f Frame) check(rateHz int) error {
	if rateHz < minRateHz || rateHz > maxRateHz {
		return fmt.Errorf("sample rate %d Hz is outside %d to %d Hz", rateHz, minRateHz, maxRateHz)
	}
	longest := maxSeconds * rateHz
	switch {
	case f.Period <= 0 || f.Periods < 2:
		return fmt.Errorf("a periodic signal needs a period above 0 and at least two counted periods, not %d of %d samples", f.Periods, f.Period)
	case f.Fade < 0 || f.Fade > f.LeadIn || f.Fade > f.Tail:
		return fmt.Errorf("fade of %d samples must lie inside the lead-in (%d) and the tail (%d)", f.Fade, f.LeadIn, f.Tail)
	case f.Periods > longest/f.Period || f.LeadIn > longest || f.Tail > longest || f.Len() > longest: // each by itself first, since the sum could overflow
		return fmt.Errorf("a signal of %d + %d x %d + %d samples is longer than %d s at %d Hz", f.LeadIn, f.Periods, f.Period, f.Tail, maxSeconds, rateHz)
	case !Smooth(f.Period * f.Periods):
		return fmt.Errorf("%d periods of %d samples: the product must have no prime factor above 5", f.Periods, f.Period)
	case !(f.LowHz > 0) || !(f.HighHz > f.LowHz) || f.HighHz > float64(rateHz)/2:
		return fmt.Errorf("band from %g to %g Hz must rise and end below half the sample rate of %d Hz", f.LowHz, f.HighHz, rateHz)
	}
	return nil
}

const (
	minRateHz, maxRateHz = 8000, 768000
	maxSeconds           = 600
)

// unroll lays a period out as the whole signal: cyclic lead-in, counted
// periods, cyclic tail, raised-cosine fades at both ends.
func (f Frame) unroll(cycle []float64) []float64 {
	x := make([]float64, f.Len())
	f.Fill(x, cycle, 0)
	return x
}

// whole returns x, which only the end of a context keeps from being worked out.
func whole(x []float64, err error) []float64 {
	if err != nil {
		panic(err)
	}
	return x
}

// Fill fills x with the samples from number from on of the signal that has that
// cycle, of which there must be as many.
func (f Frame) Fill(x, cycle []float64, from int) {
	at := (from + f.Period - f.LeadIn%f.Period) % f.Period
	for i := range x {
		x[i] = cycle[at]
		if at++; at == f.Period {
			at = 0
		}
	}
	end, last := from+len(x), f.Len()-1
	for i := from; i < min(end, f.Fade); i++ {
		x[i-from] *= halfCosine((float64(i) + 0.5) / float64(f.Fade))
	}
	for i := max(from, f.Len()-f.Fade); i < end; i++ {
		x[i-from] *= halfCosine((float64(last-i) + 0.5) / float64(f.Fade))
	}
}

// halfCosine rises smoothly from 0 at 0 to 1 at 1.
func halfCosine(x float64) float64 { return 0.5 - 0.5*math.Cos(math.Pi*x) }

// MainsHz are the mains frequencies that a period must not hold a whole number
// of cycles of: hum would then look the same in every period, and the scatter
// between periods would not show it.
var MainsHz = [...]float64{50, 60}

// A period stays so far, in cycles, from a whole number of cycles of the mains
// and of its harmonics up to the third, the strongest in hum.
const (
	mainsClear    = 0.05
	harmonicClear = 0.02
	humHarmonics  = 3
)

// PeriodNear returns the length in samples, near to the given time, of a
// period that transforms fast (no prime factor above 5) and stays clear of
// whole mains cycles. Rates that are each other's double get periods that are
// each other's double, so that their curves share one frequency grid.
func PeriodNear(rateHz int, seconds float64) int {
	base, double := halved(rateHz)
	want := int(math.Round(seconds * float64(base)))
	for d := 0; ; d++ {
		for _, n := range []int{want - d, want + d} {
			if n%2 == 0 && factors(n) <= fewFactors && clearOfMains(float64(n)/float64(base)) {
				return n * double
			}
		}
	}
}

// halved returns the rate of at most 48 kHz that rateHz is a power of two
// times, as far as halving leaves a whole number, and that power.
func halved(rateHz int) (base, double int) {
	base, double = rateHz, 1
	for base > 48000 && base%2 == 0 {
		base, double = base/2, double*2
	}
	return base, double
}

func clearOfMains(seconds float64) bool {
	for _, hz := range MainsHz {
		for h := 1.0; h <= humHarmonics; h++ {
			least := harmonicClear
			if h == 1 {
				least = mainsClear
			}
			cycles := hz * h * seconds
			if math.Abs(cycles-math.Round(cycles)) < least {
				return false
			}
		}
	}
	return true
}

// Decode reads the law of a signal back from the JSON that its MarshalJSON
// wrote. It fails on an unknown kind and on a law that no option could have
// made.
func Decode(data []byte) (Signal, error) {
	var head struct {
		Kind string `json:"kind"`
	}
	if err := json.Unmarshal(data, &head); err != nil {
		return nil, errors.New("signal law: not an object of JSON with the kind of a signal")
	}
	switch head.Kind {
	case kindChirp:
		return decodeChirp(data)
	case kindMultitone:
		return decodeMultitone(data)
	case kindTones:
		return decodeTones(data)
	case kindRounds:
		return decodeRounds(data)
	case kindListen, kindProgram:
		return decodeMaterial(data)
	default:
		return nil, fmt.Errorf("signal law of kind %s is unknown; this version knows %q, %q, %q, %q, %q, %q", oneline.Quote(head.Kind), kindChirp, kindMultitone, kindTones, kindRounds, kindListen, kindProgram)
	}
}
