package ratio

import "math"

const (
	// halvedPasses is up to where, as a part of the lower rate, sound of half the rate
	// is that of the whole.
	halvedPasses = 0.42

	halvedStops = 120.0 // dB, by which what would fall on that is kept from it
)

// halver halves the sample rate of a sound, of which it keeps what is between the
// samples of a symmetrical low-pass: a windowed sinc of half the band, of which every
// other coefficient is 0. Samples stay where they are in time, and before and
// after the sound there is silence.
//
// Two voltages that go through the same halver keep their ratio at every
// frequency.
type halver struct {
	taps    []float64 // of samples 1, 3, 5 ... on either side; that of the middle is 1/2
	pending []float64 // samples that some of what is to come is made of
}

// newHalver returns a halver that passes frequencies up to a part, below 1/4, of the
// rate of what comes in, with Kaiser's window of the length and form that this takes
// (J. F. Kaiser, Proc. IEEE Int. Symp. Circuits and Systems, 20-23, 1974, from
// memory).
func newHalver(passes float64) *halver {
	beta := 0.1102 * (halvedStops - 8.7)
	length := (halvedStops - 7.95) / (14.36 * (0.5 - 2*passes))
	h := &halver{taps: make([]float64, int(math.Ceil(length/4)))}
	half := float64(2 * len(h.taps))
	var sum float64
	for i := range h.taps {
		at := float64(2*i + 1)
		h.taps[i] = math.Sin(math.Pi*at/2) / (math.Pi * at) * besselI0(beta*math.Sqrt(1-at*at/(half*half)))
		sum += h.taps[i]
	}
	for i := range h.taps {
		h.taps[i] *= 0.25 / sum // the middle has the other half of the gain
	}
	h.pending = make([]float64, h.reach())
	return h
}

// reach returns from how many samples away something counts.
func (h *halver) reach() int { return 2*len(h.taps) - 1 }

// halve appends to y what comes of the samples x that follow.
func (h *halver) halve(y, x []float64) []float64 {
	h.pending = append(h.pending, x...)
	reach, at := h.reach(), 0
	for ; at+2*reach < len(h.pending); at += 2 {
		around := h.pending[at : at+2*reach+1]
		sum := 0.5 * around[reach]
		for i, t := range h.taps {
			sum += t * (around[reach-1-2*i] + around[reach+1+2*i])
		}
		y = append(y, sum)
	}
	h.pending = h.pending[:copy(h.pending, h.pending[at:])]
	return y
}

// end appends to y what comes of silence after the last sample: all that is made
// of a sound of n samples are (n + 1)/2.
func (h *halver) end(y []float64) []float64 { return h.halve(y, make([]float64, h.reach())) }
