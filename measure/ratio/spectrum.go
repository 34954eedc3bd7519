package ratio

import (
	"context"

	"tapload/measure/signal"
	"tapload/measure/transform"
)

// spectrum is the transform of both channels over all counted periods. Line j
// is at j*stepHz; lines whose number is a multiple of periods hold the signal,
// the lines between hold noise alone.
type spectrum struct {
	x1, x2  *transform.Spectrum // sums over the samples, as the transform gives them
	periods int
	samples int
	stepHz  float64
	frame   signal.Frame
	lines   []int // of the period's spectrum that are excited; nil for all

	// doubt is what taking out hum left in doubt in the signal's lines: the
	// power of the error in either channel, by line.
	doubt map[int][2]float64

	drift *periodDrift // what was taken out of x2; nil for none

	// rounding is the power in a line of what rounding to the codes of a converter
	// does to either channel, which is noise of 1/12 of a code squared. Under a
	// signal that comes again to the code it comes again too, and the lines between
	// show nothing of it.
	rounding [2]float64

	// beyond is the power of either channel in the lines above the last one that hold no
	// signal, 0 where all lines are kept. The skirts of hum are in it, which there, of so many
	// samples, are nothing beside the noise.
	beyond [2]float64
}

// between returns the power in the lines x, of s or of one of the parts that it is joined
// of, which hold no signal: the periods' lines are every so many in both.
func (s spectrum) between(ctx context.Context, x *transform.Spectrum) (power float64) {
	for k := 1; k < x.Len(); k++ {
		if k%often == 0 && ctx.Err() != nil {
			break
		}
		if !s.isSignal(k) {
			power += abs2(x.At(k))
		}
	}
	return power
}

// roundingOf returns the power in a line of samples transformed together of what
// rounding to codes did to them.
func roundingOf(code float64, samples int) float64 {
	return float64(samples) * code * code / 12
}

// isSignal reports whether line j holds the signal.
func (s spectrum) isSignal(j int) bool { return j%s.periods == 0 }

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
