package ratio

import (
	"math"
	"slices"

	"tapload/measure/hum"
)

const (
	// Hum so near to a tone, in bins of its dwell, is not told from it.
	apart = 0.8

	// The nearest bins of a dwell count alone where they hold so many times
	// more than all of them: noise does so in one tone of twenty thousand.
	nearBins = 8
	nearOver = 3.0

	humLowHz = 10.0
)

// humTones are the tones of hum in a recording, the strongest first, and its
// sample rate in hertz.
type humTones struct {
	tones []hum.Tone
	rate  float64
}

// humIn looks for hum in what the tones leave of the dwells.
func humIn(dwells []dwell, rate float64) humTones {
	runs := make([]hum.Run, len(dwells))
	top := 0.0
	for _, d := range dwells {
		top = max(top, d.hz)
	}
	concurrently(len(dwells), func(i int) {
		s := newSines(len(dwells[i].x[0]), []float64{dwells[i].w})
		runs[i].Start = dwells[i].start
		for ch, x := range dwells[i].x {
			runs[i].X[ch] = s.left(s.fit(x), x)
		}
	})
	return humTones{hum.Standing(runs, rate, humLowHz, min(1.05*top, 0.45*rate)), rate}
}

// w returns the angular frequency of a tone in radian a sample.
func (h humTones) w(i int) float64 { return 2 * math.Pi * h.tones[i].Hz / h.rate }

// about divides the tones for a dwell: told are those that it tells from its
// own tone and from each other, hidden are those that it does not tell from its
// own.
func (h humTones) about(d dwell) (told, hidden []int) {
	bin := 2 * math.Pi / float64(len(d.x[0])) * apart
	for i := range h.tones {
		w := h.w(i)
		switch {
		case math.Abs(w-d.w) < bin:
			hidden = append(hidden, i)
		case w > bin && !slices.ContainsFunc(told, func(k int) bool { return math.Abs(h.w(k)-w) < bin }):
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
