package card

import (
	"cmp"
	"context"
	"fmt"
	"math"
)

// FullScale is the magnitude from which a sample counts as at full scale,
// unless the word length is so short that its codes are further apart.
const FullScale = 0.9999

// Check returns a *Fault that names what s shows to be wrong by itself,
// whatever the signal was: no or unequal samples, one that is not a number, an
// input that never moves, an input at full scale, the flat tops of a stage that
// clips before the converter. Whether a flag of the driver matters depends on
// where the signal lies: see Lost. Where ctx ends the error is that of ctx.
//
// It cannot see clipping above some thirtieth of the sample rate, where a
// period has too few samples to tell a flat top, nor clipping that the noise
// or the word length hides.
func Check(ctx context.Context, s Sound) error {
	if r, is := s.(Recording); is {
		return r.Check(ctx)
	}
	inputs, err := checkInputs(ctx, s)
	if err != nil {
		return err
	}
	var tops [2]topCheck
	for ch := range tops {
		var code float64
		if code, err = codeStep(ctx, s, ch); err != nil {
			return err
		}
		tops[ch] = newTopCheck(inputs[ch], code)
	}
	left := s.Frames()
	if err := s.Pieces(ctx, func(v1, v2 []float64) error {
		left -= len(v1)
		tops[0].add(ctx, v1, left == 0)
		tops[1].add(ctx, v2, left == 0)
		return ctx.Err()
	}); err != nil {
		return err
	}
	return cmp.Or(tops[0].fault(), tops[1].fault())
}

// Check is Check of r.
func (r Recording) Check(ctx context.Context) error {
	inputs, err := inputChecks(r, len(r.V1))
	if err = cmp.Or(r.alike(), err); err != nil {
		return err
	}
	inputs[0].add(ctx, r.V1)
	inputs[1].add(ctx, r.V2)
	if err := cmp.Or(ctx.Err(), inputs[0].fault(), inputs[1].fault()); err != nil {
		return err
	}
	for ch, x := range [2][]float64{r.V1, r.V2} {
		tops := newTopCheck(inputs[ch], step(x))
		tops.add(ctx, x, true)
		if err := tops.fault(); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// CheckHeard is Check for sound that others made, which need not lie in memory: it
// takes flat tops for granted, which an overdriven amplifier makes as well as an input.
func CheckHeard(ctx context.Context, s Sound) error {
	_, err := checkInputs(ctx, s)
	return err
}

// checkInputs returns what either input shows from the first sample to the last.
func checkInputs(ctx context.Context, s Sound) (inputs [2]inputCheck, err error) {
	if inputs, err = inputChecks(s.About(), s.Frames()); err != nil {
		return inputs, err
	}
	if err := s.Pieces(ctx, func(v1, v2 []float64) error {
		inputs[0].add(ctx, v1)
		inputs[1].add(ctx, v2)
		return ctx.Err()
	}); err != nil {
		return inputs, err
	}
	return inputs, cmp.Or(inputs[0].fault(), inputs[1].fault())
}

// alike returns a *Fault where one input has more samples than the other.
func (r Recording) alike() error {
	if len(r.V1) == len(r.V2) {
		return nil
	}
	return &Fault{
		Cause:  Dropout,
		Text:   fmt.Sprintf("input %d has %d samples and input %d has %d; they must be equally long", r.input(0), len(r.V1), r.input(1), len(r.V2)),
		Advice: "repeat the measurement",
	}
}

// inputChecks begins the checks of a recording of so many frames.
func inputChecks(r Recording, frames int) (c [2]inputCheck, err error) {
	switch {
	case r.RateHz <= 0:
		return c, &Fault{Cause: WrongRate, Text: fmt.Sprintf("recording has a sample rate of %d Hz; it must be above 0", r.RateHz)}
	case frames == 0:
		return c, &Fault{Cause: TooShort, Text: "recording holds no samples", Advice: "repeat the measurement"}
	}
	return [2]inputCheck{newInputCheck(r, 0), newInputCheck(r, 1)}, nil
}

// input returns the number by which people know V1 (channel 0) or V2.
func (r Recording) input(channel int) int {
	if r.Inputs == [2]int{} {
		return channel + 1
	}
	return r.Inputs[channel]
}

func (r Recording) seconds(i int) float64 { return float64(i) / float64(r.RateHz) }

// Lost returns a *Fault where a flag of the driver touches the frames
// from <= frame < to of r, and nil where none does.
func (r Recording) Lost(from, to int) error {
	var lapse Lapse
	blocks, first, last := 0, 0, 0
	for _, f := range r.Flags {
		if f.From >= to || f.To <= from {
			continue
		}
		if blocks == 0 {
			first = f.From
		}
		lapse |= f.Lapse
		blocks += f.Blocks
		last = max(last, f.To)
	}
	if blocks == 0 {
		return nil
	}
	times := "once"
	if blocks > 1 {
		times = fmt.Sprintf("%d times", blocks)
	}
	return &Fault{
		Cause: LostBlocks,
		Text: fmt.Sprintf("the driver lost blocks of sound: %s, %s between %.2f and %.2f s of the recording; not one that counts may be lost",
			lapse, times, r.seconds(max(0, first)), r.seconds(min(len(r.V1), last))),
		Advice: "close other programs, choose a larger buffer and repeat the measurement",
	}
}

// inputCheck is what one input has shown so far.
type inputCheck struct {
	rec     Recording
	channel int
	samples int
	lo, hi  float64
	bad     int     // the first sample that is not a finite number, or -1
	value   float64 // of that
	limit   float64 // magnitude from which a sample counts as at full scale

	hits, first, last int // samples at full scale
	inRow             bool
}

func newInputCheck(r Recording, channel int) inputCheck {
	c := inputCheck{rec: r, channel: channel, lo: math.Inf(1), hi: math.Inf(-1), bad: -1, limit: FullScale, first: -1, last: -2}
	if r.Bits > 0 {
		c.limit = min(c.limit, 1-1.5*math.Ldexp(1, 1-r.Bits))
	}
	return c
}

// add adds the samples that follow.
func (c *inputCheck) add(ctx context.Context, x []float64) {
	lo, hi, bad := extremes(ctx, x)
	if bad >= 0 && c.bad < 0 {
		c.bad, c.value = c.samples+bad, x[bad]
	}
	if c.lo, c.hi = min(c.lo, lo), max(c.hi, hi); hi >= c.limit || lo <= -c.limit {
		for i, v := range x {
			if math.Abs(v) < c.limit {
				continue
			}
			i += c.samples
			if c.hits++; c.hits == 1 {
				c.first = i
			}
			c.inRow = c.inRow || c.last == i-1
			c.last = i
		}
	}
	c.samples += len(x)
}

// fault returns a *Fault that names what is wrong. A peak that touches full scale once
// or twice without staying there is not clipped.
func (c inputCheck) fault() error {
	r := c.rec
	switch {
	case c.bad >= 0:
		return &Fault{
			Cause:  Dropout,
			Text:   fmt.Sprintf("input %d: sample %v at %.4f s is not a finite number", r.input(c.channel), c.value, r.seconds(c.bad)),
			Advice: "repeat the measurement",
		}
	case c.lo == c.hi:
		return &Fault{
			Cause:  NoSignal,
			Text:   fmt.Sprintf("input %d never moves: all %d samples are %g of full scale", r.input(c.channel), c.samples, c.lo),
			Advice: "check that it is plugged in, chosen and not muted",
		}
	case c.hits >= 3 || c.inRow:
		return &Fault{
			Cause:  Clipped,
			Text:   fmt.Sprintf("input %d is clipped: %d samples at full scale, the first at %.4f s", r.input(c.channel), c.hits, r.seconds(c.first)),
			Advice: "turn the input or the output down and repeat the measurement",
		}
	}
	return nil
}

// often is after how many samples the context is asked.
const often = 1 << 16

// extremes returns the smallest and the largest of x, and the index of the
// first that is not a finite number, or -1; of its beginning where ctx ends.
func extremes(ctx context.Context, x []float64) (lo, hi float64, bad int) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for from := 0; from < len(x) && ctx.Err() == nil; from += often {
		for i, v := range x[from:min(len(x), from+often)] {
			if v >= lo && v <= hi {
				continue
			}
			if v-v != 0 {
				return lo, hi, from + i
			}
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	return lo, hi, -1
}

// Flat tops. Near the top of any smooth half cycle the signal is a parabola,
// so that the part of it within a depth a of its highest sample is sqrt(1/8) =
// 0.35 as long as the part within 8a, at every level, frequency and depth.
// Clipped by a fraction d of its height h, it is sqrt((d h + a)/(d h + 8a)) as
// long, which nears 1. Noise thins the samples out towards the highest and
// only lowers the figure. Codes of the converter round the depths by up to one
// code, so a is at least two of them: sqrt(3/15) = 0.45 at most.
//
// Even a fourth-order top, where a third harmonic of 11 % has flattened the
// parabola away, stays at (1/8)^(1/4) = 0.59.
//
// The test is the project's own, from the geometry above; it has no outside
// source.
const (
	topRatio       = 0.7 // least part of the samples within 8a that lie within a
	topDepthRatio  = 8
	fewestInTop    = 5  // samples within a
	fewestInHalf   = 12 // samples of a half cycle worth looking at
	pointsInHalf   = 64 // a longer half cycle is averaged down to this many or up to twice as many
	fewestFlatTops = 8
)

// topDepths are the depths a as fractions of the height of the half cycle; the
// larger ones find deeper clipping under more noise.
var topDepths = [...]float64{0.001, 0.004, 0.016}

// topCheck counts the half cycles of an input that have a flat top, as had the one
// before them of the same polarity: noise flattens one top in some thousand, a
// clipping stage all of a row. Only half cycles that come to at least half of
// the highest count.
type topCheck struct {
	input inputCheck
	mid   float64 // so that a DC offset does not matter
	least float64 // height that counts
	lsb   float64 // by which codes are apart

	samples      int
	start        int       // of the half cycle
	begun        []float64 // its samples in earlier pieces
	above, whole bool      // the first half cycle may be a piece of one
	lastFlat     [2]bool   // of the polarity below, above

	tops, first int
	level       float64 // of the first
}

// newTopCheck returns the check of an input whose samples are so far apart.
func newTopCheck(input inputCheck, step float64) topCheck {
	c := topCheck{input: input, mid: input.lo + (input.hi-input.lo)/2, least: (input.hi - input.lo) / 4, lsb: step}
	if bits := input.rec.Bits; bits > 0 {
		c.lsb = max(step, math.Ldexp(1, 1-bits))
	}
	return c
}

// add adds the samples that follow, and after which none does if they are the last.
// It stops where ctx ends.
func (c *topCheck) add(ctx context.Context, x []float64, last bool) {
	if c.samples == 0 {
		c.above = x[0] > c.mid
	}
	var points [2 * pointsInHalf]float64
	from := 0 // of the half cycle, in x
	for i, v := range x {
		if i%often == 0 && ctx.Err() != nil {
			break
		}
		if (v > c.mid) == c.above {
			continue
		}
		half := x[from:i]
		if len(c.begun) > 0 {
			half = append(c.begun, half...)
			c.begun = half[:0]
		}
		if c.whole && len(half) >= fewestInHalf {
			polarity, sign := 0, -1.0
			if c.above {
				polarity, sign = 1, 1
			}
			if h, flat := halfCycle(&points, half, c.mid, sign, c.least, c.lsb); h >= c.least {
				if flat && c.lastFlat[polarity] {
					if c.tops++; c.tops == 1 {
						c.first, c.level = c.start, c.mid+sign*h
					}
				}
				c.lastFlat[polarity] = flat
			}
		}
		from, c.start, c.above, c.whole = i, c.samples+i, !c.above, true
	}
	if c.samples += len(x); !last {
		c.begun = append(c.begun, x[from:]...)
	}
}

// fault returns a *Fault where many tops are flat.
func (c *topCheck) fault() error {
	if c.tops < fewestFlatTops {
		return nil
	}
	r := c.input.rec
	return &Fault{
		Cause: Clipped,
		Text: fmt.Sprintf("input %d is clipped before the converter: %d flat tops, the first at %.4f s and %.3g of full scale (%.1f dB)",
			r.input(c.input.channel), c.tops, r.seconds(c.first), c.level, 20*math.Log10(math.Abs(c.level))),
		Advice: "turn down the output, or whatever stands before the converter, and repeat the measurement",
	}
}

// halfCycle returns the height above mid of the half cycle x and, where that
// is at least least, whether its top is flat. It works in buf.
func halfCycle(buf *[2 * pointsInHalf]float64, x []float64, mid, sign, least, lsb float64) (h float64, flat bool) {
	group := max(1, len(x)/pointsInHalf)
	points, scale := buf[:len(x)/group], 1/float64(group)
	for i := range points {
		sum := 0.0
		for _, v := range x[i*group : (i+1)*group] {
			sum += v
		}
		p := sign * (sum*scale - mid)
		points[i] = p
		if p > h { // several times as fast as max, which minds NaN and -0
			h = p
		}
	}
	if h < least {
		return h, false
	}
	for _, d := range topDepths {
		a := max(d*h, 2*lsb)
		if topDepthRatio*a > h/2 {
			break
		}
		within, near := 0, 0
		top, wide := h-a, h-topDepthRatio*a
		for _, p := range points {
			if p >= wide {
				near++
				if p >= top {
					within++
				}
			}
		}
		if within >= fewestInTop && float64(within) > topRatio*float64(near) {
			return h, true
		}
	}
	return h, false
}

// How far the codes of an input are apart is estimated as the smallest difference
// between neighbours in pieces spread over it. A converter's word is often
// shorter than that of the samples it is delivered in.
const stepPieces, stepLength = 64, 128

// step is that estimate for samples in memory.
func step(x []float64) float64 {
	smallest := math.Inf(1)
	for p := range stepPieces {
		from, to := stepPiece(p, len(x))
		smallest = min(smallest, smallestStep(x[from:to]))
	}
	return smallest
}

// codeStep is step for an input of s.
func codeStep(ctx context.Context, s Sound, channel int) (float64, error) {
	smallest := math.Inf(1)
	for p := range stepPieces {
		from, to := stepPiece(p, s.Frames())
		var v [2][]float64
		v[channel] = make([]float64, to-from)
		if err := s.ReadAt(ctx, v[0], v[1], from, 1); err != nil {
			return 0, err
		}
		smallest = min(smallest, smallestStep(v[channel]))
	}
	return smallest, nil
}

// stepPiece returns where piece p of so many samples is.
func stepPiece(p, samples int) (from, to int) {
	from = int(int64(samples) * int64(p) / stepPieces)
	return from, min(from+stepLength, samples)
}

// smallestStep returns the smallest difference between neighbours in x.
func smallestStep(x []float64) float64 {
	smallest := math.Inf(1)
	for i := 1; i < len(x); i++ {
		if d := math.Abs(x[i] - x[i-1]); d > 0 && d < smallest {
			smallest = d
		}
	}
	return smallest
}

const leastCode = 0x1p-24 // beyond which a float32 sample has no digits

// Code returns how far the codes of x are apart: the largest power of two, of 1
// to 2^-24, that every sample is a multiple of, or 0 where there is none. Samples
// that were scaled after the converter have none.
func Code(x []float64) float64 {
	code, per := 1.0, 1.0
	for _, v := range x {
		for v*per != math.Trunc(v*per) {
			if code, per = code/2, per*2; code < leastCode {
				return 0
			}
		}
	}
	return code
}
