package ratio

import (
	"context"
	"math"
	"math/cmplx"

	"tapload/measure/impedance"
)

const (
	// Noise is averaged over at least so many noise lines, so that its own
	// scatter (1 part in the square root of twice as many) hardly widens
	// intervals that count on knowing it.
	noiseLinesWanted = 48

	// Broad hum is narrower than that. Where so many lines show so many times as
	// much, which is 3 standard deviations, they are the noise.
	noiseLinesNear = 12
	unevenBy       = 1.9

	// A point needs this much more signal than noise in its lines.
	leastSignalOverNoise = 8.0

	reach      = 3 // cells on either side that a point's neighbourhood has at least
	mostStrips = 8 // of a cell
)

// cell is a run of whole signal lines, about 1/PointsPerOctave of an octave
// wide where lines are dense enough and one line where they are not. Its mean
// ratio is the least-squares estimate of a constant,
//
//	G = sum conj(V1) V2 / sum |V1|^2,
//
// with the noise's own share, known from the lines between, taken off both
// sums: without that, noise in V1 would pull |G| down by its ratio to the
// signal. Lines that are noisier than the others count by the inverse of their
// noise.
type cell struct {
	lo, hi int // signal lines lo to hi, as numbers of the period's own spectrum

	about  noise     // in the lines between
	uneven bool      // about is of noiseLinesNear lines
	excess []float64 // power of the error of each line beyond that, in V2 - G V1; +Inf leaves it out; nil for none

	g      complex128
	energy float64 // sum |V1|^2 without noise
	noise  float64 // variance of g, E|e|^2
	strips []strip

	differs []complex128 // by what the periods differ; see bursts
	mended  bool         // a period is left out
}

func (c cell) middle() float64 { return float64(c.lo+c.hi) / 2 }

func (c cell) lines() int { return c.hi - c.lo + 1 }

// cells divides the lines of the band into cells, the middles of the outermost
// at or just beyond its ends, and adds neighbours on either side as far as the
// signal reaches. Cells from first to before end are those of the band.
func (s spectrum) cells() (cells []cell, first, end int) {
	if s.lines != nil {
		for _, k := range s.lines {
			cells = append(cells, cell{lo: k, hi: k})
		}
		return cells, 0, len(cells)
	}
	return grid(s.frame.LowHz, s.frame.HighHz, s.stepHz*float64(s.periods), (s.x1.Len()-1)/s.periods)
}

// grid divides lines that are periodHz apart, up to the one of number top, into
// cells as described at spectrum.cells.
func grid(lowHz, highHz, periodHz float64, top int) (cells []cell, first, end int) {
	width := func(k int) int {
		const octave = 1.0 / PointsPerOctave
		return max(1, int(math.Round(float64(k)*(math.Exp2(octave)-1))))
	}
	lowest := max(1, int(math.Floor(lowHz/periodHz+1e-9)))
	for i := reach; i > 0; i-- {
		if k := lowest - i*width(lowest); k >= 1 {
			cells = append(cells, cell{lo: k, hi: k + width(lowest) - 1})
		}
	}
	first = len(cells)
	k := lowest
	for k <= top {
		c := cell{lo: k, hi: min(top, k+width(k)-1)}
		cells, k = append(cells, c), c.hi+1
		if c.middle()*periodHz >= highHz {
			break
		}
	}
	end = len(cells)
	// The signal ends soon after its band: narrow neighbours still fit in.
	for w := max(1, width(k)/3); len(cells) < end+reach && k+w-1 < top; k += w {
		cells = append(cells, cell{lo: k, hi: k + w - 1})
	}
	return cells, first, end
}

// points estimates the ratio on the log grid. What it returns means nothing once
// ctx has ended.
func (s spectrum) points(ctx context.Context, seen *Seen) []Point {
	cells, first, end := s.cells()
	seen.NoiseFloor = s.noiseFloor(ctx)
	var heard []cell // cells that the signal carries
	var inBand []int // those of the band, as indices into heard
	var energy float64
	for i, c := range cells {
		if ctx.Err() != nil {
			return nil
		}
		banded := i >= first && i < end
		stands := s.average(&c)
		if banded {
			energy += c.energy
		}
		switch {
		case stands:
			heard = append(heard, c)
			if banded {
				inBand = append(inBand, len(heard)-1)
			}
		case banded:
			seen.LeftOut++
		}
	}
	seen.Signal = math.Sqrt(math.Max(0, 2*energy)) / float64(s.samples)
	periodHz := s.stepHz * float64(s.periods)
	points := make([]Point, 0, len(inBand))
	add := func(c cell, g complex128, v float64) {
		points = append(points, Point{Hz: c.middle() * periodHz, G: g, Noise: impedance.Circular(v)})
	}
	if s.lines != nil { // too far apart for a smooth curve through them
		for _, i := range inBand {
			add(heard[i], heard[i].g, heard[i].noise)
		}
		return points
	}
	v := s.surveyed(ctx, heard)
	seen.OnLines = v.alone
	if len(inBand) > 0 {
		seen.Bursts = v.bursts(ctx, inBand[0], inBand[len(inBand)-1]+1)
	}
	if ctx.Err() != nil {
		return nil
	}
	seen.Rough = s.rough(heard, inBand)
	for _, i := range inBand {
		if math.IsInf(v.found[i].noise, 1) { // tones all about it
			seen.LeftOut++
			continue
		}
		add(heard[i], v.found[i].g, v.found[i].noise)
	}
	return points
}

// roughStands is by how many times a line's error must be above the noise about
// it, as power, to be said.
const roughStands = 30.0

// rough returns the bands of the given cells whose lines are that much worse than
// the noise about them, in hertz.
func (s spectrum) rough(cells []cell, which []int) (bands [][2]float64) {
	hz := s.stepHz * float64(s.periods)
	last := 0 // line
	for _, i := range which {
		c := &cells[i]
		for j, e := range c.excess {
			k := c.lo + j
			if e < roughStands*c.about.residual(c.g) {
				continue
			}
			if mean, _ := s.beside(c, k); mean < roughStands*c.about.residual(c.g) {
				continue
			}
			if n := len(bands); n > 0 && k-last <= 2*c.lines() {
				bands[n-1][1] = float64(k) * hz
			} else {
				bands = append(bands, [2]float64{float64(k) * hz, float64(k) * hz})
			}
			last = k
		}
	}
	return bands
}

// average fills in the mean ratio of c and its noise, and reports whether the
// signal stands out of the noise there.
func (s spectrum) average(c *cell) bool {
	c.about = s.noiseAbout(c)
	if !s.weigh(c) {
		return false
	}
	// With the ratio about known, so is the noise of each line.
	if c.about.residual(c.g) == 0 {
		return true
	}
	if near, ok := s.noiseNear(c); ok && near.residual(c.g) > unevenBy*c.about.residual(c.g) {
		c.about, c.uneven = near, true
		if !s.weigh(c) {
			return false
		}
	}
	if c.excess = s.excess(c); c.excess == nil {
		return true
	}
	return s.weigh(c)
}

// weigh takes the mean of c, and of its strips, with the weights that its
// excess gives to its lines.
func (s spectrum) weigh(c *cell) bool {
	plain := c.about.residual(c.g)
	long := (c.lines() + mostStrips - 1) / mostStrips
	var whole sums
	c.strips = c.strips[:0]
	for lo := c.lo; lo <= c.hi; lo += long {
		var part sums
		for k := lo; k <= min(c.hi, lo+long-1); k++ {
			w, e := 1.0, 0.0
			if c.excess != nil && c.excess[k-c.lo] > 0 {
				if e = c.excess[k-c.lo]; math.IsInf(e, 1) {
					continue
				}
				w = plain / (plain + e)
			}
			part.add(s.x1.At(k*s.periods), s.x2.At(k*s.periods), float64(k), w, e)
		}
		whole.join(part)
		if energy := part.energy(c.about); energy > 0 {
			c.strips = append(c.strips, strip{
				lo: lo, hi: min(c.hi, lo+long-1), x: part.at / part.den,
				g: part.ratio(c.about), noise: math.Max(part.variance(c.about, part.ratio(c.about)), rounded(part.ratio(c.about))), share: energy,
			})
		}
	}
	c.energy = whole.energy(c.about)
	if whole.lines == 0 || c.energy < leastSignalOverNoise*whole.lines*c.about.p1 || c.energy == 0 {
		return false
	}
	c.g = whole.ratio(c.about)
	c.noise = whole.variance(c.about, c.g)
	for i := range c.strips {
		c.strips[i].share /= c.energy
	}
	return true
}

// rounded returns the variance that the last digits of samples leave to a
// ratio without any noise.
func rounded(g complex128) float64 {
	const digits = 1e-10
	return digits * digits * math.Max(abs2(g), 1e-4)
}

// sums are those over some lines, of weight w each, that a mean ratio is made
// of.
type sums struct {
	num    complex128 // w conj(V1) V2
	den    float64    // w |V1|^2
	at     float64    // w |V1|^2 times the line's number
	lines  float64    // w
	spread float64    // w^2 |V1|^2
	doubt  float64    // w^2 |V1|^2 times the excess
}

func (t *sums) add(v1, v2 complex128, k, w, excess float64) {
	p := w * abs2(v1)
	t.num += complex(w, 0) * cmplx.Conj(v1) * v2
	t.den += p
	t.at += p * k
	t.lines += w
	t.spread += w * p
	t.doubt += w * p * excess
}

func (t *sums) join(u sums) {
	t.num += u.num
	t.den += u.den
	t.at += u.at
	t.lines += u.lines
	t.spread += u.spread
	t.doubt += u.doubt
}

func (t sums) energy(n noise) float64 { return t.den - t.lines*n.p1 }

func (t sums) ratio(n noise) complex128 {
	return (t.num - complex(t.lines, 0)*n.p12) / complex(t.energy(n), 0)
}

func (t sums) variance(n noise, g complex128) float64 {
	e := t.energy(n)
	return (n.residual(g)*t.spread + t.doubt) / (e * e)
}

// betweenNear are the places, from a signal line on, of the lines between that
// are nearest to it; betweenNear2 where every other line is one.
var (
	betweenNear2 = [...]int{-3, -1, 1, 3}
	betweenNear  = [...]int{-2, -1, 1, 2}
)

// localStands is how far the mean power of the four lines beside a signal line
// must be above that of all the noise about: noise alone is there once in ten
// thousand lines.
const localStands = 4.0

// excess returns the power of the error in V2 - G V1 by which each line of c
// is worse than the noise about it: what taking out hum left in doubt, and what
// the lines just beside it show, as hum that wanders has skirts of a few lines,
// which the mean over many does not show. The largest of those is taken, since
// the signal's own line may be the middle of a skirt. Nil is none.
func (s spectrum) excess(c *cell) []float64 {
	var excess []float64
	plain, gain := c.about.residual(c.g), abs2(c.g)
	for k := c.lo; k <= c.hi; k++ {
		var e float64
		if d, ok := s.doubt[k*s.periods]; ok {
			e = d[1] + gain*d[0]
		}
		if mean, most := s.beside(c, k); mean > localStands*plain {
			e = max(e, most-plain)
		}
		if e > 0 {
			if excess == nil {
				excess = make([]float64, c.lines())
			}
			excess[k-c.lo] = e
		}
	}
	return excess
}

// beside returns the mean and the largest power of V2 - G V1 in the four lines
// between that are nearest to line k of c.
func (s spectrum) beside(c *cell, k int) (mean, most float64) {
	offsets := &betweenNear
	if s.periods == 2 {
		offsets = &betweenNear2
	}
	for _, o := range offsets {
		if j := k*s.periods + o; j > 0 && j < s.x1.Len() {
			p := abs2(s.x2.At(j) - c.g*s.x1.At(j))
			mean += p / float64(len(offsets))
			most = max(most, p)
		}
	}
	return mean, most
}

// noise is the mean power of the noise in a line: of N1, of N2, and the cross
// power conj(N1) N2.
type noise struct {
	p1, p2 float64
	p12    complex128
}

// noiseAbout returns the noise in the lines between those of c, or over as many
// more on either side as noiseLinesWanted asks for.
func (s spectrum) noiseAbout(c *cell) noise {
	between := s.periods - 1
	wider := 0 // signal lines on either side
	if short := noiseLinesWanted - between*(c.hi-c.lo+2); short > 0 {
		wider = (short + 2*between - 1) / (2 * between)
	}
	lo, hi := c.lo-wider-1, c.hi+wider+1
	if lo < 0 {
		lo, hi = 0, hi-lo
	}
	return s.usualNoise(lo*s.periods, min(hi*s.periods, s.x1.Len()-1))
}

// noiseNear returns the noise in the noiseLinesNear lines nearest to those of c,
// if noiseAbout took many more.
func (s spectrum) noiseNear(c *cell) (noise, bool) {
	between := s.periods - 1
	if between*(c.hi-c.lo+2) > noiseLinesWanted/2 {
		return noise{}, false
	}
	wider := max(1, (noiseLinesNear*s.periods/between-(c.hi-c.lo)*s.periods+1)/2)
	lo, hi := c.lo*s.periods-wider, c.hi*s.periods+wider
	if lo < 1 || hi >= s.x1.Len() {
		return noise{}, false
	}
	return s.usualNoise(lo, hi), true
}

// Noise alone is above usualMost times its mean in one of 160 000 lines.
const usualMost = 12.0

// usualNoise is noiseBetween without the lines that stand far above the others:
// those say something of the lines just beside them, see excess, and nothing of
// the rest.
func (s spectrum) usualNoise(lo, hi int) noise {
	n := s.noiseBetween(lo, hi)
	for range 6 {
		var usual noise
		count := 0.0
		stood := false
		for j := lo; j <= hi; j++ {
			if s.isSignal(j) {
				continue
			}
			a, b := s.x1.At(j), s.x2.At(j)
			if abs2(a) > usualMost*n.p1 || abs2(b) > usualMost*n.p2 {
				stood = true
				continue
			}
			usual.p1 += abs2(a)
			usual.p2 += abs2(b)
			usual.p12 += cmplx.Conj(a) * b
			count++
		}
		if !stood || count == 0 {
			break
		}
		n = noise{usual.p1 / count, usual.p2 / count, usual.p12 / complex(count, 0)}
	}
	return s.withRounding(n)
}

// withRounding returns n, the noise between the signal's lines, with what rounding
// does in those alone: what it lacks there it has here, where there is one line
// for each of the periods.
func (s spectrum) withRounding(n noise) noise {
	p := float64(s.periods)
	n.p1 += p * max(0, s.rounding[0]-n.p1)
	n.p2 += p * max(0, s.rounding[1]-n.p2)
	return n
}

// noiseBetween returns the noise in the lines from lo to hi.
func (s spectrum) noiseBetween(lo, hi int) noise {
	var n noise
	count := s.addNoise(&n, lo, hi)
	return noise{n.p1 / count, n.p2 / count, n.p12 / complex(count, 0)}
}

// addNoise adds the noise in each line from lo to hi to n, and returns in how many
// there is some.
func (s spectrum) addNoise(n *noise, lo, hi int) (count float64) {
	for j := lo; j <= hi; j++ {
		if s.isSignal(j) {
			continue
		}
		a, b := s.x1.At(j), s.x2.At(j)
		n.p1 += abs2(a)
		n.p2 += abs2(b)
		n.p12 += cmplx.Conj(a) * b
		count++
	}
	return count
}

// residual returns the mean power of N2 - g N1: what noise in both channels,
// correlated or not, does to a ratio near g.
func (n noise) residual(g complex128) float64 {
	cross := real(cmplx.Conj(g) * n.p12) // conj(g) conj(N1) N2
	return math.Max(0, n.p2-2*cross+abs2(g)*n.p1)
}

// noiseFloor returns the rms noise of both channels over the whole spectrum.
func (s spectrum) noiseFloor(ctx context.Context) [2]float64 {
	const atOnce = 1 << 20 // lines, a few milliseconds
	var n noise
	var count float64
	for lo := 1; lo < s.x1.Len() && ctx.Err() == nil; lo += atOnce {
		count += s.addNoise(&n, lo, min(lo+atOnce, s.x1.Len())-1)
	}
	between := func(lines int) int { return lines - lines/s.periods } // of the first so many
	n.p1, n.p2 = n.p1+max(0, s.beyond[0]), n.p2+max(0, s.beyond[1])
	count += float64(between(s.samples/2) - between(s.x1.Len()-1))
	// Mean power of a line over N^2 samples squared, times N lines.
	rms := func(p, rounding float64) float64 { return math.Sqrt(max(p/count, rounding) / float64(s.samples)) }
	return [2]float64{rms(n.p1, s.rounding[0]), rms(n.p2, s.rounding[1])}
}
