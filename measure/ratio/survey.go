package ratio

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	leastStrips = 13 // of a neighbourhood

	// A clean sweep has a line that stands out once in so many sweeps, shared
	// out among its cells.
	falselyAlone = 1e-4

	// Alone is a line that stands so many times above the mean of the four
	// beside it. A peak too narrow for the curve has company.
	aloneBeside = 5.0

	// The scatter of a cell's lines is significant where noise alone would be
	// as large once in so many cells.
	falselyScattered = 1e-4

	worseBy = 2.0 // variance of a spoilt cell's own mean over that of the curve

	mostSpoilt = 3 // lines of a neighbourhood

	surveyRounds = 40 // of leaving lines out
)

// survey holds each line of the signal against a smooth curve through the lines
// near it.
//
// The lines between say how large the noise is, but not all that is wrong shows
// there: a tone that sits on a line of the signal, harmonics of a load that
// bends, a peak too narrow for the curve. What the lines of a cell differ from
// the curve by, V2 - p(k) V1, is noise like that between, or more. One line
// that stands alone is a tone: it is left out. Lines that scatter more than the
// noise between allows get their scatter as their noise.
type survey struct {
	s     spectrum
	cells []cell
	found []finding // by cell
	alone []OnLine
}

// finding is what the neighbourhood says of a cell.
type finding struct {
	curve smooth
	g     complex128 // in the middle of the cell
	noise float64    // its variance, E|e|^2

	worst  int     // line of the cell that stands out most
	peak   float64 // amplitude in V2 - G V1 of a tone that would explain it, fraction of full scale
	stands float64 // by how much more than is allowed; above 1 it does
}

// surveyed returns the survey of cells, in rising order. It has none of what is
// found where ctx has ended.
func (s spectrum) surveyed(ctx context.Context, cells []cell) *survey {
	v := &survey{s: s, cells: cells, found: make([]finding, len(cells))}
	dirty := make([]bool, len(cells))
	for i := range dirty {
		dirty[i] = true
	}
	for range surveyRounds {
		for i := range cells {
			if ctx.Err() != nil {
				return v
			}
			if dirty[i] {
				v.judge(i)
			}
		}
		clear(dirty)
		if !v.leaveOut(dirty) {
			break
		}
	}
	return v
}

// leaveOut leaves out the lines that stand alone, of each neighbourhood the one
// that does most, marks the cells that it touches, and reports whether there
// were any.
func (v *survey) leaveOut(dirty []bool) (any bool) {
	var order []int
	for i, f := range v.found {
		if f.stands > 1 {
			order = append(order, i)
		}
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(v.found[b].stands, v.found[a].stands) })
	for _, i := range order {
		if dirty[i] {
			continue // next round, when the curve is rid of a worse one
		}
		c, f := &v.cells[i], v.found[i]
		if c.excess == nil {
			c.excess = make([]float64, c.lines())
		}
		c.excess[f.worst-c.lo] = math.Inf(1)
		if !v.s.weigh(c) {
			c.strips, c.energy, c.noise = nil, 0, 0
		}
		v.alone = append(v.alone, OnLine{Hz: float64(f.worst*v.s.periods) * v.s.stepHz, Peak: f.peak})
		any = true
		lo, hi := v.near(i)
		for j := lo; j <= hi; j++ {
			dirty[j] = true
		}
	}
	return any
}

// near returns the first and the last cell of the neighbourhood of cell i:
// reach cells on either side, or as many more as leastStrips asks for, and no
// further where cells are missing.
func (v *survey) near(i int) (lo, hi int) {
	c := v.cells[i]
	lines := c.lines()
	cells := max(reach, (leastStrips/min(lines, mostStrips))/2)
	furthest := float64(cells+1) * float64(lines)
	lo, hi = i, i
	for lo > 0 && i-lo < cells && c.middle()-v.cells[lo-1].middle() <= furthest {
		lo--
	}
	for hi+1 < len(v.cells) && hi-i < cells && v.cells[hi+1].middle()-c.middle() <= furthest {
		hi++
	}
	return lo, hi
}

// judge works out what the neighbourhood of cell i says of it.
//
// The mean over a cell is not the value in its middle where the curve bends.
// The curve p says by how much:
//
//	G = p(middle) + mean of (V2 - p V1)/V1 by energy,
//
// of variance v + var p(middle) - var mean p, with v that of the cell's mean: the
// curve's own coefficients are the least-squares estimates from the same means.
func (v *survey) judge(i int) {
	c := v.cells[i]
	lo, hi := v.near(i)
	var strips []strip
	spoilt := 0 // lines that are known to be
	for j := lo; j <= hi; j++ {
		strips = append(strips, v.cells[j].strips...)
		for _, e := range v.cells[j].excess {
			if e > 0 {
				spoilt++
			}
		}
	}
	if len(strips) == 0 { // all of it left out
		v.found[i] = finding{curve: polynomial{scale: 1}, g: c.g, noise: math.Inf(1)}
		return
	}
	curve := smoothThrough(strips, c.middle())
	f := finding{curve: curve, g: curve.value(c.middle()), noise: curve.variance([]float64{c.middle()}, []float64{1})}
	if c.energy == 0 {
		if chi2, free := curve.misfit(); free > 0 {
			f.noise *= math.Max(1, chi2/float64(free))
		}
		v.found[i] = f
		return
	}
	var x, share []float64
	for _, s := range c.strips {
		x, share = append(x, s.x), append(share, s.share)
	}
	if c.mended { // the lines still hold every period, the strips do not
		f.noise = c.noise + math.Max(-c.noise/2, f.noise-curve.variance(x, share))
		for _, s := range c.strips {
			f.g += complex(s.share, 0) * (s.g - curve.value(s.x))
		}
		v.found[i] = f
		return
	}
	through := f // the curve alone
	f.noise = c.noise + math.Max(-c.noise/2, f.noise-curve.variance(x, share))
	v.scatter(i, &f)
	// Where the cell's own lines are spoilt and are known to be, the curve,
	// in which they count for little, is the better estimate; not so where the
	// skirt of a tone is so wide that the curve follows it.
	if chi2, free := curve.misfit(); c.excess != nil && spoilt <= mostSpoilt && free > 0 {
		through.noise *= math.Max(1, chi2/float64(free))
		if worseBy*through.noise < f.noise && chi2 < float64(free)+misfitSure*math.Sqrt(float64(free)) {
			f.g, f.noise = through.g, through.noise
		}
	}
	v.found[i] = f
}

// scatter adds to f what the lines of cell i differ from its curve by: in the
// mean, which belongs to G, and in their scatter.
func (v *survey) scatter(i int, f *finding) {
	c, s := v.cells[i], v.s
	var mean complex128
	var sum, free, n float64
	worst, most := c.lo, 0.0
	for k := c.lo; k <= c.hi; k++ {
		p := f.curve.value(float64(k))
		v1 := s.x1.At(k * s.periods)
		r := s.x2.At(k*s.periods) - p*v1
		plain, excess := c.about.residual(p), 0.0
		if c.excess != nil {
			excess = c.excess[k-c.lo]
		}
		if math.IsInf(excess, 1) {
			continue
		}
		w := 1.0
		if excess > 0 {
			w = plain / (plain + excess)
		}
		mean += complex(w, 0) * (cmplx.Conj(v1)*r - c.about.p12 + p*complex(c.about.p1, 0))
		noise := v.allowed(k, p, plain+excess)
		kept := 1.0
		if c.lines() <= mostStrips { // else the curve follows no single line
			kept = unfollowed(f.curve, k, noise/abs2(v1))
		}
		t := abs2(r) / (noise * kept)
		sum += abs2(r) / noise
		free += kept
		n++
		if excess == 0 && t > most {
			worst, most = k, t
			f.peak = 2 * math.Sqrt(abs2(r)) / unfollowed(f.curve, k, noise/abs2(v1)) / float64(s.samples)
		}
	}
	f.g += mean / complex(c.energy, 0)
	if free == 0 {
		return
	}
	m := v.noiseLines(c)
	f.worst = worst
	f.stands = most / fTail(falselyAlone/float64(len(v.cells)*c.lines()), m)
	if f.stands > 1 && !v.isAlone(worst, most, f.curve, c) {
		f.stands = 0
	}
	// With n complex values, of which the curve leaves a part free, the scatter
	// over that part has 2n degrees of freedom, the noise between 2m.
	const doubtful = 2.0 // standard deviations, far below the limit and quick to work out
	if q := sum / free; q > 1+doubtful*math.Sqrt(1/n+1/m) && q > scatterLimit(n, m) {
		f.noise *= q * widened(2*n)
	}
}

// unfollowed returns the part of what is off in line k, whose ratio has the
// given noise, that the curve does not follow: 1 less the line's leverage.
func unfollowed(curve smooth, k int, noise float64) float64 {
	return math.Max(0.1, 1-curve.variance([]float64{float64(k)}, []float64{1})/noise)
}

// leastNoise is the part of V2 below which nothing counts as scatter: rounding,
// and the curve's own error where there is no noise at all.
const leastNoise = 1e-6

func (v *survey) allowed(k int, p complex128, noise float64) float64 {
	v1 := abs2(v.s.x1.At(k * v.s.periods))
	return math.Max(noise, leastNoise*leastNoise*v1*math.Max(abs2(p), 1e-4))
}

// noiseLines returns over how many lines the noise about c is averaged.
func (v *survey) noiseLines(c cell) float64 {
	if c.uneven {
		return noiseLinesNear
	}
	return math.Max(noiseLinesWanted, float64((v.s.periods-1)*(c.lines()+2)))
}

// isAlone reports whether line k of c, which stands t times above the noise,
// does so alone.
func (v *survey) isAlone(k int, t float64, curve smooth, c cell) bool {
	var sum, n float64
	for _, d := range []int{-2, -1, 1, 2} {
		j := (k + d) * v.s.periods
		if j < 1 || j >= v.s.x1.Len() {
			continue
		}
		p := curve.value(float64(k + d))
		sum += abs2(v.s.x2.At(j)-p*v.s.x1.At(j)) / v.allowed(k+d, p, c.about.residual(p))
		n++
	}
	return n > 0 && t > aloneBeside*sum/n
}

// fTail returns what the power of one line exceeds with the given probability,
// in units of the mean power of m lines: the upper tail of F with 2 and 2m
// degrees of freedom, (1 + x/m)^-m.
func fTail(probability, m float64) float64 {
	return m * (math.Pow(probability, -1/m) - 1)
}

// scatterLimit returns what the mean power of n lines exceeds once in
// 1/falselyScattered cells, in units of that of m others.
func scatterLimit(n, m float64) float64 {
	return distuv.F{D1: 2 * n, D2: 2 * m}.Quantile(1 - falselyScattered)
}

// widened returns by how much a variance that is known with so many degrees of
// freedom is to be stated larger, for its 95 % interval to be one: the square
// of the quantile of Student's t over the normal one.
func widened(free float64) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: free}.Quantile(0.975) / 1.959964
	return t * t
}
