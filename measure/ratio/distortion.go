package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"slices"
	"sort"
)

const (
	// distortionSignificance is the normal deviate beyond which the energy on
	// silent lines is more than noise explains: 3e-5 for each sum.
	distortionSignificance = 4.0

	// besideLines is how many silent odd lines on either side of an excited one
	// tell what falls on it.
	besideLines = 8

	// Phases that keep the crest low make products add up in phase on the lines
	// that are excited: up to so many times the power beside them, as measured
	// with cubes of multitones of 200 to 250 lines.
	addsUp = 4

	sharedNoise = 64 // lines at least that share an estimate of the noise
)

// silence is what the silent lines of a sparse signal hold beyond the ratio times
// V1. What the source distorts is in V1 too and does not count; what load or
// inputs distort does. As excited lines are odd, distortion of even order falls
// on even lines, and that of odd order on odd ones, excited or not.
type silence struct {
	s      spectrum
	points []Point
	hz     []float64
}

func (s spectrum) silence(points []Point) silence {
	hz := make([]float64, len(points))
	for i, p := range points {
		hz[i] = p.Hz
	}
	return silence{s, points, hz}
}

// at returns the power of V2 - G V1 in a silent line, of the noise n in it, and
// what of both may come from not knowing G there: it is interpolated between the
// points by a cubic, which is trusted to what it differs from a straight line.
func (q silence) at(k int, n noise) (power, noise, doubt float64) {
	a, b := q.s.x1.At(k*q.s.periods), q.s.x2.At(k*q.s.periods)
	straight, cubic := q.between(float64(k) * q.s.stepHz * float64(q.s.periods))
	return abs2(b - cubic*a), n.residual(cubic), abs2((cubic - straight) * a)
}

// spoilt reports whether hum left more in doubt in a silent line than the noise n,
// or stands in the lines just beside it, which distortion does not.
func (q silence) spoilt(k int, n noise) bool {
	_, g := q.between(float64(k) * q.s.stepHz * float64(q.s.periods))
	plain := n.residual(g)
	if d, ok := q.s.doubt[k*q.s.periods]; ok && d[1]+abs2(g)*d[0] > plain {
		return true
	}
	mean, _ := q.s.beside(&cell{g: g}, k)
	return mean > localStands*plain
}

// between returns the ratio at f, linear between the points next to it and by the
// cubic through the four about it.
func (q silence) between(f float64) (straight, cubic complex128) {
	i := min(max(1, sort.SearchFloat64s(q.hz, f)), len(q.hz)-1)
	w := complex((f-q.hz[i-1])/(q.hz[i]-q.hz[i-1]), 0)
	straight = q.points[i-1].G*(1-w) + q.points[i].G*w
	if len(q.hz) < 4 {
		return straight, straight
	}
	from := min(max(0, i-2), len(q.hz)-4)
	for j := from; j < from+4; j++ {
		weight := 1.0
		for l := from; l < from+4; l++ {
			if l != j {
				weight *= (f - q.hz[l]) / (q.hz[j] - q.hz[l])
			}
		}
		cubic += complex(weight, 0) * q.points[j].G
	}
	return straight, cubic
}

// excess is what silent lines hold, and what noise and doubt explain of that: sums
// of powers, each times the weight of its line.
type excess struct {
	power, explained, variance float64
	weights                    float64
}

func (e *excess) add(weight, power, explained float64) {
	e.power += weight * power
	e.explained += weight * explained
	e.variance += weight * weight * explained * explained // of an exponential variate: its mean squared
	e.weights += weight
}

// share adds the variance that lines have in common whose noise is the mean of so
// many others; noise is the sum of theirs, times their weights.
func (e *excess) share(noise float64, lines int) { e.variance += noise * noise / float64(lines) }

// stands reports whether e is more than noise makes of it. A sum that a few noisy
// lines make up has the long tail of those few.
func (e excess) stands() bool {
	if e.variance == 0 {
		return e.power > e.explained
	}
	n := e.explained * e.explained / e.variance // lines of equal noise that would vary as much
	return e.power > e.explained*gammaQuantile(n, distortionSignificance)
}

// noiseBlock is a run of a period's lines with the noise in the lines between
// those, the mean of so many.
type noiseBlock struct {
	lo, hi int
	noise  noise
	lines  int
}

// noiseBlocks divides the band of a sparse signal into blocks that share no line.
func (s spectrum) noiseBlocks(ctx context.Context) (blocks []noiseBlock) {
	last := s.lines[len(s.lines)-1]
	for lo := s.lines[0]; lo < last && ctx.Err() == nil; {
		hi := lo + sharedNoise - 1
		if hi+sharedNoise > last {
			hi = last
		}
		b := noiseBlock{lo: lo, hi: hi, lines: (hi - lo) * (s.periods - 1)}
		b.noise = s.usualNoise(lo*s.periods, hi*s.periods)
		blocks, lo = append(blocks, b), hi+1
	}
	return blocks
}

// besideBlock returns the noise of the blocks on either side of one, or its own
// where there is no other.
func besideBlock(blocks []noiseBlock, i int) noise {
	switch {
	case len(blocks) == 1:
		return blocks[i].noise
	case i == 0:
		return blocks[1].noise
	case i == len(blocks)-1:
		return blocks[i-1].noise
	}
	a, b := blocks[i-1].noise, blocks[i+1].noise
	return noise{(a.p1 + b.p1) / 2, (a.p2 + b.p2) / 2, (a.p12 + b.p12) / 2}
}

// distortion returns the rms of what V2 holds on the silent lines of a sparse
// signal beyond the ratio times V1, over the rms of V2 on the excited ones, of
// even and of odd order.
//
// Lines are summed as they are, and by the inverse of their variance: what is slow
// makes the bass noisy, where the distortion need not be. Each block of lines
// takes its noise from the lines between, and its weight from those of the blocks
// beside it. Were the weight 1/n^2 of the very noise n that is taken off, what is
// estimated too low would count for more than what is too high: with N lines to
// each estimate by E[s^2/n^2 - 1/n] = 2/(N s^2) a line, whatever the noise s.
func (s spectrum) distortion(ctx context.Context, points []Point) (parts [2]float64) {
	if s.lines == nil || len(points) < 2 {
		return parts
	}
	q := s.silence(points)
	blocks := s.noiseBlocks(ctx)
	var signal float64
	var plain, weighted [2]excess
	var lines [2]float64
	for i, b := range blocks {
		if ctx.Err() != nil {
			return parts
		}
		beside := besideBlock(blocks, i)
		var common, commonWeighted [2]float64
		for k := b.lo; k <= b.hi; k++ {
			if s.excited(k) {
				signal += abs2(s.x2.At(k * s.periods))
				continue
			}
			if q.spoilt(k, b.noise) {
				continue
			}
			power, noise, doubt := q.at(k, b.noise)
			of := k % 2
			plain[of].add(1, power, noise+doubt)
			common[of] += noise
			_, about, _ := q.at(k, beside)
			if v := (about + doubt) * (about + doubt); v > 0 {
				weighted[of].add(1/v, power, noise+doubt)
				commonWeighted[of] += noise / v
				lines[of]++
			}
		}
		for of := range common {
			plain[of].share(common[of], b.lines)
			weighted[of].share(commonWeighted[of], b.lines)
		}
	}
	for i := range parts {
		switch p, w := plain[i], weighted[i]; {
		case signal == 0:
		case p.stands():
			parts[i] = math.Sqrt((p.power - p.explained) / signal)
		case w.stands():
			parts[i] = math.Sqrt((w.power - w.explained) / w.weights * lines[i] / signal)
		}
	}
	return parts
}

// moved returns by how much what distorts may move |Z| of each point from that at
// a small signal, given the part of odd order. A cube of a Gaussian signal has
// 3/sqrt(6) of what it adds besides in common with the signal itself, and
// dZ/Z = dG/(G (1 - G)).
func moved(points []Point, odd float64) []Moved {
	if odd == 0 {
		return nil
	}
	m := make([]Moved, len(points))
	for i, p := range points {
		m[i] = Moved{p.Hz, 3 / math.Sqrt(6) * odd / max(cmplx.Abs(1-p.G), leastSwing)}
	}
	return m
}

// doubtDistortion adds to the doubt of each excited line the distortion that
// falls on it, by what is on the silent odd ones beside it.
func (s spectrum) doubtDistortion(points []Point) {
	q := s.silence(points)
	for i, k := range s.lines {
		var beside []int
		for way := -1; way <= 1; way += 2 {
			next, found := i+way, 0
			for j := k + 2*way; found < besideLines && j > 0 && j*s.periods < s.x1.Len(); j += 2 * way {
				if next >= 0 && next < len(s.lines) && s.lines[next] == j {
					next += way
					continue
				}
				beside, found = append(beside, j), found+1
			}
		}
		n := s.noiseAbout(&cell{lo: slices.Min(beside), hi: slices.Max(beside)})
		var excess float64
		for _, j := range beside {
			power, noise, doubt := q.at(j, n)
			excess += addsUp * (power - noise - doubt) / float64(len(beside))
		}
		if excess > 0 {
			d := s.doubt[k*s.periods]
			d[1] += excess
			s.doubt[k*s.periods] = d
		}
	}
}
