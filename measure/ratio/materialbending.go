package ratio

import (
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/impedance"
)

const (
	// A cell whose quiet windows hold so much more than those of the cells about,
	// as the part that they leave to the music, holds something that is no music.
	humLeaves = 0.3
	humAbout  = PointsPerOctave // cells on either side

	heardBand = PointsPerOctave / 3 // cells that are asked together whether they bend

	// bendingHeard is the least |z|^2 of a band: noise is there once in 1e5.
	bendingHeard = 12.0

	// notesSure is by how many standard deviations of its mean a sum of squares must be
	// above what it is expected to be.
	notesSure = 3.0

	// Loud windows must be so many times louder.
	louder = 1.2
)

// doubtHum counts as uncertain what the cells that sound on in the pauses, while
// those about fall silent, differ by from a straight line through the nearest of
// those: hum that wanders or is broad has a ratio of its own.
func doubtHum(cells []heard) {
	holds := make([]bool, len(cells))
	for i, c := range cells {
		var about []float64
		for _, d := range cells[max(0, i-humAbout):min(len(cells), i+humAbout+1)] {
			if d.believed {
				about = append(about, 1-d.quiet)
			}
		}
		if len(about) > 0 {
			slices.Sort(about)
			usual := about[len(about)/2]
			holds[i] = usual > 0 && 1-c.quiet < humLeaves*usual
		}
	}
	music := func(i, way int) int {
		for i += way; i >= 0 && i < len(cells) && (holds[i] || !cells[i].believed); i += way {
		}
		return i
	}
	for i := range cells {
		c := &cells[i]
		if !holds[i] || !c.believed {
			continue
		}
		lo, hi := music(i, -1), music(i, 1)
		var g complex128
		switch {
		case lo >= 0 && hi < len(cells):
			w := complex((c.middleHz-cells[lo].middleHz)/(cells[hi].middleHz-cells[lo].middleHz), 0)
			g = cells[lo].g*(1-w) + cells[hi].g*w
		case lo >= 0:
			g = cells[lo].g
		case hi < len(cells):
			g = cells[hi].g
		default:
			continue
		}
		c.cov = c.cov.Add(impedance.Circular(abs2(c.g - g)))
	}
}

// doubtNotes makes cells less sure whose halves of the recording, and loud and soft
// windows, differ by more than lines that are independent of each other would. What
// a load adds that bends comes with notes, each of which is many lines.
func doubtNotes(cells []heard, drift *soundDrift) {
	q := make([]float64, len(cells)) // sum of squares over what they are expected to be
	n := make([]float64, len(cells))
	for i := range cells {
		h := &cells[i]
		if !h.believed || h.g == 0 {
			continue
		}
		for _, pair := range [2][2]cross{{h.early, h.late}, {h.soft, h.loud}} {
			a, b := pair[0], pair[1]
			if a.p1 <= 0 || b.p1 <= 0 {
				continue
			}
			if v := h.betweenVariance(a, b); v > 0 {
				q[i] += abs2(h.between(a, b, drift)) / v
				n[i]++
			}
		}
	}
	for i := range cells {
		var sum, count float64
		for j := max(0, i-reach); j <= min(len(cells)-1, i+reach); j++ {
			sum += q[j]
			count += n[j]
		}
		// Each has an exponential distribution.
		if more := sum / count; count > 0 && more > 1+notesSure/math.Sqrt(count) {
			cells[i].cov = cells[i].cov.Times(complex(math.Sqrt(more), 0))
		}
	}
}

// between returns by how much ln G changes from windows a to windows b of h, what
// drifted taken off.
func (h *heard) between(a, b cross, drift *soundDrift) complex128 {
	change := (b.p12/complex(b.p1, 0) - a.p12/complex(a.p1, 0)) / h.g
	if drift != nil {
		to, from := drift.over(b.when.moments(1)), drift.over(a.when.moments(1))
		change -= complex(to[0]-from[0], 0) + complex(to[1]-from[1], 0)*(1-h.g)*(1-h.g)/h.g
	}
	return change
}

// betweenVariance returns its variance.
func (h *heard) betweenVariance(a, b cross) float64 {
	share := b.p1 / (a.p1 + b.p1)
	c := min(a.coherence(), b.coherence())
	return (h.noise*(1/share+1/(1-share))+h.coarse)/abs2(h.g) + (1-c)*(1-c)
}

// heardBending compares the loud windows with the others, and returns by how much
// |Z| may differ from that of a small signal in bands in which it depends on the
// level, nil for nowhere. Where load or inputs bend by a cube the ratio is
//
//	G = G0 + k p
//
// at a mean power p of the signal: from its difference between loud and soft
// windows follows k, and k p of the whole counts as uncertain, as it is not known
// whether the load bends, whose impedance is then that of this level, or an
// input. A cell that by itself hangs on the level counts so by itself. What drifted
// from when it was soft to when it was loud is taken off.
func heardBending(cells []heard, drift *soundDrift) (moved []Moved) {
	var bands []bentBand
	surely := 0.0
	for from := 0; from < len(cells); from += heardBand {
		b := bentBand{cells: cells[from:min(len(cells), from+heardBand)]}
		for i := range b.cells {
			h := &b.cells[i]
			if !h.believed || h.g == 0 || h.soft.p1 <= 0 || h.loud.p1 <= 0 || h.level[1] < louder*h.level[0] {
				continue
			}
			c := min(h.soft.coherence(), h.loud.coherence())
			change, v := h.between(h.soft, h.loud, drift), h.betweenVariance(h.soft, h.loud)
			share := h.loud.p1 / (h.loud.p1 + h.soft.p1)
			// To the level of the whole.
			up := ((1-share)*h.level[0] + share*h.level[1]) / (h.level[1] - h.level[0])
			// A product of other notes may fall on one of these and not beside it,
			// and so does hum.
			if abs2(change) > bendingHeard*v {
				h.cov = h.cov.Add(impedance.Circular(abs2(change*h.g) * max(1, up*up)))
			}
			if c < heardSure {
				continue
			}
			w := 1 / (v * up * up)
			b.sum += complex(w*up, 0) * change
			b.weights += w
		}
		if b.sure() {
			surely = max(surely, cmplx.Abs(b.part()))
		}
		bands = append(bands, b)
	}
	if surely == 0 {
		return nil
	}
	for _, b := range bands {
		// What bends in one band may in others, where it does not show.
		part := complex(surely, 0)
		if b.weights > 0 {
			part = b.part()
			if !b.sure() {
				part = complex(min(surely, math.Sqrt(abs2(part)+1/b.weights)), 0)
			}
		}
		least := math.Inf(1)
		for i := range b.cells {
			h := &b.cells[i]
			h.cov = h.cov.Add(along(part * h.g))
			if h.believed {
				least = min(least, cmplx.Abs(1-h.g))
			}
		}
		if b.sure() {
			moved = append(moved, Moved{b.cells[len(b.cells)/2].middleHz, cmplx.Abs(part) / max(least, leastSwing)})
		}
	}
	return moved
}

// bentBand holds sums over cells of the change of ln G to the level of the whole.
type bentBand struct {
	cells   []heard
	sum     complex128
	weights float64
}

func (b bentBand) part() complex128 { return b.sum / complex(b.weights, 0) }

func (b bentBand) sure() bool { return b.weights > 0 && abs2(b.sum)/b.weights >= bendingHeard }
