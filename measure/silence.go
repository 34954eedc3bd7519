package measure

import (
	"math"
	"math/cmplx"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// quietness is what a recording of silence shows.
type quietness struct {
	offset, noise [2]float64
	humHz, hum    float64
}

const (
	humHarmonics = 6    // looked for
	humReach     = 0.01 // how far the mains may be off its nominal frequency, as a fraction
	humStep      = 0.1  // of a line, in the search for its frequency
	humFine      = 0.01 // likewise, once it is nearly known
	humStands    = 8.0  // amplitude over that which the noise shows at one frequency
)

// listenTo takes offset, mains hum and the noise beside it from a recording of
// silence. Hum is looked for as a row of harmonics, with a Hann window, at the
// frequency near 50 or 60 Hz at which they have the most energy in both inputs.
func listenTo(rec card.Recording) (q quietness) {
	x := [2][]float64{rec.V1, rec.V2}
	var square [2]float64
	for ch, v := range x {
		for _, s := range v {
			q.offset[ch] += s / float64(len(v))
		}
		// With the window, so that hum has just half its squared amplitude.
		for i, s := range v {
			w := 1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(v)))
			square[ch] += w * (s - q.offset[ch]) * (s - q.offset[ch]) / float64(len(v))
		}
	}
	rate := float64(rec.RateHz)
	line := rate / float64(len(rec.V1))
	best, bestHz := 0.0, 0.0
	search := func(from, to, step float64) {
		for hz := from; hz <= to; hz += step {
			var power float64
			for ch, v := range x {
				for _, a := range harmonics(v, q.offset[ch], hz/rate) {
					power += a * a
				}
			}
			if power > best {
				best, bestHz = power, hz
			}
		}
	}
	for _, nominal := range signal.MainsHz {
		search(nominal*(1-humReach), nominal*(1+humReach), humStep*line)
	}
	search(bestHz-humStep*line, bestHz+humStep*line, humFine*line)
	for ch, v := range x {
		left := square[ch]
		all := harmonics(v, q.offset[ch], bestHz/rate)
		for _, a := range all {
			left -= a * a / 2
		}
		// Rounding, and what the window leaves of a frequency between two steps.
		left = math.Max(left, 1e-6*square[ch])
		q.noise[ch] = math.Sqrt(left)
		// White noise of rms s shows an amplitude of s sqrt(6/n) at a frequency.
		floor := humStands * math.Sqrt(6*left/float64(len(v)))
		for _, a := range all {
			if a > floor && a > q.hum {
				q.hum, q.humHz = a, bestHz
			}
		}
	}
	return q
}

// harmonics returns the amplitudes of the first harmonics of a fundamental, in
// cycles a sample, in x about its mean.
func harmonics(x []float64, mean, cycles float64) (a [humHarmonics]float64) {
	// The window and the fundamental turn as phasors; the harmonics are the
	// latter's powers. Over some 10^5 samples rounding stays below 10^-10.
	n := float64(len(x))
	turn, step := complex(1, 0), cmplx.Rect(1, -2*math.Pi*cycles)
	slow, slowStep := cmplx.Rect(1, math.Pi/n), cmplx.Rect(1, 2*math.Pi/n)
	var sum [humHarmonics]complex128
	for _, v := range x {
		w := complex((v-mean)*(1-real(slow)), 0)
		p := turn
		for h := range sum {
			sum[h] += w * p
			p *= turn
		}
		turn *= step
		slow *= slowStep
	}
	for h := range sum {
		a[h] = 2 * cmplx.Abs(sum[h]) / n
	}
	return a
}
