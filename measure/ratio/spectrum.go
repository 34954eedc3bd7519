package ratio

import (
	"context"
	"math"
	"runtime/debug"

	"tapload/measure/signal"
	"tapload/measure/transform"
)

// spectrum is the transform of both channels over all counted periods. Line j
// is at j*stepHz; lines whose number is a multiple of periods hold the signal,
// the lines between hold noise alone.
type spectrum struct {
	x1, x2  []complex128 // sums over the samples, as the transform gives them
	periods int
	samples int
	stepHz  float64
	frame   signal.Frame
	lines   []int // of the period's spectrum that are excited; nil for all

	fft  *transform.Real // of all samples
	room []float64       // as many values to work in

	// doubt is what taking out hum left in doubt in the signal's lines: the
	// power of the error in either channel, by line.
	doubt map[int][2]float64

	drift *periodDrift // what was taken out of x2; nil for none

	// rounding is the power in a line of what rounding to the codes of a converter
	// does to either channel, which is noise of 1/12 of a code squared. Under a
	// signal that comes again to the code it comes again too, and the lines between
	// show nothing of it.
	rounding [2]float64
}

// longSamples is from how many samples on what was done with goes back to the
// system before their transform, which takes memory in one piece.
const longSamples = 1 << 22

// spectrumOf returns the spectrum of the counted samples in the memories of both
// channels, all but the first and the last value of each, in their place.
func spectrumOf(ctx context.Context, memory [2][]float64, f signal.Frame, rateHz int) (spectrum, error) {
	total := f.Period * f.Periods
	s := spectrum{periods: f.Periods, samples: total, stepHz: float64(rateHz) / float64(total), frame: f}
	if total >= longSamples {
		debug.FreeOSMemory()
	}
	s.fft, s.room = transform.New(total), make([]float64, total)
	s.x1, s.x2 = s.fft.Lines(memory[0]), s.fft.Lines(memory[1])
	return s, s.forward(ctx)
}

// forward replaces the samples in the place of the lines by those.
func (s spectrum) forward(ctx context.Context) error {
	if err := s.fft.Forward(ctx, s.x1, s.room); err != nil {
		return err
	}
	return s.fft.Forward(ctx, s.x2, s.room)
}

// samplesAgain returns the samples that the lines were made of, which were whole
// codes: rounded to those they come back to the last bit. The lines stay.
func (s spectrum) samplesAgain(ctx context.Context, code [2]float64) (*kept, error) {
	for ch, x := range [2][]complex128{s.x1, s.x2} {
		if err := s.fft.Backward(ctx, x, s.room); err != nil {
			return nil, err
		}
		v := s.fft.Values(x)
		for i := range v {
			if i%often == 0 && ctx.Err() != nil {
				return nil, ctx.Err()
			}
			v[i] = code[ch] * math.Round(v[i]/(code[ch]*float64(len(v))))
		}
	}
	k := keep(ctx, s.fft.Values(s.x1), s.fft.Values(s.x2), nil)
	return k, s.forward(ctx)
}

// roundingOf returns the power in a line of samples transformed together of what
// rounding to codes did to them.
func roundingOf(code float64, samples int) float64 {
	return float64(samples) * code * code / 12
}

// isSignal reports whether line j holds the signal.
func (s spectrum) isSignal(j int) bool { return j%s.periods == 0 }

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
