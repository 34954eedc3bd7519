package ratio

import "math"

// heardSure is the coherence of cells that are compared: noise in V1 pulls the
// ratio down, and more so in a half that is less loud.
const heardSure = 0.98

// soundDrift is a drift that program material shows.
type soundDrift struct {
	drifting
	ohms float64 // least resistance of the load, over the sense resistor
}

// heardDrift compares the later half of the recording with the earlier one, each
// cell at the moments at which it sounded in either, and returns what changed
// slowly, nil for nothing.
func heardDrift(cells []heard) *soundDrift {
	d := &soundDrift{ohms: math.Inf(1)}
	var seen []compared
	var least []float64
	for _, h := range cells {
		early, late := h.early, h.late
		if !h.believed || early.p1 == 0 || late.p1 == 0 {
			continue
		}
		if z := real(h.g / (1 - h.g)); z > 0 {
			d.ohms = min(d.ohms, z)
		}
		c := min(early.coherence(), late.coherence())
		if c < heardSure {
			continue
		}
		a, b := early.p12/complex(early.p1, 0), late.p12/complex(late.p1, 0)
		seen = append(seen, compared{changed{hz: h.middleHz, g: h.g, dg: b - a}, early.when.moments(1), late.when.moments(1)})
		least = append(least, (1-c)*(1-c)*abs2(h.g)+h.coarse)
	}
	if len(seen) < driftLines {
		return nil
	}
	for range 2 {
		noise := make([]float64, len(seen))
		for i, c := range seen {
			left := c.dg
			if d.weight != nil {
				left -= d.between(c)
			}
			noise[i] = abs2(left)
		}
		changes := make([]changed, len(seen))
		for i := range seen {
			changes[i] = seen[i].changed
			changes[i].variance = around(noise, i, driftLines/2) + least[i]
		}
		d.drifting = fitDrift(changes, func(kappa float64, i int) float64 {
			return seen[i].by(kappa)
		})
	}
	if !d.sure() {
		return nil
	}
	return d
}

// moments stand for when something was heard, the given part of all: two of its mean and
// spread.
func (c times) moments(part float64) moments {
	if c.p == 0 {
		return nil
	}
	mean := c.t / c.p
	spread := math.Sqrt(max(0, c.tt/c.p-mean*mean))
	return moments{{mean - spread, part / 2}, {mean + spread, part / 2}}
}

// moments stand for when h was heard in the whole recording.
func (h heard) moments() moments {
	late := h.late.whole.p / (h.early.whole.p + h.late.whole.p)
	return append(h.early.whole.moments(1-late), h.late.whole.moments(late)...)
}

// atMiddle corrects each cell by what d says of when it was heard.
func (d *soundDrift) atMiddle(cells []heard) {
	for i, h := range cells {
		if h.early.whole.p+h.late.whole.p > 0 {
			m := d.over(h.moments())
			cells[i].g -= complex(m[0], 0)*h.g + complex(m[1], 0)*(1-h.g)*(1-h.g)
		}
	}
}
