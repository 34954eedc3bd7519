package ratio

import (
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/signal"
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

func transform(v1, v2 []float64, f signal.Frame, rateHz int) spectrum {
	s := spectrum{periods: f.Periods, samples: len(v1), stepHz: float64(rateHz) / float64(len(v1)), frame: f}
	var wait sync.WaitGroup
	wait.Go(func() { s.x1 = fourier.NewFFT(len(v1)).Coefficients(nil, v1) })
	s.x2 = fourier.NewFFT(len(v2)).Coefficients(nil, v2)
	wait.Wait()
	return s
}

// roundingOf returns the power in a line of samples transformed together of what
// rounding did to x.
func roundingOf(x []float64, samples int) float64 {
	code := card.Code(x)
	return float64(samples) * code * code / 12
}

// isSignal reports whether line j holds the signal.
func (s spectrum) isSignal(j int) bool { return j%s.periods == 0 }

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
