package ratio

import (
	"math"
	"math/cmplx"
	"sort"

	"tapload/measure/hum"
)

const (
	// The third harmonic of a dwell stands out of the bins about it by so many
	// times their power: noise does once in some million tones.
	thirdSure = 20.0

	// The ratio at a harmonic is that between the tones about it, and trusted to
	// so many times what these differ.
	thirdDoubt = 3.0

	thirdTones = 2 // on either side whose bins count with a tone's own
)

// thirdBins are where noise is looked for about a harmonic, in bins of a dwell.
var thirdBins = [...]float64{-4, -2, 2, 4}

// third is what both channels hold of the third harmonic of a tone, and of the
// bins about it, as sums over the dwell.
type third struct {
	heard  bool
	at     [2]complex128
	beside [len(thirdBins)][2]complex128
}

// third returns that of d, given what is left of it without its tone.
func (d dwell) third(left [2][]float64) (h third) {
	step := 2 * math.Pi / float64(len(left[0]))
	if 3*d.w > math.Pi-8*step {
		return h
	}
	h.heard = true
	h.at[0], h.at[1] = hum.Projections(left[0], left[1], 3*d.w)
	for i, b := range thirdBins {
		h.beside[i][0], h.beside[i][1] = hum.Projections(left[0], left[1], 3*d.w+b*step)
	}
	return h
}

// tonesBend finds where load or inputs add a third harmonic to V2 beyond its ratio
// to V1, nil for nowhere. A harmonic falls on no tone, so that nothing need be
// taken out: it tells by how much the tone itself may differ from that of a small
// signal. What a source adds is in both, and lost where the ratio at the harmonic
// is not known well enough.
func tonesBend(dwells []dwell, tones []toned, points []Point) *Bending {
	if len(points) < 2 {
		return nil
	}
	hz := make([]float64, len(points))
	for i, p := range points {
		hz[i] = p.Hz
	}
	type harmonic struct{ hz, part, moves, power, noise, doubt float64 }
	var all []harmonic
	for i, t := range tones {
		d := dwells[i]
		at := sort.SearchFloat64s(hz, 3*d.hz)
		if !t.heard || !t.third.heard || at == 0 || at == len(hz) {
			continue
		}
		w := complex((3*d.hz-hz[at-1])/(hz[at]-hz[at-1]), 0)
		g := points[at-1].G*(1-w) + points[at].G*w
		n := float64(len(d.x[0]))
		h := harmonic{hz: d.hz, power: abs2(t.third.at[1] - g*t.third.at[0])}
		for _, b := range t.third.beside {
			h.noise += abs2(b[1]-g*b[0]) / float64(len(t.third.beside))
		}
		h.doubt = thirdDoubt * cmplx.Abs(points[at].G-points[at-1].G) * cmplx.Abs(t.third.at[0])
		h.part = math.Sqrt(h.power) * 2 / n / cmplx.Abs(t.a[1])
		h.moves = 3 * h.part / max(cmplx.Abs(1-t.g), leastSwing)
		all = append(all, h)
	}
	noise := make([]float64, len(all))
	for i, h := range all {
		noise[i] = h.noise
	}
	var b *Bending
	for i, h := range all {
		if h.power < thirdSure*around(noise, i, thirdTones) || h.power < h.doubt*h.doubt || h.part*h.part < bendingLeast {
			continue
		}
		if b == nil {
			b = &Bending{Orders: []BentOrder{{Number: 3}}}
		}
		if h.part > b.Orders[0].Part {
			b.Orders[0].Hz, b.Orders[0].Part = h.hz, h.part
		}
		b.Moves = append(b.Moves, Moved{h.hz, h.moves})
	}
	return b
}
