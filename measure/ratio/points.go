package ratio

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

const (
	// Noise is averaged over at least so many noise lines, so that its own
	// scatter (1 part in the square root of twice as many) hardly widens
	// intervals that count on knowing it.
	noiseLinesWanted = 48

	// A point needs this much more signal than noise in its lines.
	leastSignalOverNoise = 8.0

	reach = 3 // cells on either side that a point is reconstructed from
)

// cell is a run of whole signal lines, about 1/PointsPerOctave of an octave
// wide where lines are dense enough and one line where they are not. Its mean
// ratio is the least-squares estimate of a constant,
//
//	G = sum conj(V1) V2 / sum |V1|^2,
//
// with the noise's own share, known from the lines between, taken off both
// sums: without that, noise in V1 would pull |G| down by its ratio to the
// signal.
type cell struct {
	lo, hi int // signal lines lo to hi, as numbers of the period's own spectrum

	g      complex128
	energy float64 // sum |V1|^2 without noise
	noise  float64 // variance of g, E|e|^2
}

func (c cell) middle() float64 { return float64(c.lo+c.hi) / 2 }

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
	periodHz := s.stepHz * float64(s.periods)
	top := (len(s.x1) - 1) / s.periods
	width := func(k int) int {
		const octave = 1.0 / PointsPerOctave
		return max(1, int(math.Round(float64(k)*(math.Exp2(octave)-1))))
	}
	lowest := max(1, int(math.Floor(s.frame.LowHz/periodHz+1e-9)))
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
		if c.middle()*periodHz >= s.frame.HighHz {
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

// points estimates the ratio on the log grid.
func (s spectrum) points(seen *Seen) []Point {
	cells, first, end := s.cells()
	n := s.newNoise()
	seen.NoiseFloor = n.floor(s)
	var heard []cell // cells that the signal carries
	var inBand []int // those of the band, as indices into heard
	for i, c := range cells {
		banded := i >= first && i < end
		switch {
		case s.average(&c, n):
			heard = append(heard, c)
			if banded {
				inBand = append(inBand, len(heard)-1)
			}
		case banded:
			seen.LeftOut++
		}
	}
	periodHz := s.stepHz * float64(s.periods)
	points := make([]Point, 0, len(inBand))
	for _, i := range inBand {
		g, v := reconstruct(heard, i, s)
		points = append(points, Point{Hz: heard[i].middle() * periodHz, G: g, Noise: impedance.Circular(v)})
	}
	return points
}

// average fills in the mean ratio of c and its noise, and reports whether the
// signal stands out of the noise there.
func (s spectrum) average(c *cell, n noise) bool {
	p1, p12, _ := n.about(c, s.periods)
	var num complex128
	var den float64
	var doubt [2]float64 // what taking out hum left in doubt, as sum |V1|^2 times its power
	for k := c.lo; k <= c.hi; k++ {
		a, b := s.x1[k*s.periods], s.x2[k*s.periods]
		num += cmplx.Conj(a) * b
		den += abs2(a)
		if d, ok := s.doubt[k*s.periods]; ok {
			doubt[0] += d[0] * abs2(a)
			doubt[1] += d[1] * abs2(a)
		}
	}
	lines := float64(c.hi - c.lo + 1)
	c.energy = den - lines*p1
	if c.energy < leastSignalOverNoise*lines*p1 || c.energy == 0 {
		return false
	}
	c.g = (num - complex(lines, 0)*p12) / complex(c.energy, 0)
	c.noise = (n.residual(c, s.periods, c.g)*den + doubt[1] + abs2(c.g)*doubt[0]) / (c.energy * c.energy)
	return true
}

// reconstruct returns the ratio in the middle of cell i, and its variance.
//
// The mean over a cell is not the value in its middle where the curve bends.
// Weights over the 2 reach + 1 nearest cells are chosen such that the weighted
// means of every polynomial of degree 2 reach give its value in the middle
// exactly: the finite-volume method's reconstruction of point values from cell
// averages. Where a cell is a single line the weights are 1 and 0. Bias is of
// the eighth order in cell width over resonance width; noise grows by 13 %.
func reconstruct(cells []cell, i int, s spectrum) (complex128, float64) {
	const n = 2*reach + 1
	from := max(0, min(i-reach, len(cells)-n))
	if len(cells) < n || cells[i].lo == cells[i].hi {
		return cells[i].g, cells[i].noise
	}
	at := cells[i].middle()
	scale := float64(cells[i].hi - cells[i].lo + 1)
	a := mat.NewDense(n, n, nil)
	for j := range n {
		c := &cells[from+j]
		var sum float64
		var moment [n]float64
		for k := c.lo; k <= c.hi; k++ {
			v := s.x1[k*s.periods]
			w := abs2(v)
			x, p := (float64(k)-at)/scale, w
			sum += w
			for q := range moment {
				moment[q] += p
				p *= x
			}
		}
		for q := range moment {
			a.Set(q, j, moment[q]/sum)
		}
	}
	var w mat.VecDense
	b := mat.NewVecDense(n, nil)
	b.SetVec(0, 1)
	if err := w.SolveVec(a, b); err != nil {
		return cells[i].g, cells[i].noise
	}
	var g complex128
	var v float64
	for j := range n {
		wj := w.AtVec(j)
		g += complex(wj, 0) * cells[from+j].g
		v += wj * wj * cells[from+j].noise
	}
	return g, v
}

// noise holds running sums over the noise lines: what any run of them shows is
// a difference of two sums.
type noise struct {
	s11, s22 []float64
	s12      []complex128
	before   []int // noise lines below each line
}

func (s spectrum) newNoise() noise {
	n := noise{before: make([]int, len(s.x1)+1)}
	count := len(s.x1) - 1 - (len(s.x1)-1)/s.periods
	n.s11, n.s22 = make([]float64, 1, count+1), make([]float64, 1, count+1)
	n.s12 = make([]complex128, 1, count+1)
	var p1, p2 float64
	var p12 complex128
	for j := range s.x1 {
		n.before[j] = len(n.s11) - 1
		if s.isSignal(j) {
			continue
		}
		a, b := s.x1[j], s.x2[j]
		p1 += abs2(a)
		p2 += abs2(b)
		p12 += cmplx.Conj(a) * b
		n.s11, n.s22, n.s12 = append(n.s11, p1), append(n.s22, p2), append(n.s12, p12)
	}
	n.before[len(s.x1)] = len(n.s11) - 1
	return n
}

// span returns the range of noise lines about c: the cell's own, or at least
// noiseLinesWanted.
func (n noise) span(c *cell, periods int) (lo, hi int) {
	total := len(n.s11) - 1
	lo, hi = n.before[c.lo*periods-periods+1], n.before[min(len(n.before)-1, c.hi*periods+periods)]
	if short := noiseLinesWanted - (hi - lo); short > 0 {
		lo, hi = lo-(short+1)/2, hi+(short+1)/2
	}
	if lo < 0 {
		lo, hi = 0, hi-lo
	}
	return lo, min(hi, total)
}

// about returns the mean noise power of V1 in a line of c, and the mean of
// conj(N1) N2 and of the power of V2.
func (n noise) about(c *cell, periods int) (p1 float64, p12 complex128, p2 float64) {
	lo, hi := n.span(c, periods)
	m := float64(hi - lo)
	return (n.s11[hi] - n.s11[lo]) / m, (n.s12[hi] - n.s12[lo]) / complex(m, 0), (n.s22[hi] - n.s22[lo]) / m
}

// residual returns the mean power of N2 - g N1 in a line of c: what noise in
// both channels, correlated or not, does to a ratio near g.
func (n noise) residual(c *cell, periods int, g complex128) float64 {
	p1, p12, p2 := n.about(c, periods)
	cross := real(cmplx.Conj(g) * p12) // conj(g) conj(N1) N2
	return math.Max(0, p2-2*cross+abs2(g)*p1)
}

// floor returns the rms noise of both channels over the whole spectrum.
func (n noise) floor(s spectrum) [2]float64 {
	total := len(n.s11) - 1
	of := func(sum float64) float64 {
		// Mean power of a line over N^2 samples squared, times N lines.
		return math.Sqrt(sum / float64(total) / float64(s.samples))
	}
	return [2]float64{of(n.s11[total]), of(n.s22[total])}
}
