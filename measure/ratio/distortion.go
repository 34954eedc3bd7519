package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"slices"
	"sort"
)

const (
	// distortionSignificance is how many standard deviations of the noise the
	// energy on silent lines must stand above what noise explains.
	distortionSignificance = 4.0

	// besideLines is how many silent odd lines on either side of an excited one
	// tell what falls on it.
	besideLines = 8

	// Phases that keep the crest low make products add up in phase on the lines
	// that are excited: up to so many times the power beside them, as measured
	// with cubes of multitones of 200 to 250 lines.
	addsUp = 4

	sharedNoise = 64 // lines that share an estimate of the noise
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

// distortion returns the rms of what V2 holds on the silent lines of a sparse
// signal beyond the ratio times V1, over the rms of V2 on the excited ones, of
// even and of odd order.
func (s spectrum) distortion(ctx context.Context, points []Point) (parts [2]float64) {
	if s.lines == nil || len(points) < 2 {
		return parts
	}
	q := s.silence(points)
	var signal float64
	// Sums over lines as they are, and by the inverse of their variance: what is
	// slow makes the bass noisy, where the distortion need not be.
	var excess, variance, lines, weighted, weights [2]float64
	var n noise
	first, last := s.lines[0], s.lines[len(s.lines)-1]
	for k := first; k <= last && ctx.Err() == nil; k++ {
		if (k-first)%sharedNoise == 0 {
			n = s.noiseAbout(&cell{lo: k, hi: min(k+sharedNoise, last)})
		}
		if s.excited(k) {
			signal += abs2(s.x2.At(k * s.periods))
			continue
		}
		power, noise, doubt := q.at(k, n)
		v := (noise + doubt) * (noise + doubt) // of an exponential variate: its mean squared
		excess[k%2] += power - noise - doubt
		variance[k%2] += v
		if v > 0 {
			lines[k%2]++
			weighted[k%2] += (power - noise - doubt) / v
			weights[k%2] += 1 / v
		}
	}
	for i, e := range excess {
		switch {
		case signal == 0:
		case e > distortionSignificance*math.Sqrt(variance[i]):
			parts[i] = math.Sqrt(e / signal)
		case weighted[i] > distortionSignificance*math.Sqrt(weights[i]):
			parts[i] = math.Sqrt(weighted[i] / weights[i] * lines[i] / signal)
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
