package ratio

import (
	"math"
	"sort"
)

// distortionSignificance is how many standard deviations of the noise the
// energy on silent lines must stand above what noise explains.
const distortionSignificance = 4.0

// distortion returns the rms of what V2 holds on the silent lines of a sparse
// signal beyond the ratio times V1, over the rms of V2 on the excited ones. What
// the source distorts is in V1 too and does not count; what load or inputs
// distort does. As excited lines are odd, distortion of even order falls on
// even lines and most of that of odd order on silent odd ones.
//
// The ratio on a silent line is taken as linear between the points on either
// side: an error of some per cent of the little that V1 holds there.
func (s spectrum) distortion(points []Point) (parts [2]float64) {
	if s.lines == nil || len(points) < 2 {
		return parts
	}
	hz := make([]float64, len(points))
	for i, p := range points {
		hz[i] = p.Hz
	}
	excited := make(map[int]bool, len(s.lines))
	for _, k := range s.lines {
		excited[k] = true
	}
	periodHz := s.stepHz * float64(s.periods)
	var signal float64
	var excess, variance [2]float64
	var n noise
	first, last := s.lines[0], s.lines[len(s.lines)-1]
	for k := first; k <= last; k++ {
		const block = 64 // lines that share an estimate of the noise
		if (k-first)%block == 0 {
			n = s.noiseAbout(&cell{lo: k, hi: min(k+block, last)})
		}
		a, b := s.x1[k*s.periods], s.x2[k*s.periods]
		if excited[k] {
			signal += abs2(b)
			continue
		}
		g := between(points, hz, float64(k)*periodHz)
		noise := n.residual(g)
		excess[k%2] += abs2(b-g*a) - noise
		variance[k%2] += noise * noise // of an exponential variate: its mean squared
	}
	for i, e := range excess {
		if e > distortionSignificance*math.Sqrt(variance[i]) && signal > 0 {
			parts[i] = math.Sqrt(e / signal)
		}
	}
	return parts
}

// between returns the ratio at f, linear between the points next to it.
func between(points []Point, hz []float64, f float64) complex128 {
	i := min(max(1, sort.SearchFloat64s(hz, f)), len(hz)-1)
	w := complex((f-hz[i-1])/(hz[i]-hz[i-1]), 0)
	return points[i-1].G*(1-w) + points[i].G*w
}
