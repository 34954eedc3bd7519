package ratio

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// otherRates are the sample rates, in hertz, at which one side of a card may
// run while the other side and the file say something else.
var otherRates = [...]float64{8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 176400, 192000}

const (
	// Two free-running clocks that are further apart than maxDrift are
	// looked for up to here, in steps at which the low octaves still match.
	farClock       = 0.01
	farClockStep   = 1e-4
	farClockThin   = 4      // further thinning, so that the steps suffice
	farClockUnsure = 1.5e-3 // of what the thinned match says

	// A stretched match must be nearly as good as one without a fault, and
	// this many times as good as the one as it stands.
	stretchFound  = 0.5
	stretchBetter = 1.5
)

// missing returns the fault of a recording whose first input does not hold the
// signal, want where it is thinned by so much.
func missing(ctx context.Context, sound card.Sound, want []float64, by int, score float64) error {
	rec := sound.About()
	have, err := thinSound(ctx, sound, 1, by)
	if err != nil {
		return err
	}
	other, err := correlate(ctx, have, want)
	if err != nil {
		return err
	}
	if s := other.score(other.best(0, len(other.c))); s >= foundAbove {
		return &card.Fault{
			Cause:  card.DeadInput,
			Text:   fmt.Sprintf("input %d of %s does not hear the test signal, input %d does: the match is %.0f and %.0f %%", rec.Inputs[0], rec.Source, rec.Inputs[1], 100*score, 100*s),
			Advice: deadAdvice,
		}
	}
	return &card.Fault{
		Cause:  card.NoSignal,
		Text:   fmt.Sprintf("the test signal is not in input %d of %s: the best match is %.0f %%, at least %.0f %% is needed", rec.Inputs[0], rec.Source, 100*score, 100*foundAbove),
		Advice: "check that the signal was made with the same options, that it reaches the jig, and which input is which",
	}
}

// deadBeside is how many times V2 is above V1 when V1 holds no more than what
// crosstalk leaves of it. Exchanged inputs come to 1 + R/Z, some 20 at most.
const deadBeside = 50

// dead returns a fault when the rms of V1 is next to nothing beside that of V2.
func dead(rms [2]float64, rec card.Recording) error {
	if r1, r2 := rms[0], rms[1]; r2 > deadBeside*r1 {
		return &card.Fault{
			Cause:  card.DeadInput,
			Text:   fmt.Sprintf("input %d of %s hears next to nothing beside input %d: %.2g beside %.2g of full scale", rec.Inputs[0], rec.Source, rec.Inputs[1], r1, r2),
			Advice: deadAdvice,
		}
	}
	return nil
}

const deadAdvice = "check the lead before the sense resistor, and that this input is switched on and turned up"

// stretched returns a fault when the recording matches the signal better after
// one of them is stretched in time, and nil when it does not: player and
// recorder then ran at different rates. The match is that without.
func stretched(ctx context.Context, rec card.Recording, sought played, without match, by int, score float64) error {
	rate := float64(rec.RateHz)
	best, at := math.Max(stretchFound, stretchBetter*score), 0.0
	for _, r := range otherRates {
		if r == rate {
			continue
		}
		s, err := bestScore(ctx, without.have, sought.stretchedThin(ctx, r/rate, by))
		if err != nil {
			return err
		}
		if s > best {
			best, at = s, r
		}
	}
	if at > 0 {
		return &card.Fault{
			Cause:  card.WrongRate,
			Text:   fmt.Sprintf("%s says %d Hz but looks recorded at %.0f Hz: stretched by that, the signal matches to %.0f %%", rec.Source, rec.RateHz, at, 100*best),
			Advice: "set input and output of the card, and of the sound system, to one rate; where they are, see that the signal was made with the same options",
		}
	}
	coarse1, coarse := thin(ctx, without.have, farClockThin), thin(ctx, without.want, farClockThin)
	s, err := bestScore(ctx, coarse1, coarse)
	if err != nil {
		return err
	}
	best = math.Max(best, stretchBetter*s)
	if at, err = bestStretch(ctx, coarse1, coarse, -farClock, farClock, &best); err != nil || at == 0 {
		return err
	}
	best = stretchFound
	if at, err = bestStretch(ctx, without.have, without.want, at-farClockUnsure, at+farClockUnsure, &best); err != nil || at == 0 {
		return err
	}
	return farApart(rec, at)
}

// farApart is the fault of clocks that differ by that part.
func farApart(rec card.Recording, by float64) error {
	return &card.Fault{
		Cause:  card.WrongRate,
		Text:   fmt.Sprintf("the clocks of player and recorder of %s are about %.1g %% apart; up to %.2f %% can be followed", rec.Source, 100*math.Abs(by), 100*maxDrift),
		Advice: "measure again, since lost samples can look alike; if it stays, play and record with one card, check that both run at the rate they say, and that the signal was made with the same options",
	}
}

const (
	farEven  = 0.05 // part of the whole lag by which one may be off a straight line
	farLeast = 8.0  // samples of that
	farTold  = 0.01 // of the energy of the first differences of a segment, of those of the best, that tells a lag
	farMost  = 1.2 * farClock

	farSegments = 12 // a period
	farPeriods  = 16 // at most that are looked at, since all pairs of segments are
)

// farClocks returns the fault of a recording in which V1 falls behind the signal, or
// gets ahead of it, evenly and faster than can be followed, and nil where it does not.
// Samples that are lost make a step. Told by segments of the upper octaves: in the
// bass a lag of V1 may be that of the circuit.
func farClocks(ctx context.Context, sound card.Sound, sig signal.Periodic, start int) error {
	f := sig.Frame()
	cycle, err := sig.Cycle(ctx)
	if err != nil {
		return err
	}
	n := segmentOf(f.Period)
	step := (f.Period - n) / farSegments
	if step == 0 {
		return nil
	}
	played := func(x []float64, from int) []float64 {
		f.Fill(x, cycle, f.LeadIn+from)
		return x
	}
	d := newDelayMeter(n)
	want, have := make([]float64, n), make([]float64, n)
	best := 0.0
	for from := 0; from+n <= f.Period; from += step {
		best = max(best, differences(played(want, from)))
	}
	var at, lag []float64
	slope := 0.0
	periods := min(f.Periods, farPeriods)
	for from := 0; from+n <= f.Period*periods; from += step {
		if err := ctx.Err(); err != nil {
			return err
		}
		if differences(played(want, from)) < farTold*best {
			continue
		}
		next, reach := 0, n/driftReach
		if k := len(lag) - 1; k >= 0 {
			gap := float64(from) - at[k]
			next = int(lag[k] + slope*gap)
			reach = min(reach, int(math.Ceil(farMost*gap+farLeast)))
		}
		place := start + from + next
		if place < 0 || place+n > sound.Frames() {
			break
		}
		if err := sound.ReadAt(ctx, have, nil, place, 1); err != nil {
			return err
		}
		at, lag = append(at, float64(from)), append(lag, float64(next+d.pair(want, have).peak(reach)))
		if k := len(lag) - 1; k > 0 {
			slope = (lag[k] - lag[0]) / (at[k] - at[0])
		}
	}
	if len(lag) < 2*periods {
		return nil
	}
	slope, offset := straight(at, lag)
	off := make([]weighted, len(lag))
	for i, x := range at {
		off[i] = weighted{math.Abs(lag[i] - offset - slope*x), 1}
	}
	whole := math.Abs(slope) * (at[len(at)-1] - at[0])
	if math.Abs(slope) <= maxDrift || math.Abs(slope) > farMost || median(off) > max(farLeast, farEven*whole) {
		return nil
	}
	return farApart(sound.About(), slope)
}

// straight returns the line through points of which up to a quarter may be anywhere:
// the median of the slopes of all pairs (P. K. Sen, J. Am. Stat. Assoc. 63, 1379-1389,
// 1968, from memory).
func straight(x, y []float64) (slope, offset float64) {
	var slopes, offsets []weighted
	for i := range x {
		for j := range i {
			slopes = append(slopes, weighted{(y[i] - y[j]) / (x[i] - x[j]), 1})
		}
	}
	slope = median(slopes)
	for i := range x {
		offsets = append(offsets, weighted{y[i] - slope*x[i], 1})
	}
	return slope, median(offsets)
}

// bestStretch returns the stretch, less 1, at which want matches have better
// than best, which it raises; 0 when there is none.
func bestStretch(ctx context.Context, have, want []float64, low, high float64, best *float64) (at float64, err error) {
	for e := low; e <= high+farClockStep/2; e += farClockStep {
		s, err := bestScore(ctx, have, stretch(want, 1+e))
		if err != nil {
			return 0, err
		}
		if s > *best {
			*best, at = s, e
		}
	}
	return at, nil
}

func bestScore(ctx context.Context, have, want []float64) (float64, error) {
	m, err := correlate(ctx, have, want)
	if err != nil {
		return 0, err
	}
	return m.score(m.best(0, len(m.c))), nil
}

// stretch returns x as a recorder sees it that runs r times as fast as it
// says. Values between samples are interpolated linearly, which serves for the
// low octaves that a match looks at.
func stretch(x []float64, r float64) []float64 {
	y := make([]float64, int(float64(len(x)-1)*r))
	for i := range y {
		at := float64(i) / r
		k := int(at)
		if k+1 >= len(x) {
			return y[:i]
		}
		w := at - float64(k)
		y[i] = (1-w)*x[k] + w*x[k+1]
	}
	return y
}

// stretchedThin is thin of stretch of the whole signal.
func (p played) stretchedThin(ctx context.Context, r float64, by int) []float64 {
	n := int(float64(p.Len()-1) * r)
	for n > 0 && int(float64(n-1)/r)+1 >= p.Len() {
		n--
	}
	var x []float64
	y, _ := thinned(ctx, n, by, func(y []float64, from int) error {
		first, last := int(float64(from)/r), int(float64(from+len(y)-1)/r)+1
		x = slices.Grow(x[:0], last-first+1)[:last-first+1]
		p.Fill(x, p.cycle, first)
		for i := range y {
			at := float64(from+i) / r
			k := int(at)
			w := at - float64(k)
			y[i] = (1-w)*x[k-first] + w*x[k+1-first]
		}
		return nil
	})
	return y
}
