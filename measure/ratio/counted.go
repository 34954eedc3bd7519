package ratio

import (
	"context"
	"slices"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

const (
	// mostAtOnce is the longest sequence, in samples, that is transformed as one. What
	// is longer is read for each part of it once more. A part, with its room, takes three
	// times 8 bytes for each of its samples beside the lines that it is joined to, some 10
	// for each of all samples: with a sixth of those at a time it is less than half as much.
	mostAtOnce = 1 << 23
	leastPart  = 1 << 21
	partOf     = 6

	readAtOnce = 1 << 17 // frames

	// reachesBeyond is up to where a spectrum in parts goes, over the high end of the band:
	// beyond the end of the signal, and the lines that tell the noise there.
	reachesBeyond = 1.1
)

// counted are the samples of the counted periods of a recording, on the clock of the
// player. They are read when they are wanted, and as often.
type counted struct {
	sound card.Sound
	frame signal.Frame
	start int
	clock *onClock // nil where the recorder runs on the player's
	parts int      // in which they are transformed
	lines int      // of their spectrum

	// changed, where it is not nil, makes other samples of those from a number on, so
	// far apart.
	changed func(v1, v2 []float64, from, step int)

	held [2][]float64 // all of them, nil where they are not in memory
	room [2][]float64 // for what was recorded, between which samples are
}

func (c *counted) samples() int { return c.frame.Period * c.frame.Periods }

// inParts returns in how many parts, of whole periods' lines each, f is transformed
// where no more samples than most are to be transformed at once.
func inParts(f signal.Frame, most int) int {
	if all := f.Period * f.Periods; all > most {
		most = min(most, max(leastPart, all/partOf))
	}
	for by := 1; ; by++ {
		if n := f.Period / by; f.Period%by == 0 && (n*f.Periods <= most || n <= 2) {
			return by
		}
	}
}

// read fills v1 and v2 with the samples from one on, which are a step apart. Either may
// be nil where nothing is changed.
func (c *counted) read(ctx context.Context, v1, v2 []float64, from, step int) error {
	n, each := max(len(v1), len(v2)), readAtOnce
	if c.clock != nil {
		each = max(1, readAtOnce/step)
	}
	for at := 0; at < n; at += each {
		end := min(n, at+each)
		var part [2][]float64
		for ch, v := range [2][]float64{v1, v2} {
			if v != nil {
				part[ch] = v[at:end]
			}
		}
		if err := c.fill(ctx, part, from+at*step, step); err != nil {
			return err
		}
		if c.changed != nil {
			c.changed(part[0], part[1], from+at*step, step)
		}
	}
	return ctx.Err()
}

// fill is read of a few samples before they are changed.
func (c *counted) fill(ctx context.Context, v [2][]float64, from, step int) error {
	if c.clock == nil {
		return c.sound.ReadAt(ctx, v[0], v[1], c.start+from, step)
	}
	n := max(len(v[0]), len(v[1]))
	first, end := c.clock.first(from), c.clock.first(from+(n-1)*step)+2*c.clock.half // in the recording
	var raw [2][]float64
	for ch := range raw {
		if v[ch] != nil {
			c.room[ch] = slices.Grow(c.room[ch][:0], end-first)
			raw[ch] = c.room[ch][:end-first]
		}
	}
	if err := c.sound.ReadAt(ctx, raw[0], raw[1], first, 1); err != nil {
		return err
	}
	const block = 4096
	return hum.Concurrently(ctx, (n+block-1)/block, func(b int) {
		taps := make([]float64, 2*c.clock.half)
		for i := b * block; i < min(n, (b+1)*block); i++ {
			at := c.clock.taps(taps, from+i*step) - first
			for ch, x := range v {
				if x == nil {
					continue
				}
				var sum float64
				for j, s := range raw[ch][at : at+len(taps)] {
					sum += taps[j] * s
				}
				x[i] = sum
			}
		}
	})
}

// period returns the samples of one period of an input, in room where they are not in
// memory.
func (c *counted) period(ctx context.Context, ch, number int, room []float64) ([]float64, error) {
	n := c.frame.Period
	if c.held[ch] != nil {
		return c.held[ch][number*n : (number+1)*n], nil
	}
	if room == nil {
		room = make([]float64, n)
	}
	var v [2][]float64
	v[ch] = room
	return room, c.read(ctx, v[0], v[1], number*n, 1)
}

// newSpectrum returns the spectrum of c, of a signal up to highHz, without its lines. c
// holds its samples from now on if they are transformed as one.
func (c *counted) newSpectrum(ctx context.Context, rateHz int, highHz float64) (spectrum, error) {
	total := c.samples()
	s := spectrum{periods: c.frame.Periods, samples: total, stepHz: float64(rateHz) / float64(total), frame: c.frame}
	c.lines = total/2 + 1
	if c.parts > 1 {
		c.lines = min(c.lines, int(reachesBeyond*highHz/s.stepHz)+1)
		return s, nil
	}
	s.x1, s.x2 = transform.Whole(make([]complex128, c.lines)), transform.Whole(make([]complex128, c.lines))
	return s, c.hold(ctx, s)
}

// hold reads all samples into the place of the lines of s, where they stay until they are
// transformed.
func (c *counted) hold(ctx context.Context, s spectrum) error {
	fft := transform.New(s.samples)
	v := [2][]float64{fft.Values(s.x1.Lines()), fft.Values(s.x2.Lines())}
	if err := c.read(ctx, v[0], v[1], 0, 1); err != nil {
		return err
	}
	c.held = v
	return nil
}

// transform fills in the lines of s, and returns the rms of both inputs about their
// means.
func (c *counted) transform(ctx context.Context, s *spectrum) (level [2]float64, err error) {
	fft := transform.New(s.samples / c.parts)
	room := make([]float64, fft.Len())
	if c.parts == 1 {
		if c.held[0] == nil {
			if err := c.hold(ctx, *s); err != nil {
				return level, err
			}
		}
		held := c.held
		c.held = [2][]float64{}
		for ch, x := range [2]*transform.Spectrum{s.x1, s.x2} {
			level[ch] = rms(ctx, held[ch])
			if err := fft.Forward(ctx, x.Lines(), room); err != nil {
				return level, err
			}
		}
		return level, nil
	}
	if s.x1 == nil {
		s.x1, s.x2 = transform.Apart(c.lines, s.periods), transform.Apart(c.lines, s.periods)
	} else {
		s.x1.Clear()
		s.x2.Clear()
	}
	x := [2]*transform.Spectrum{s.x1, s.x2}
	var part [2][]complex128
	for ch := range part {
		part[ch] = make([]complex128, fft.Len()/2+1)
	}
	var sound [2]spread
	s.beyond = [2]float64{}
	for number := range c.parts {
		v := [2][]float64{fft.Values(part[0]), fft.Values(part[1])}
		if err := c.read(ctx, v[0], v[1], number, c.parts); err != nil {
			return level, err
		}
		for ch := range x {
			sound[ch].add(v[ch])
			if err := fft.Forward(ctx, part[ch], room); err != nil {
				return level, err
			}
			s.beyond[ch] += float64(c.parts) * s.between(ctx, transform.Whole(part[ch]))
			if err := fft.Join(ctx, x[ch], part[ch], number, c.parts); err != nil {
				return level, err
			}
		}
	}
	for ch := range x {
		level[ch] = sound[ch].rms()
		s.beyond[ch] -= s.between(ctx, x[ch])
	}
	return level, ctx.Err()
}

// firstLines returns so many lines of the spectrum of x, which stays as it is.
func firstLines(ctx context.Context, x []float64, lines int) ([]complex128, error) {
	parts := inParts(signal.Frame{Period: len(x), Periods: 1}, mostAtOnce/2)
	all := transform.Whole(make([]complex128, lines))
	fft := transform.New(len(x) / parts)
	part, room := make([]complex128, fft.Len()/2+1), make([]float64, fft.Len())
	for number := range parts {
		for i, v := 0, fft.Values(part); i < len(v); i++ {
			v[i] = x[number+i*parts]
		}
		if err := fft.Forward(ctx, part, room); err != nil {
			return nil, err
		}
		if err := fft.Join(ctx, all, part, number, parts); err != nil {
			return nil, err
		}
	}
	return all.Lines(), nil
}
