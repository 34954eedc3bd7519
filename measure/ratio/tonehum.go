package ratio

import (
	"context"
	"math"
	"slices"

	"tapload/measure/hum"
)

const (
	// Hum so near to a tone, in bins of its dwell, is not told from it.
	apart = 0.8

	// Likewise hum that wanders.
	apartWandering = 1.6

	// The nearest bins of a dwell count alone where they hold so many times
	// more than all of them: noise does so in one tone of twenty thousand.
	nearBins = 8
	nearOver = 3.0

	humLowHz = 10.0

	humNearHz = 2.0 // within which a multiple of a fundamental counts as found

	// Hum within so many bins of a tone may move it.
	mayMove = 6.0

	// Hum that wanders within a dwell is two lines of it, so many bins apart: what
	// they span holds an amplitude and a phase that change.
	wandersOver = 0.7
)

// humTones are the tones of hum in a recording, the strongest first, then those
// multiples of their fundamentals that were not found, and its sample rate in
// hertz.
type humTones struct {
	tones []hum.Tone
	found int // of them
	rate  float64
}

// humIn looks for hum in what the tones leave of the dwells.
func humIn(ctx context.Context, dwells []dwell, rate float64) (humTones, error) {
	runs := make([]hum.Run, len(dwells))
	top := 0.0
	for _, d := range dwells {
		top = max(top, d.hz)
	}
	if err := hum.Concurrently(ctx, len(dwells), func(i int) {
		s := newSines(len(dwells[i].x[0]), []float64{dwells[i].w})
		runs[i].Start = dwells[i].start
		for ch, x := range dwells[i].x {
			runs[i].X[ch] = s.left(s.fit(x), x)
		}
	}); err != nil {
		return humTones{}, err
	}
	tones, err := hum.Standing(ctx, runs, rate, humLowHz, min(1.05*top, 0.45*rate))
	h := humTones{tones: tones, found: len(tones), rate: rate}
	for _, f := range hum.Families(tones) {
		for _, t := range f.Multiples() {
			if !slices.ContainsFunc(tones, func(o hum.Tone) bool { return math.Abs(o.Hz-t.Hz) < humNearHz }) {
				h.tones = append(h.tones, t)
			}
		}
	}
	return h, err
}

// moves reports whether hum stands so near to d's tone that half of d would not
// tell it from that.
func (h humTones) moves(d dwell) bool {
	for i := range h.tones {
		if math.Abs(h.w(i)-d.w) < 2*apart*d.bin() {
			return true
		}
	}
	return false
}

// sines returns the frequencies, in radian a sample, that the given hum takes in d
// besides d's own tone, and to which of it each belongs.
func (h humTones) sines(d dwell, told []int) (w []float64, of []int) {
	bin := d.bin()
	for _, i := range told {
		v := h.w(i)
		if off := math.Abs(v - d.w); h.tones[i].Wanders && off < mayMove*bin {
			w, of = append(w, v-wandersOver/2*bin, v+wandersOver/2*bin), append(of, i, i)
		} else {
			w, of = append(w, v), append(of, i)
		}
	}
	return w, of
}

// w returns the angular frequency of a tone in radian a sample.
func (h humTones) w(i int) float64 { return 2 * math.Pi * h.tones[i].Hz / h.rate }

// about divides the tones for a dwell: told are those that it tells from its
// own tone and from each other, hidden are those that it does not tell from its
// own.
func (h humTones) about(d dwell) (told, hidden []int) {
	bin := d.bin()
	for i, t := range h.tones {
		w := h.w(i)
		off, hides := math.Abs(w-d.w), apart*bin
		if t.Wanders {
			hides = apartWandering * bin
		}
		switch {
		case off < hides:
			hidden = append(hidden, i)
		case i >= h.found && off > mayMove*bin: // not found, and too far to matter
		case w > apart*bin && !slices.ContainsFunc(told, func(k int) bool { return math.Abs(h.w(k)-w) < apart*bin }):
			told = append(told, i)
		}
	}
	return told, hidden
}

// hidden returns the variance that a tone which d does not tell from its own
// adds to the ratio g times the amplitude in V1: phases are not known.
func (h humTones) hidden(i int, d dwell, g complex128) float64 {
	n := len(d.x[0])
	part := dirichlet(h.w(i)-d.w, n) / float64(n)
	p := h.tones[i].Peak
	return part * part * (p[1]*p[1] + abs2(g)*p[0]*p[0])
}
