package ratio

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/signal"
)

const (
	levelBlock  = 0.01 // s
	levelBlocks = 5    // whose mean is looked at; of fewer than one more nothing is said
	levelAlike  = 0.06 // largest relative difference of two levels that are meant to be equal
	levelSure   = 6    // times its standard deviation that a difference must have
	levelWeak   = 0.1  // of the energy of the loudest block, below which a block is left out
)

// level returns a Fault when the first sound was recorded at another gain than
// the same piece of the signal at the end: a gain that rides with the sound
// starts from the silence before it.
//
// The lead-in is the signal's own cyclic continuation, so that each block of
// it equals, in a circuit whose gain is at rest, the block of the same phase in
// the last counted period. Compared are the levels of the first differences of
// V1: hum, offsets and the load's own transients, all slow, hardly show in
// those. A gain that settles within some 50 ms escapes, and so does every gain
// where the recording starts late.
func level(ctx context.Context, sound card.Sound, f signal.Frame, start int, drift float64) error {
	rec := sound.About()
	block := int(levelBlock * float64(rec.RateHz))
	from := start - f.LeadIn + f.Fade
	if from < 0 {
		return nil
	}
	from = unflaggedFrom(rec, from, start)
	apart := int(math.Round(float64(f.Period*f.Periods) * (1 + drift)))
	var first, last []float64
	v := make([]float64, block)
	for at := from; at+block <= start && at+apart+block <= sound.Frames(); at += block {
		for _, part := range []struct {
			at     int
			energy *[]float64
		}{{at, &first}, {at + apart, &last}} {
			if err := sound.ReadAt(ctx, v, nil, part.at, 1); err != nil {
				return err
			}
			*part.energy = append(*part.energy, differences(v))
		}
	}
	if len(last) < 2*levelBlocks {
		return nil
	}
	// Weak blocks show more of the noise than of the gain, and say nothing. A short chirp
	// has one or two others in each of its periods.
	loudest := slices.Max(last)
	var change []float64
	var places []int // of their blocks
	for i := range last {
		if last[i] > loudest*levelWeak && first[i] > 0 {
			change, places = append(change, math.Log(first[i]/last[i])/2), append(places, from+i*block)
		}
	}
	if len(change) <= levelBlocks {
		return nil
	}
	// A gain changes smoothly, noise from block to block.
	var scatter float64
	for i := 1; i < len(change); i++ {
		d := change[i] - change[i-1]
		scatter += d * d / 2
	}
	free := float64(len(change) - 1)
	scatter = math.Sqrt(scatter / free / levelBlocks * widened(free))
	limit := math.Max(levelAlike, levelSure*scatter)
	for i := 0; i+levelBlocks <= len(change); i++ {
		var mean float64
		for _, c := range change[i : i+levelBlocks] {
			mean += c / levelBlocks
		}
		if math.Abs(mean) > limit {
			return &card.Fault{
				Cause: card.AutomaticGain,
				Text: fmt.Sprintf("the gain of %s changes while the signal plays: at %.2f s input %d is at %+.1f dB from what it is later",
					rec.Source, float64(places[i])/float64(rec.RateHz), rec.Inputs[0], 20*mean/math.Ln10),
				Advice: "measure again, since a lost block can look alike; if it stays, turn off automatic gain, noise suppression and every enhancement of input and output",
			}
		}
	}
	return nil
}

// differences returns the energy of the first differences of x.
func differences(x []float64) (e float64) {
	for i := 1; i < len(x); i++ {
		d := x[i] - x[i-1]
		e += d * d
	}
	return e
}
