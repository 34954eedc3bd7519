package ratio

import (
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/signal"
)

const (
	humRate   = 3000.0 // Hz, to about which what is left is reduced: the highest harmonic is at 1200 Hz
	humPiece  = 0.25   // s, over which hum of an unknown frequency keeps its phase
	humPieces = 8      // fewer tell nothing
	humBeside = 7.0    // Hz, where there is no hum to compare with
	humReach  = 1.5    // Hz, how far a harmonic is looked for at most

	// Hum is taken as found where the pieces hold more energy than beside it
	// by so many standard deviations, and where so many times more of it adds
	// up in phase than that of noise would.
	humStands   = 5.0
	humCoherent = 20.0
)

// findHum returns the angular frequencies, in radian a sample, of mains hum and
// its harmonics in what the tones leave of the dwells. Hum keeps its phase
// through the whole recording, so that its frequency is known far better than
// any one dwell could tell; its amplitude and phase are fitted to each dwell
// afresh, since mains wander.
func findHum(dwells []dwell, rate float64) (found []float64) {
	by := max(1, int(rate/humRate))
	radian := 2 * math.Pi / rate * float64(by) // of 1 Hz, a reduced sample
	left := make([][2][]float64, len(dwells))
	concurrently(len(dwells), func(i int) {
		s := newSines(len(dwells[i].x[0]), []float64{dwells[i].w})
		for ch, x := range dwells[i].x {
			left[i][ch] = thin(s.left(s.fit(x), x), by)
		}
	})
	pieces := cutPieces(dwells, left, by, int(humPiece*rate)/by)
	if len(pieces) < humPieces {
		return nil
	}
	for _, base := range signal.MainsHz {
		reach := mainsReachHz
		for h := 1.0; h <= mainsHarmonics && base*h*radian < math.Pi-humBeside*radian; h++ {
			if slices.ContainsFunc(found, func(w float64) bool { return math.Abs(w-base*h*radian) < 2*radian }) {
				continue
			}
			w, ok := humNear(pieces, base*h*radian, math.Min(reach*h, humReach)*radian, humBeside*radian)
			if !ok {
				continue
			}
			found = append(found, w)
			base, reach = w/radian/h, followedHz/h
			concurrently(len(dwells), func(i int) {
				s := newSines(len(left[i][0]), []float64{w})
				for _, x := range left[i] {
					takeOut(x, s.fit(x).a[0], w)
				}
			})
		}
	}
	for i := range found {
		found[i] /= float64(by)
	}
	return found
}

// piece is a run of both channels; at is its middle in the recording, in
// reduced samples.
type piece struct {
	at float64
	x  [2][]float64
}

func cutPieces(dwells []dwell, left [][2][]float64, by, longest int) (pieces []piece) {
	for i, d := range dwells {
		n := len(left[i][0])
		parts := (n + longest - 1) / longest
		for k := range parts {
			from, to := n*k/parts, n*(k+1)/parts
			pieces = append(pieces, piece{
				at: float64(d.start)/float64(by) + float64(from+to-1)/2,
				x:  [2][]float64{left[i][0][from:to], left[i][1][from:to]},
			})
		}
	}
	return pieces
}

// humNear looks for hum within reach of w.
func humNear(pieces []piece, w, reach, beside float64) (float64, bool) {
	p := make([][2]complex128, len(pieces))
	around := make([]float64, len(pieces))
	concurrently(len(pieces), func(i int) {
		for ch, x := range pieces[i].x {
			p[i][ch] = projection(x, w)
			around[i] += (abs2(projection(x, w-beside)) + abs2(projection(x, w+beside))) / 2
		}
	})
	var here, there float64
	for i := range p {
		here += abs2(p[i][0]) + abs2(p[i][1])
		there += around[i]
	}
	count := float64(len(pieces))
	if here <= there*(1+humStands/math.Sqrt(count)) {
		return 0, false
	}
	together := func(w2 float64) (sum float64) {
		var s [2]complex128
		for i, q := range pieces {
			turn := cmplx.Rect(1, math.Mod(-w2*q.at, 2*math.Pi))
			s[0] += p[i][0] * turn
			s[1] += p[i][1] * turn
		}
		return abs2(s[0]) + abs2(s[1])
	}
	span := pieces[len(pieces)-1].at - pieces[0].at
	step := 2 * math.Pi / span / 5
	best, most := w, 0.0
	for v := w - reach; v <= w+reach; v += step {
		if c := together(v); c > most {
			best, most = v, c
		}
	}
	for fine := step / 2; fine > step/100; fine /= 2 {
		for _, v := range [2]float64{best - fine, best + fine} {
			if c := together(v); c > most {
				best, most = v, c
			}
		}
	}
	return best, most > here*math.Min(humCoherent, 0.6*count)
}
