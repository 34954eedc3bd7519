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
// signal. Lines that hum came near are noisier than the others; they count by
// the inverse of their noise, in moment too.
type cell struct {
	lo, hi int // signal lines lo to hi, as numbers of the period's own spectrum

	g      complex128
	energy float64 // sum |V1|^2 without noise
	noise  float64 // variance of g, E|e|^2

	// moment is the mean of x^q over the cell's lines by energy, x counting
	// from its middle in cell widths.
	moment [2*reach + 1]float64
}

func (c cell) middle() float64 { return float64(c.lo+c.hi) / 2 }

func (c cell) width() float64 { return float64(c.hi - c.lo + 1) }

// momentAbout returns the mean of x^q over the cell's lines by energy, x
// counting from at in units of scale, by the binomial theorem.
func (c cell) momentAbout(at, scale float64, q int) float64 {
	shift, stretch := (c.middle()-at)/scale, c.width()/scale
	sum, power := 0.0, 1.0 // power is shift^(q-r) times q over r
	for r := q; r >= 0; r-- {
		sum += power * math.Pow(stretch, float64(r)) * c.moment[r]
		power *= shift * float64(r) / float64(q-r+1)
	}
	return sum
}

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
	return grid(s.frame.LowHz, s.frame.HighHz, s.stepHz*float64(s.periods), (len(s.x1)-1)/s.periods)
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

// points estimates the ratio on the log grid.
func (s spectrum) points(seen *Seen) []Point {
	cells, first, end := s.cells()
	seen.NoiseFloor = s.noiseFloor()
	var heard []cell // cells that the signal carries
	var inBand []int // those of the band, as indices into heard
	var energy float64
	for i, c := range cells {
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
	for _, i := range inBand {
		g, v := reconstruct(heard, i)
		points = append(points, Point{Hz: heard[i].middle() * periodHz, G: g, Noise: impedance.Circular(v)})
	}
	return points
}

// average fills in the mean ratio of c and its noise, and reports whether the
// signal stands out of the noise there.
func (s spectrum) average(c *cell) bool {
	n := s.noiseAbout(c)
	equal := func(int) float64 { return 1 }
	if !s.weighted(c, n, equal) {
		return false
	}
	plain, g := n.residual(c.g), c.g // with the ratio about known, so is the noise of each line
	doubted := false
	for k := c.lo; k <= c.hi; k++ {
		if _, ok := s.doubt[k*s.periods]; ok {
			doubted = true
		}
	}
	if !doubted || c.lo == c.hi || plain == 0 {
		return true
	}
	return s.weighted(c, n, func(k int) float64 {
		d := s.doubt[k*s.periods]
		return plain / (plain + d[1] + abs2(g)*d[0])
	})
}

// weighted is average with a weight for each line of c.
func (s spectrum) weighted(c *cell, n noise, weight func(k int) float64) bool {
	c.moment = [2*reach + 1]float64{}
	var num complex128
	var den, lines, spread float64
	var doubt [2]float64 // what taking out hum left in doubt, as sum |V1|^2 times its power
	for k := c.lo; k <= c.hi; k++ {
		a, b, w := s.x1[k*s.periods], s.x2[k*s.periods], weight(k)
		num += complex(w, 0) * cmplx.Conj(a) * b
		den += w * abs2(a)
		lines += w
		spread += w * w * abs2(a)
		x, p := (float64(k)-c.middle())/c.width(), w*abs2(a)
		for q := range c.moment {
			c.moment[q] += p
			p *= x
		}
		if d, ok := s.doubt[k*s.periods]; ok {
			doubt[0] += w * w * d[0] * abs2(a)
			doubt[1] += w * w * d[1] * abs2(a)
		}
	}
	c.energy = den - lines*n.p1
	if c.energy < leastSignalOverNoise*lines*n.p1 || c.energy == 0 {
		return false
	}
	for q := range c.moment {
		c.moment[q] /= den
	}
	c.g = (num - complex(lines, 0)*n.p12) / complex(c.energy, 0)
	c.noise = (n.residual(c.g)*spread + doubt[1] + abs2(c.g)*doubt[0]) / (c.energy * c.energy)
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
func reconstruct(cells []cell, i int) (complex128, float64) {
	const n = 2*reach + 1
	from := max(0, min(i-reach, len(cells)-n))
	if len(cells) < n || cells[i].lo == cells[i].hi {
		return cells[i].g, cells[i].noise
	}
	at, scale := cells[i].middle(), cells[i].width()
	a := mat.NewDense(n, n, nil)
	for j := range n {
		for q := range n {
			a.Set(q, j, cells[from+j].momentAbout(at, scale, q))
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
	return s.noiseBetween(lo*s.periods, min(hi*s.periods, len(s.x1)-1))
}

// noiseBetween returns the noise in the lines from lo to hi.
func (s spectrum) noiseBetween(lo, hi int) (n noise) {
	count := 0.0
	for j := lo; j <= hi; j++ {
		if s.isSignal(j) {
			continue
		}
		a, b := s.x1[j], s.x2[j]
		n.p1 += abs2(a)
		n.p2 += abs2(b)
		n.p12 += cmplx.Conj(a) * b
		count++
	}
	return noise{n.p1 / count, n.p2 / count, n.p12 / complex(count, 0)}
}

// residual returns the mean power of N2 - g N1: what noise in both channels,
// correlated or not, does to a ratio near g.
func (n noise) residual(g complex128) float64 {
	cross := real(cmplx.Conj(g) * n.p12) // conj(g) conj(N1) N2
	return math.Max(0, n.p2-2*cross+abs2(g)*n.p1)
}

// noiseFloor returns the rms noise of both channels over the whole spectrum.
func (s spectrum) noiseFloor() [2]float64 {
	n := s.noiseBetween(1, len(s.x1)-1)
	// Mean power of a line over N^2 samples squared, times N lines.
	return [2]float64{math.Sqrt(n.p1 / float64(s.samples)), math.Sqrt(n.p2 / float64(s.samples))}
}
