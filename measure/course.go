package measure

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// course is how a recording of silence goes on: its spectra in blocks, one
// after another.
type course struct {
	line     float64 // Hz from one to the next
	spectra  [2][][]complex128
	humHz    float64
	from, to int // lines looked at
}

const (
	courseBlock  = 0.1  // s; whole cycles of 50 and of 60 Hz
	courseSkip   = 0.1  // s at the beginning, in which cards come to rest
	courseEnd    = 0.05 // s at the end
	courseLow    = 40.0 // Hz
	courseHigh   = 0.45 // of the sample rate
	courseFewest = 8    // blocks
	humBeside    = 15.0 // Hz on either side of a harmonic of the mains that are left out
	humReaches   = 40   // harmonics of it
)

// newCourse returns the course of rec, and false where it is too short for one.
// HumHz is the frequency of the mains, 0 for no hum.
func newCourse(rec card.Recording, humHz float64) (course, bool) {
	rate := float64(rec.RateHz)
	n := int(courseBlock * rate)
	for !signal.Smooth(n) {
		n++
	}
	c := course{line: rate / float64(n), humHz: humHz}
	c.from, c.to = int(math.Ceil(courseLow/c.line)), int(courseHigh*rate/c.line)
	fft := fourier.NewFFT(n)
	window := make([]float64, n)
	for i := range window {
		window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
	}
	first := max(int(courseSkip*rate), started(rec)+int(courseSkip*rate))
	block := make([]float64, n)
	for ch, x := range [2][]float64{rec.V1, rec.V2} {
		for at := first; at+n <= len(x)-int(courseEnd*rate); at += n {
			for i, w := range window {
				block[i] = w * x[at+i]
			}
			c.spectra[ch] = append(c.spectra[ch], fft.Coefficients(nil, block))
		}
	}
	return c, len(c.spectra[0]) >= courseFewest
}

// started returns the first sample at which an input moves: until then a card
// may hand out nothing.
func started(rec card.Recording) (at int) {
	for _, x := range [2][]float64{rec.V1, rec.V2} {
		i := 1
		for i < len(x) && x[i] == x[0] {
			i++
		}
		if i < len(x) {
			at = max(at, i)
		}
	}
	return at
}

// counts reports whether a line is away from hum.
func (c course) counts(k int) bool {
	if c.humHz == 0 {
		return true
	}
	hz := float64(k) * c.line
	return hz > humReaches*c.humHz || math.Abs(math.Remainder(hz, c.humHz)) > humBeside
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// quantile returns, for each line, a quantile of its power over all blocks, as
// the median of that of the lines nearby: a tone, or a sound in fewer blocks
// than that, hardly moves it.
func (c course) quantile(ch int, q float64) []float64 {
	each := make([]float64, c.to)
	levels := make([]float64, len(c.spectra[ch]))
	for k := c.from; k < c.to; k++ {
		for b, block := range c.spectra[ch] {
			levels[b] = power(block[k])
		}
		slices.Sort(levels)
		each[k] = levels[int(q*float64(len(levels)-1)+0.5)]
	}
	smooth := make([]float64, c.to)
	var near []float64
	for k := c.from; k < c.to; k++ {
		near = near[:0]
		for j := max(c.from, k-lineReach); j <= min(c.to-1, k+lineReach); j++ {
			if c.counts(j) {
				near = append(near, each[j])
			}
		}
		slices.Sort(near)
		if len(near) > 0 {
			smooth[k] = near[len(near)/2]
		}
	}
	return smooth
}

const (
	lineReach  = 10   // lines on either side
	noiseLeast = 1e-5 // of the median density: what is less is rounding
	noiseUnder = 0.85 // of where a wall is, up to which the noise is looked at

	sure      = 8.0  // standard deviations of chance that make a finding
	lineCap   = 10.0 // times the noise that a line counts at most: no few of them decide
	comesGoes = 1.5  // from the quietest block to the loudest, beyond what is steady

	// A line that is this many times the power that one in ten lines of noise
	// exceeds, in both inputs at once, is a tone.
	toneOver   = 60.0
	singleOver = 1200.0 // likewise, in one input alone
)

// others reports whether the inputs hear a sound that comes and goes, whether it
// is in both of them, and by how many dB it stands out of the noise in its
// loudest block. Of noise that flickers only what both inputs share counts.
//
// Each line counts by its amplitude over the noise's, in both inputs. What the
// inputs share adds up in phase; of their own noises, of random phases, the sum
// over all lines has a standard deviation of the root of the sum of squares.
func (c course) others(flickers bool) (alike bool, over float64, found bool) {
	n1, n2 := c.quantile(0, 0.25), c.quantile(1, 0.25)
	high1, high2 := c.quantile(0, 0.9), c.quantile(1, 0.9)
	least := noiseLeast * middleOf(slices.Clone(n1[c.from:]))
	most, quiet := 0.0, math.Inf(1)
	together, tone, single := false, false, false
	for b := range c.spectra[0] {
		var sum, capped complex128
		var squares float64
		lines := 0
		for k := c.from; k < c.to; k++ {
			if !c.counts(k) || n1[k] <= least || n2[k] <= least {
				continue
			}
			x, y := c.spectra[0][b][k], c.spectra[1][b][k]
			z := x * cmplx.Conj(y) / complex(math.Sqrt(n1[k]*n2[k]), 0)
			sum += z
			lines++
			if m := cmplx.Abs(z); m > lineCap {
				z *= complex(lineCap/m, 0)
			}
			capped += z
			squares += power(z)
			p1, p2 := power(x)/high1[k], power(y)/high2[k]
			tone = tone || min(p1, p2) > toneOver
			single = single || max(p1, p2) > singleOver
		}
		if lines == 0 {
			return false, 0, false
		}
		together = together || cmplx.Abs(capped) > sure*math.Sqrt(squares)
		s := cmplx.Abs(sum)/float64(lines) + 1
		most, quiet = max(most, s), min(quiet, s)
	}
	alike = together && most > comesGoes*quiet || tone && !flickers
	return alike, decibels(most) / 2, alike || single && !flickers
}

const (
	restlessOver = 8.0   // times the median power of a line
	restlessMost = 0.011 // part of the lines beyond that; of steady noise 2^-8, 0.004, are
)

// restless returns the part of all lines of the quieter input that stand out of
// the median over time: noise of which something has taken the steady part.
func (c course) restless() (part float64, found bool) {
	part = 1
	for ch := range c.spectra {
		median := c.quantile(ch, 0.5)
		beyond, all := 0, 0
		for _, block := range c.spectra[ch] {
			for k := max(c.from, int(creepHz/c.line)); k < c.to; k++ {
				if c.counts(k) {
					all++
					if power(block[k]) > restlessOver*median[k] {
						beyond++
					}
				}
			}
		}
		part = min(part, float64(beyond)/float64(all))
	}
	return part, part > restlessMost
}

const (
	creepHz   = 500.0
	creepPart = 4   // of the blocks, at either end
	creepDB   = 1.5 // least change in either input
)

// creep returns by how many dB the noise of the inputs changes in the silence,
// and whether that is beyond chance and in both of them. It compares medians:
// a pop when the card opens is no change.
func (c course) creep() (db [2]float64, found bool) {
	found = true
	for ch := range db {
		var levels []float64
		for _, block := range c.spectra[ch] {
			var p float64
			for k := max(c.from, int(creepHz/c.line)); k < c.to; k++ {
				if c.counts(k) {
					p += power(block[k])
				}
			}
			levels = append(levels, 10*math.Log10(p+math.SmallestNonzeroFloat64))
		}
		n := max(3, len(levels)/creepPart)
		first, last := slices.Clone(levels[:n]), slices.Clone(levels[len(levels)-n:])
		db[ch] = middleOf(last) - middleOf(first)
		spread := (last[n-1] - last[0]) / 2 // of what has come to rest by then, if anything has
		found = found && math.Abs(db[ch]) > max(creepDB, sure/2*spread) && db[ch]*db[0] > 0
	}
	return db, found
}
