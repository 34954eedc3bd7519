package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"slices"
)

// A chirp is at one frequency at one time. What differs between the periods just
// then adds up over the lines of a cell with the phases of the chirp, as the
// signal does: a knock that lasts as long as the chirp takes through the cell
// moves the cell's mean by far more than noise of the same power in the lines
// between would. But it adds up in those lines too. With X(k + m/P) the chirp's
// own spectrum between its lines, where nothing of it is heard,
//
//	D_m = sum conj(X) (V2 - G V1) / sum |X|^2,  m = 1 .. P-1,
//
// over the lines k + m/P of the cell is what the Fourier series over the periods
// has at m: period p by itself would give
//
//	G_p = G + sum_m D_m exp(2 pi j m p/P),
//
// and noise alone gives each D_m the variance of G. So D says how large the
// noise was when it mattered; and a burst in period q, all of whose D_m have
// one size and the phases -2 pi m q/P, goes away with that period:
//
//	G without q = G - sum_m D_m exp(2 pi j m q/P) / (P-1).

const (
	// A cell whose periods differ by so many times what noise allows, as
	// power, counts that as its noise; noise alone gets there once in 1000.
	periodsDiffer = 7.0

	falselyBurst = 1e-3 // sweeps of noise alone in which a burst is seen

	// What so many cells on either side differ by as well is no burst but drift.
	usualCells = 100

	// A period is left out when the others go together with what is beside
	// the burst better by so much, as a difference of sum |e|^2/noise.
	periodSure = 20.0

	// A burst is short, and so has many lines; what has fewer is a tone.
	burstLines = 8.0

	burstBeside = 5 // cells on either side that a period is held against
)

// Burst is what differed between the periods while the chirp was there.
type Burst struct {
	LowHz, HighHz float64 // of the points that it touches
	Seconds       float64 // from the first counted period, in the period that is left out; in the first where none is
	Period        int     // that is left out, from 0; -1 where none is known to be the spoilt one
	Relative      float64 // largest difference that it makes to G, over |G|
}

// differences fills in what differs between the periods in each strip of c.
func (s spectrum) differences(c *cell) {
	between := s.periods - 1
	c.differs = make([]complex128, between)
	for i := range c.strips {
		st := &c.strips[i]
		st.differs = make([]complex128, between)
		for m := 1; m <= between; m++ {
			var sum complex128
			var power float64
			for k := st.lo; k <= st.hi; k++ {
				j := k*s.periods + m
				if (k+1)*s.periods >= s.x1.Len() {
					break
				}
				x := s.chirpBetween(k, m)
				sum += cmplx.Conj(x) * (s.x2.At(j) - c.g*s.x1.At(j))
				power += abs2(x)
			}
			if power > 0 {
				st.differs[m-1] = sum / complex(power, 0)
				c.differs[m-1] += complex(st.share, 0) * st.differs[m-1]
			}
		}
	}
}

// chirpBetween returns the chirp's spectrum m/P of a line above line k, from
// those of the lines k and k+1: its phase falls from line to line by 2 pi times
// the part of the period at which the chirp is there, 0 to 1.
func (s spectrum) chirpBetween(k, m int) complex128 {
	a, b := s.x1.At(k*s.periods), s.x1.At((k+1)*s.periods)
	if s.periods == 2 { // the root of their product, without angles
		la, lb := math.Sqrt(abs2(a)), math.Sqrt(abs2(b))
		half := a*complex(lb, 0) + b*complex(la, 0)
		if l := math.Sqrt(abs2(half)); l > 1e-3*la*lb {
			x := half * complex(math.Sqrt(la*lb)/l, 0)
			if imag(b)*real(a) > real(b)*imag(a) { // fallen by more than half a turn
				return -x
			}
			return x
		}
	}
	turn := cmplx.Phase(b * cmplx.Conj(a))
	if turn > 0 {
		turn -= 2 * math.Pi
	}
	return a * cmplx.Rect(1, turn*float64(m)/float64(s.periods))
}

// differing returns the mean of |D_m|^2 over m.
func differing(d []complex128) (p float64) {
	for _, z := range d {
		p += abs2(z) / float64(len(d))
	}
	return p
}

// periodsPart returns sum_m D_m exp(2 pi j m q/P)/(P-1), what leaving out period q
// takes off G.
func periodsPart(d []complex128, q int) (z complex128) {
	p := len(d) + 1
	for m, x := range d {
		z += x * cmplx.Rect(1/float64(p-1), 2*math.Pi*float64((m+1)*q)/float64(p))
	}
	return z
}

// bursts finds runs of cells whose periods differ, leaves a period out where it
// is known to be the spoilt one, and gives the others the difference as their
// noise.
func (v *survey) bursts(ctx context.Context, first, end int) (found []Burst) {
	s := v.s
	for i := range v.cells {
		if ctx.Err() != nil {
			return nil
		}
		s.differences(&v.cells[i])
	}
	between := float64(s.periods - 1)
	differ := make([]float64, len(v.cells)) // over what noise allows
	for i, c := range v.cells {
		if c.energy > 0 {
			differ[i] = differing(c.differs) / math.Max(c.noise, rounded(c.g))
		}
	}
	sure := math.Max(periodsDiffer, fTail(falselyBurst/float64(len(v.cells)), noiseLinesWanted*between))
	for i := 0; i < len(v.cells) && ctx.Err() == nil; i++ {
		if differ[i] <= periodsDiffer {
			continue
		}
		// The run reaches as far as its cells differ at all.
		slow := usually(differ, i)
		lo, hi, most := i, i, differ[i]/slow
		more := func(j int) bool {
			return j >= 0 && j < len(v.cells) && differ[j] > periodsDiffer/3 && differ[j] > usually(differ, j)*periodsDiffer/3
		}
		for more(lo - 1) {
			lo--
		}
		for more(hi + 1) {
			hi++
			usual := usually(differ, hi)
			most, slow = math.Max(most, differ[hi]/usual), math.Max(slow, usual)
		}
		i = hi
		period := -1
		if most > sure && v.spread(lo, hi) > burstLines {
			if slow < periodsDiffer { // else all periods differ, the others too
				period = v.leaveOutPeriod(lo, hi)
			}
			if hi >= first && lo < end {
				found = append(found, v.burst(max(lo, first), min(hi, end-1), period))
			}
		}
		if period < 0 {
			for j := lo; j <= hi; j++ {
				v.found[j].noise = math.Max(v.found[j].noise, differing(v.cells[j].differs))
			}
		}
	}
	return found
}

// usually returns by how much the cells about cell i differ: the median, over that
// of one exponential variate, and at least what noise makes.
func usually(differ []float64, i int) float64 {
	near := slices.Sorted(slices.Values(differ[max(0, i-usualCells):min(len(differ), i+usualCells+1)]))
	return math.Max(1, near[len(near)/2]/math.Ln2)
}

// spread returns over how many lines the power between the signal's lines of
// the cells lo to hi is spread: (sum p)^2/sum p^2, 1 for one line, half their number for
// noise.
func (v *survey) spread(lo, hi int) float64 {
	var sum, squares float64
	for i := lo; i <= hi; i++ {
		c := v.cells[i]
		for j := c.lo * v.s.periods; j <= min((c.hi+1)*v.s.periods, v.s.x1.Len()-1); j++ {
			if v.s.isSignal(j) {
				continue
			}
			p := abs2(v.s.x2.At(j) - c.g*v.s.x1.At(j))
			sum += p
			squares += p * p
		}
	}
	if squares == 0 {
		return 0
	}
	return sum * sum / squares
}

// leaveOutPeriod leaves out of the cells lo to hi the period without which they
// go together with those beside, and returns it, or -1 where it cannot be told.
func (v *survey) leaveOutPeriod(lo, hi int) int {
	from, to := max(0, lo-burstBeside), min(len(v.cells)-1, hi+burstBeside)
	p := v.s.periods
	misfit := make([]float64, p)
	for q := range p {
		var strips []strip
		for i := from; i <= to; i++ {
			for _, st := range v.cells[i].strips {
				if i >= lo && i <= hi {
					st = st.without(q)
					// What the others still differ by counts against it.
					var rest float64
					for m, d := range st.differs {
						whole := periodsPart(st.differs, q) * cmplx.Rect(1, -2*math.Pi*float64((m+1)*q)/float64(p))
						rest += abs2(d - whole)
					}
					misfit[q] += rest / st.noise
				}
				strips = append(strips, st)
			}
		}
		if len(strips) == 0 {
			return -1
		}
		chi2, _ := polynomialOf(strips, (v.cells[from].middle()+v.cells[to].middle())/2).misfit()
		misfit[q] += chi2
	}
	best := 0
	for q := range misfit {
		if misfit[q] < misfit[best] {
			best = q
		}
	}
	for q := range misfit {
		if q != best && misfit[q]-misfit[best] < periodSure*math.Max(1, misfit[best]/float64(4*(to-from+1))) {
			return -1
		}
	}
	for i := lo; i <= hi; i++ {
		c := &v.cells[i]
		for j := range c.strips {
			c.strips[j] = c.strips[j].without(best)
		}
		c.g -= periodsPart(c.differs, best)
		c.noise *= float64(p) / float64(p-1)
		c.mended = true
	}
	for i := lo; i <= hi; i++ {
		v.judge(i)
	}
	return best
}

// without returns s without period q.
func (s strip) without(q int) strip {
	p := float64(len(s.differs) + 1)
	s.g -= periodsPart(s.differs, q)
	s.noise *= p / (p - 1)
	return s
}

func (v *survey) burst(lo, hi, period int) Burst {
	s := v.s
	hz := s.stepHz * float64(s.periods)
	b := Burst{LowHz: float64(v.cells[lo].lo) * hz, HighHz: float64(v.cells[hi].hi) * hz, Period: period}
	at := lo
	for i := lo; i <= hi; i++ {
		c := v.cells[i]
		if r := math.Sqrt(differing(c.differs)) / cmplx.Abs(c.g); r > b.Relative {
			b.Relative, at = r, i
		}
	}
	// When the chirp is there, by how its phase falls over the cell's lines.
	k := int(v.cells[at].middle())
	turn := -cmplx.Phase(s.chirpBetween(k, 1)*cmplx.Conj(s.x1.At(k*s.periods))) * float64(s.periods) / (2 * math.Pi)
	length := 1 / hz // s
	b.Seconds = length * (turn + float64(max(0, period)))
	return b
}
