package ratio

import (
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/signal"
)

const (
	steadyBlock = 512 // samples

	// A block is spoilt when what differs between its periods is both far
	// above what differs elsewhere and a noticeable part of the signal. After
	// a lost block all that follows differs, so elsewhere is the quietest
	// tenth.
	spoiltOverQuiet  = 30.0
	spoiltOverSignal = 0.004
	quiet            = 0.1

	slippedBelow = 0.5 // agreement of two periods, and that
	slippedFound = 0.3 // of the one with the other at another time

	unlikeBy = 4.0 // times the energy, in most blocks; noise alone stays within a half more
)

// steady returns a Fault where the counted periods differ from each other in
// a burst: lost, doubled or silenced samples, a click, a knock on the load.
// start is where v1 and v2 start in rec, for people.
func steady(v1, v2 []float64, f signal.Frame, rec card.Recording, start int) error {
	for ch, v := range [][]float64{v1, v2} {
		for p := 1; p < f.Periods; p++ {
			before, after := v[(p-1)*f.Period:p*f.Period], v[p*f.Period:(p+1)*f.Period]
			i := spoilt(before, after)
			if i < 0 {
				i = unlike(before, after)
			}
			if i < 0 && slipped(before, after) {
				i = 0
			}
			if i >= 0 {
				at := float64(start+p*f.Period+i) / float64(rec.RateHz)
				earlier := at - float64(f.Period)/float64(rec.RateHz)
				return &card.Fault{
					Cause:  card.Dropout,
					Text:   fmt.Sprintf("input %d of %s differs between two periods of the signal near %.2f s (or %.2f s): samples were lost or doubled, or something knocked", rec.Inputs[ch], rec.Source, at, earlier),
					Advice: "measure again; if it stays, use larger buffers and close other programs",
				}
			}
		}
	}
	return nil
}

// unlike returns the first sample of the blocks that are much louder in one of
// two periods than in the other, where most are, and -1 where not: where hardly
// a block is as it should be none is quiet beside the others. Looked at are first
// differences, in which hum hardly shows.
func unlike(before, after []float64) int {
	blocks := len(before) / steadyBlock
	first, count := -1, 0
	for b := range blocks {
		x, y := before[b*steadyBlock:(b+1)*steadyBlock], after[b*steadyBlock:(b+1)*steadyBlock]
		if e1, e2 := differences(x), differences(y); max(e1, e2) > unlikeBy*min(e1, e2) {
			if count++; first < 0 {
				first = b * steadyBlock
			}
		}
	}
	if count <= blocks/2 {
		return -1
	}
	return first
}

// slipped reports whether one of two periods that hardly agree is nearly the
// other one at another time: hardly a block is then as it should be either. Mere
// noise makes them agree best as they stand. Looked at are first differences, as
// in unlike.
func slipped(before, after []float64) bool {
	a, b := steps(before), steps(after)
	var both float64
	for i, v := range a {
		both += v * b[i]
	}
	e := energy(a) * energy(b)
	if e == 0 || math.Abs(both) > slippedBelow*math.Sqrt(e) {
		return false
	}
	m := correlate(b, a)
	return m.score(m.best(0, len(m.c))) > math.Max(slippedFound, lostBetter*math.Abs(both)/math.Sqrt(e))
}

// spoilt returns the index of the first sample of the worst spoilt block, or
// -1 when there is none.
func spoilt(before, after []float64) int {
	blocks := len(before) / steadyBlock
	differs := make([]float64, blocks)
	energy := make([]float64, blocks)
	for b := range blocks {
		from, to := b*steadyBlock, (b+1)*steadyBlock
		if b == blocks-1 {
			to = len(before) // what is left over belongs to the last
		}
		x, y := before[from:to], after[from:to]
		// Means are left out of the energy: an offset is no signal.
		var sum, sq, diff float64
		for i, v := range x {
			d := y[i] - v
			sum += v
			sq += v * v
			diff += d * d
		}
		differs[b], energy[b] = diff, sq-sum*sum/float64(len(x))
	}
	sorted := slices.Sorted(slices.Values(differs))
	floor := sorted[int(quiet*float64(blocks))]
	worst, most := -1, 0.0
	for b, d := range differs {
		// A block at a very low frequency holds little of a cycle: its
		// neighbours' energy says how strong the signal is.
		e := energy[b]
		for near := max(0, b-8); near <= min(blocks-1, b+8); near++ {
			e = max(e, energy[near])
		}
		if d > spoiltOverQuiet*floor && d > spoiltOverSignal*e && d > most {
			worst, most = b*steadyBlock, d
		}
	}
	return worst
}
