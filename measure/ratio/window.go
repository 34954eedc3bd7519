package ratio

import (
	"context"
	"fmt"
	"slices"

	"tapload/measure/card"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

// Window estimates the ratio from periods of a signal that sounds without end.
// In steady state any two periods or more serve, wherever they begin: both
// voltages then turn by the same phase. What changes within the window is not
// corrected, as Of corrects it: Repeated shows it. It is not safe for concurrent
// use.
type Window struct {
	s    spectrum
	fft  *transform.Real
	room []float64
}

// NewWindow returns the window of so many periods of sig, 2 or more.
func NewWindow(sig signal.Periodic, periods int) (*Window, error) {
	f := sig.Frame()
	f.Periods = periods
	total := f.Period * periods
	if periods < 2 || !signal.Smooth(total) {
		return nil, fmt.Errorf("a window of %d periods of %d samples: at least two are needed, and no prime factor above 5", periods, f.Period)
	}
	w := &Window{s: spectrum{
		periods: periods, samples: total, stepHz: float64(sig.Rate()) / float64(total), frame: f,
		x1: transform.Whole(make([]complex128, total/2+1)), x2: transform.Whole(make([]complex128, total/2+1)),
	}, fft: transform.New(total), room: make([]float64, total)}
	if sparse, ok := sig.(signal.Sparse); ok {
		w.s.lines = sparse.Lines()
	}
	return w, nil
}

// Len returns how many samples of each voltage make the window.
func (w *Window) Len() int { return w.s.samples }

// Ratio returns the ratio of v2 to v1, Len samples each. Its points are those
// that the signal carries, which may be none.
func (w *Window) Ratio(ctx context.Context, v1, v2 []float64) (Ratio, error) {
	var seen Seen
	s := w.s
	s.doubt = nil
	lines := [2][]complex128{s.x1.Lines(), s.x2.Lines()}
	for ch, v := range [2][]float64{v1, v2} {
		if len(v) != s.samples {
			return Ratio{}, fmt.Errorf("a window of %d samples cannot be made of %d", s.samples, len(v))
		}
		seen.Level[ch] = card.RMS(v)
		s.rounding[ch] = roundingOf(codeOf(ctx, v), s.samples)
		copy(w.fft.Values(lines[ch]), v)
		if err := w.fft.Forward(ctx, lines[ch], w.room); err != nil {
			return Ratio{}, err
		}
	}
	var err error
	if seen.Mains, s.doubt, err = s.takeOutHum(ctx); err != nil {
		return Ratio{}, err
	}
	points := s.points(ctx, &seen)
	if seen.Distortion = s.distortion(ctx, points); seen.Distortion[1] > 0 {
		s.doubtDistortion(points)
		seen.LeftOut = 0
		points = s.points(ctx, &seen)
	}
	seen.Moved = moved(points, seen.Distortion[1])
	return Ratio{Points: points, Seen: seen}, ctx.Err()
}

// Repeated is by how much a voltage differs from what it was a period before, as
// mean squares over blocks of a sixty-fourth of a period, fractions of full scale
// squared. Noise, hum and a slow drift make all blocks differ about as much. Where
// something changed at a moment, blocks on one side of it stand out, unless that
// was in the middle quarter of two periods: then most of them differ.
type Repeated struct{ Usual, Most float64 } // the lower quartile and the largest

const repeatedBlocks = 64 // a period

// Repeated compares each period of v, Len samples, with the one before.
func (w *Window) Repeated(v []float64) Repeated {
	period := w.s.frame.Period
	var blocks []float64
	for from := period; from < len(v); from += period {
		for b := range repeatedBlocks {
			lo, hi := from+period*b/repeatedBlocks, from+period*(b+1)/repeatedBlocks
			var sum float64
			for i := lo; i < hi; i++ {
				d := v[i] - v[i-period]
				sum += d * d
			}
			blocks = append(blocks, sum/float64(hi-lo))
		}
	}
	slices.Sort(blocks)
	return Repeated{Usual: blocks[len(blocks)/4], Most: blocks[len(blocks)-1]}
}
