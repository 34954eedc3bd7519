package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/signal"
)

const (
	vanishBlock = 0.02 // s
	vanishOnset = 4.0  // times the background, from which a signal has begun
	vanishClear = 10.0 // likewise, from which its level is known
	vanishEarly = 0.35 // s after the onset that count as the beginning
	vanishLate  = 0.5  // s after it from which the rest counts
	vanishFall  = 6.0  // times by which the rest is below the beginning
	vanishGone  = 2.0  // times the background, below which nothing is left

	// By how many dB the levels of two periods may differ, from one block to the
	// next. A gain, however it moves, acts on neighbouring blocks alike.
	vanishScatter = 0.12
	vanishSure    = 20.0 // times the background, from which blocks are compared: hum may add to one and not to the other
	vanishFewest  = 10   // blocks
)

// loudness is the level of an input in blocks while a periodic signal plays.
type loudness struct {
	ctx        context.Context // it says less where that ends
	x          []float64
	rateHz     float64
	frame      signal.Frame
	block      int     // samples
	onset, end int     // of the signal, samples
	background float64 // rms before and after it
}

// newLoudness returns the loudness of x, and false where no sound stands out.
func newLoudness(ctx context.Context, x []float64, rateHz int, f signal.Frame) (l loudness, found bool) {
	l = loudness{ctx: ctx, x: x, rateHz: float64(rateHz), frame: f, block: int(vanishBlock * float64(rateHz))}
	var levels []float64
	for at := 0; at+l.block <= len(x) && ctx.Err() == nil; at += l.block {
		levels = append(levels, l.rms(at))
	}
	if len(levels) == 0 {
		return l, false
	}
	loudest := slices.Max(levels)
	l.background = slices.Sorted(slices.Values(levels))[len(levels)/20]
	at := slices.IndexFunc(levels, func(v float64) bool { return v > max(vanishOnset*l.background, loudest/100) })
	l.onset = at * l.block
	l.end = min(len(x), l.onset+f.Len()-f.Fade) - l.block
	return l, at >= 0 && loudest > vanishClear*l.background
}

func (l loudness) rms(at int) float64 { return card.RMS(l.x[at : at+l.block]) }

// in returns the levels of the blocks that begin between two moments, in
// seconds after the onset.
func (l loudness) in(from, to float64) (levels []float64) {
	for at := l.onset + int(from*l.rateHz); at+l.block <= l.end && float64(at-l.onset) < to*l.rateHz && l.ctx.Err() == nil; at += l.block {
		levels = append(levels, l.rms(at))
	}
	return levels
}

// scatter returns by how many dB the difference in level between two periods
// changes from one block to the next, 0 where too few blocks are clear.
func (l loudness) scatter() float64 {
	var changes []float64
	last := math.NaN()
	for at := l.onset + l.block; at+l.frame.Period+l.block <= l.end && l.ctx.Err() == nil; at += l.block {
		a, b := l.rms(at), l.rms(at+l.frame.Period)
		if min(a, b) <= vanishSure*l.background {
			last = math.NaN()
			continue
		}
		d := decibels(a / b)
		if !math.IsNaN(last) {
			changes = append(changes, math.Abs(d-last)/math.Sqrt2)
		}
		last = d
	}
	if len(changes) < vanishFewest {
		return 0
	}
	return middleOf(changes)
}

// middleOf sorts x and returns its median.
func middleOf(x []float64) float64 {
	slices.Sort(x)
	return x[len(x)/2]
}

// cancelled returns the fault of vanishing unless what is said already is another
// that explains as much.
func cancelled(rec card.Recording, sig signal.Periodic, said error) *card.Fault {
	if !mayVanish(said) {
		return nil
	}
	return vanishing(context.Background(), rec, sig)
}

// mayVanish reports whether a vanishing signal may be behind what is said to be
// wrong, or nil: one at another rate has no two periods alike either.
func mayVanish(said error) bool {
	var other *card.Fault
	return !errors.As(said, &other) || other.Cause != card.WrongRate && other.Cause != card.Clipped
}

// vanishing returns a fault where an echo canceller, which learns what is played
// and takes it out, leaves less and less of sig, or something else each time.
// Automatic gain that was up in the silence falls too when the signal begins, but
// all periods then are alike.
func vanishing(ctx context.Context, rec card.Recording, sig signal.Periodic) *card.Fault {
	fault := &card.Fault{Cause: card.EchoCancelled, Advice: "turn off echo cancelling, and every other processing of a microphone"}
	for ch, x := range [2][]float64{rec.V1, rec.V2} {
		l, found := newLoudness(ctx, x, rec.RateHz, sig.Frame())
		if !found {
			continue
		}
		scatter := l.scatter()
		early, late := l.in(0, vanishEarly), l.in(vanishLate, math.Inf(1))
		if len(early) > 0 && len(late) > vanishFewest {
			first, rest := slices.Max(early), middleOf(late)
			if first > vanishClear*l.background && first > vanishFall*rest && (scatter > vanishScatter || rest < vanishGone*l.background) {
				fault.Text = fmt.Sprintf("what is played vanishes from input %d: heard at %.0f dB of full scale when it begins, then at %.0f dB: an echo canceller", rec.Inputs[ch], decibels(first), decibels(max(rest, silent)))
				return fault
			}
		}
		if scatter > vanishScatter {
			fault.Text = fmt.Sprintf("input %d hears two equal periods of what is played differently, by %.1f dB from moment to moment: an echo canceller, or another processing of a microphone", rec.Inputs[ch], scatter)
			return fault
		}
	}
	return nil
}

// silent stands for the level of a digital silence, so that it has decibels.
const silent = 1e-9
