package ratio

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
)

const (
	steadyBlock = 512.0 / 48000 // s

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

	// What differs in more of a period than this is no burst.
	burstLongest = 0.2

	// A hole is that large a part of what is looked at, in energy: what is
	// weaker has the sum of a hole by accident.
	hollowLeast  = 0.06
	hollowWithin = 0.3

	sameKnock = 0.2 // s, within which both inputs hear one knock

	sameRun    = 24   // samples in a row that are equal, or come again, by no accident
	longestRun = 8192 // samples that a driver repeats

	// Delays between two periods, segment by segment, tell a clock that
	// wanders from samples that are lost: the one moves them by less than
	// fastestWander from one segment to the next, the other by a sample or more.
	delaySegments = 24
	delaySure     = 0.1 // samples, standard uncertainty of a delay that counts
	leastJump     = 0.6 // samples
	fastestWander = 100e-6
	delayNoticed  = 0.05 // samples
	gainNoticed   = 1e-3 // nepers; a knock has that in a few segments, a gain that settles in many
)

// Unsteady is what differed between the periods, and does no harm to the ratio:
// both inputs run on one clock, and what is slow shows in the noise of the bass.
type Unsteady struct {
	Slow      float64 // largest difference slower than a block of some 10 ms, fraction of full scale; 0 for none
	WanderPPM float64 // by how much the clocks' difference changed, 1e-6; 0 for nothing that counts

	// Knocks are moments at which something short sounded, in seconds from the
	// start of the recording: in this period or in the one before it. What it
	// does to the points at its frequencies is in their noise.
	Knocks []float64
}

// steady returns what differed between the counted periods, and a Fault where
// it leaves no ratio: samples that were lost, doubled or silenced, and what
// lasts too long to be left out. The recorder's clock runs faster by drift.
func steady(ctx context.Context, c *counted, drift float64) (Unsteady, error) {
	var u Unsteady
	f, rec := c.frame, c.sound.About()
	block := max(1, int(steadyBlock*float64(rec.RateHz)))
	for ch := range 2 {
		var before []float64
		after, err := c.period(ctx, ch, 0, nil)
		if err != nil {
			return u, err
		}
		for p := 1; p < f.Periods; p++ {
			var later []float64
			if later, err = c.period(ctx, ch, p, before); err != nil {
				return u, err
			}
			before, after = after, later
			if err := ctx.Err(); err != nil {
				return u, err
			}
			place := func(i int) float64 { // of sample i of the later period, s
				return (float64(c.start) + float64(p*f.Period+i)*(1+drift)) / float64(rec.RateHz)
			}
			fault := func(at float64, what, advice string) error {
				earlier := at - float64(f.Period)/float64(rec.RateHz)
				return &card.Fault{
					Cause:  card.Dropout,
					Text:   fmt.Sprintf("input %d of %s differs between two periods of the signal near %.2f s (or %.2f s): %s", rec.Inputs[ch], rec.Source, at, earlier, what),
					Advice: advice,
				}
			}
			const buffers = "measure again; if it stays, use larger buffers and close other programs"
			if i := unlike(ctx, before, after, block); i >= 0 {
				return u, fault(place(i), "samples were lost or doubled", buffers)
			}
			if slips, err := slipped(ctx, before, after); err != nil {
				return u, err
			} else if slips {
				return u, fault(place(0), "samples were lost or doubled", buffers)
			}
			d := blockwise(ctx, before, after, block)
			slow := d.spoilt()
			if err := ctx.Err(); err != nil {
				return u, err
			}
			if slow == nil {
				continue
			}
			d, slowest := d.withoutSlow(before, after, block)
			fast := d.spoilt()
			moved := shifted(before, after, slow, block)
			first, second := before, after
			if ch > 0 && (moved || fast != nil) {
				if first, err = c.period(ctx, 0, p-1, nil); err != nil {
					return u, err
				}
				if second, err = c.period(ctx, 0, p, nil); err != nil {
					return u, err
				}
				moved = moved && bothLate(stepIn(first, second, slow, block), stepIn(before, after, slow, block))
			}
			if fast == nil && !moved {
				u.Slow = math.Max(u.Slow, slowest)
				continue
			}
			if moved {
				fast = slow
			}
			worst := slices.MaxFunc(fast, func(a, b int) int { return cmp.Compare(d.differs[a], d.differs[b]) })
			at := place(worst * block)
			if moved {
				return u, fault(at, "samples were lost or doubled", buffers)
			}
			if hollow(before, after, worst, fast, block) {
				return u, fault(at, "samples were lost or doubled", buffers)
			}
			for _, b := range []int{fast[0], worst} {
				// In one period alone: a slow wave of few bits has such runs in both.
				later := int(place(b*block) * float64(rec.RateHz))
				sooner := later - int(float64(f.Period)*(1+drift))
				inLater, err := c.repeats(ctx, ch, later-block, later+2*block)
				if err != nil {
					return u, err
				}
				if inSooner, err := c.repeats(ctx, ch, sooner-block, sooner+2*block); err != nil {
					return u, err
				} else if inLater != inSooner {
					return u, fault(at, "samples were lost or doubled", buffers)
				}
			}
			change, gain, jumped := delays(first, second)
			switch {
			case jumped:
				return u, fault(at, "samples were lost or doubled", buffers)
			case gain != 0:
				return u, &card.Fault{
					Cause:  card.AutomaticGain,
					Text:   fmt.Sprintf("the gain of %s changes while the signal plays: input %d differs by up to %.2f dB between two periods of the signal", rec.Source, rec.Inputs[0], 20*math.Abs(gain)/math.Ln10),
					Advice: "turn off automatic gain, noise suppression and every enhancement of input and output",
				}
			case change > delayNoticed:
				u.WanderPPM = math.Max(u.WanderPPM, 1e6*change/float64(f.Period))
			case float64(len(fast)) > burstLongest*float64(len(d.differs)):
				return u, fault(at, fmt.Sprintf("it does so for %.1f s of the %.1f s of a period, which no burst does", float64(len(fast)*block)/float64(rec.RateHz), float64(f.Period)/float64(rec.RateHz)),
					"check plugs and leads for one that makes contact now and then, keep the load still and quiet, and measure again")
			case !slices.ContainsFunc(u.Knocks, func(s float64) bool { return math.Abs(s-at) < sameKnock }):
				u.Knocks = append(u.Knocks, at)
			}
		}
	}
	return u, nil
}

// unlike returns the first sample of the blocks that are much louder in one of
// two periods than in the other, where most are, and -1 where not: where hardly
// a block is as it should be none is quiet beside the others. Looked at are first
// differences, in which hum hardly shows.
func unlike(ctx context.Context, before, after []float64, block int) int {
	first, count := -1, 0
	blocks := len(before) / block
	for b := range blocks {
		if ctx.Err() != nil {
			return -1
		}
		x, y := before[b*block:(b+1)*block], after[b*block:(b+1)*block]
		if e1, e2 := differences(x), differences(y); max(e1, e2) > unlikeBy*min(e1, e2) {
			if count++; first < 0 {
				first = b * block
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
func slipped(ctx context.Context, before, after []float64) (bool, error) {
	var both, e1, e2 float64
	for i := 1; i < len(before); i++ {
		if i%often == 0 && ctx.Err() != nil {
			return false, ctx.Err()
		}
		a, b := before[i]-before[i-1], after[i]-after[i-1]
		both += a * b
		e1 += a * a
		e2 += b * b
	}
	e := e1 * e2
	if e == 0 || math.Abs(both) > slippedBelow*math.Sqrt(e) {
		return false, nil
	}
	m, err := correlate(ctx, steps(after), steps(before))
	if err != nil {
		return false, err
	}
	return m.score(m.best(0, len(m.c))) > math.Max(slippedFound, lostBetter*math.Abs(both)/math.Sqrt(e)), nil
}

// hollow reports whether one of two periods holds nothing, for a while about its
// worst block, of what the other has there. With y = x outside a hole in y and 0
// within, the difference d = y - x is -x there and 0 elsewhere, so that
//
//	sum d x = -sum d^2;
//
// what sounds beside the signal, such as a knock, has nothing in common with it.
func hollow(before, after []float64, worst int, spoilt []int, block int) bool {
	lo, hi := worst, worst
	for slices.Contains(spoilt, lo-1) {
		lo--
	}
	for slices.Contains(spoilt, hi+1) {
		hi++
	}
	x, y := before[max(0, lo-1)*block:min(len(before), (hi+2)*block)], after[max(0, lo-1)*block:min(len(after), (hi+2)*block)]
	var xx, yy, dd, dx, dy float64
	for i := range x {
		d := y[i] - x[i]
		xx += x[i] * x[i]
		yy += y[i] * y[i]
		dd += d * d
		dx -= d * x[i]
		dy += d * y[i]
	}
	hole := func(sum, all float64) bool {
		return math.Abs(sum/dd-1) < hollowWithin && dd > hollowLeast*all
	}
	return hole(dx, xx) || hole(dy, yy)
}

// comparison is two periods, block by block.
type comparison struct {
	energy  []float64 // of the first, about its mean: an offset is no signal
	differs []float64 // energy of the difference
}

func blockwise(ctx context.Context, before, after []float64, block int) comparison {
	n := len(before) / block
	c := comparison{make([]float64, n), make([]float64, n)}
	for b := range n {
		if ctx.Err() != nil {
			break
		}
		var mean, sq, differs float64
		end := (b + 1) * block
		if b == n-1 {
			end = len(before) // what is left over belongs to the last
		}
		y := after[b*block : end]
		for i, x := range before[b*block : end] {
			d := y[i] - x
			mean += x
			sq += x * x
			differs += d * d
		}
		c.energy[b], c.differs[b] = sq-mean*mean/float64(len(y)), differs
	}
	return c
}

// withoutSlow returns c with the differences, and the signal that they are held
// against, less their running means over a block, and the largest of those of
// the differences. A gain that changes while the signal itself is slow so keeps
// its proportion. Slow disturbances reach over the ends of a
// period; there the mean is that of the samples there are.
func (c comparison) withoutSlow(before, after []float64, block int) (fast comparison, slowest float64) {
	sum, signal := make([]float64, len(before)+1), make([]float64, len(before)+1)
	for i, v := range before {
		sum[i+1] = sum[i] + after[i] - v
		signal[i+1] = signal[i] + v
	}
	fast = comparison{make([]float64, len(c.energy)), make([]float64, len(c.differs))}
	for i := range before {
		b := min(i/block, len(c.differs)-1)
		lo, hi := max(0, i-block/2), min(len(before), i+block/2+1)
		slow := (sum[hi] - sum[lo]) / float64(hi-lo)
		slowest = math.Max(slowest, math.Abs(slow))
		d := after[i] - before[i] - slow
		fast.differs[b] += d * d
		x := before[i] - (signal[hi]-signal[lo])/float64(hi-lo)
		fast.energy[b] += x * x
	}
	return fast, slowest
}

// spoilt returns the blocks that differ far more than others do, and by a
// noticeable part of the signal.
func (c comparison) spoilt() (blocks []int) {
	sorted := slices.Sorted(slices.Values(c.differs))
	floor := sorted[int(quiet*float64(len(sorted)))]
	for b, d := range c.differs {
		if d <= spoiltOverQuiet*floor {
			continue
		}
		// A block at a very low frequency holds little of a cycle: its
		// neighbours' energy says how strong the signal is.
		e := slices.Max(c.energy[max(0, b-8):min(len(c.energy), b+9)])
		if d > spoiltOverSignal*e {
			blocks = append(blocks, b)
		}
	}
	return blocks
}

// timeStep is what a step in time of the later of two periods leaves of their
// difference d, in samples: d = step x', by least squares with the slope x'.
type timeStep struct{ dd, dx, xx float64 }

func stepIn(before, after []float64, blocks []int, block int) (s timeStep) {
	h := max(1, block/4)
	for _, b := range blocks {
		for i := max(h, b*block); i < min((b+1)*block, len(before)-h); i++ {
			d, slope := after[i]-before[i], (before[i+h]-before[i-h])/float64(2*h)
			s.dd += d * d
			s.dx += d * slope
			s.xx += slope * slope
		}
	}
	return s
}

// shifted reports whether what two periods differ by in the given blocks is a
// step in time, which a slow signal shows as something slow: d follows the
// slope x' of the signal, with sum(d x')^2 near sum d^2 sum x'^2, and the step,
// sum d x'/sum x'^2 samples, is more than a clock wanders by in a period. In the
// bass, where the segments of delays see no delay, it is all that shows.
func shifted(before, after []float64, blocks []int, block int) bool {
	const follows = 0.5 // a loss begins and ends within blocks
	s := stepIn(before, after, blocks, block)
	return s.dx*s.dx > follows*s.dd*s.xx && math.Abs(s.dx) > (leastJump+fastestWander*float64(len(before)))*s.xx
}

// bothLate reports whether V1 makes at least half the step in time that V2 makes, as
// both do where frames are lost. Hum that is louder than the signal in V2, and whose
// frequency moves, is there at another phase in the next period: V2 alone looks late.
func bothLate(v1, v2 timeStep) bool {
	return v1.dx*v2.xx*math.Copysign(2, v2.dx) >= math.Abs(v2.dx)*v1.xx
}

// repeats reports whether what was recorded of an input is repeated between two
// frames.
func (c *counted) repeats(ctx context.Context, ch, from, to int) (bool, error) {
	first := max(0, from-longestRun-1)
	to = max(first, min(to, c.sound.Frames()))
	var v [2][]float64
	v[ch] = make([]float64, to-first)
	err := c.sound.ReadAt(ctx, v[0], v[1], first, 1)
	return repeated(v[ch], from-first, to-first), err
}

// repeated reports whether x holds, between the samples lo and hi, a run of one
// value, or samples that are those just before them once more: what a driver
// puts in the place of what it lost.
func repeated(x []float64, lo, hi int) bool {
	lo, hi = max(1, lo), min(hi, len(x))
	for lag := 1; lag <= longestRun && lag < hi; lag++ {
		run := 0
		for i := max(lo, lag); i < hi; i++ {
			if x[i] != x[i-lag] {
				run = 0
			} else if run++; run >= sameRun {
				return true
			}
		}
	}
	return false
}

// delays returns by how many samples the delay between two periods changes
// from segment to segment, the largest change of gain in nepers, 0 where less
// than a third of the segments show any, and whether the delay jumps.
func delays(before, after []float64) (change, gain float64, jumped bool) {
	period := len(before)
	n := segmentOf(period)
	d := newDelayMeter(n)
	step := max(1, (period-n)/delaySegments)
	var at, delay, gains []float64
	for i := 0; i+n <= period; i += step {
		p := d.pair(before[i:i+n], after[i:i+n])
		if a, b := energy(before[i:i+n]), energy(after[i:i+n]); a > 0 && b > 0 {
			gains = append(gains, math.Log(b/a)/2)
		}
		s, variance := p.refine(float64(p.peak(n / 4)))
		if variance < delaySure*delaySure {
			at, delay = append(at, float64(i)), append(delay, s)
		}
	}
	if len(gains) > 0 {
		slices.SortFunc(gains, func(a, b float64) int { return cmp.Compare(math.Abs(b), math.Abs(a)) })
		if math.Abs(gains[len(gains)/3]) > gainNoticed {
			gain = gains[0]
		}
	}
	if len(delay) == 0 {
		return 0, gain, false
	}
	for i := 1; i < len(delay); i++ {
		if math.Abs(delay[i]-delay[i-1]) > leastJump+fastestWander*(at[i]-at[i-1]) {
			return 0, gain, true
		}
	}
	return slices.Max(delay) - slices.Min(delay), gain, false
}
