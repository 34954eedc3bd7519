// Package hum finds the steady and the wandering tones in a recording that the
// test signal did not make, wherever they are: mains and railways with their
// harmonics, generators, supplies that switch, one lone tone. It takes out what
// it can follow, and says of the rest how unsure it leaves what is near.
//
// Frequencies are in hertz on the clock of the data; amplitudes are fractions
// of full scale.
package hum

import (
	"math"
	"slices"
)

// Tone is a tone that is no part of the test signal.
type Tone struct {
	Hz   float64
	Peak [2]float64 // amplitude in V1 and V2, fraction of full scale
}

// bases are the fundamentals, in hertz, that supplies have, each with how far
// off one may be, as a fraction: railway, mains, aircraft, and the frames of a
// serial bus.
var bases = [...]struct{ hz, off float64 }{{50.0 / 3, 0.02}, {50, 0.02}, {60, 0.02}, {400, 0.02}, {1000, 3e-4}}

// harmonics of a fundamental are looked for up to this one.
const harmonics = 20

// Family is a fundamental and the tones found at its multiples.
type Family struct {
	BaseHz float64
	Peak   [2]float64 // of the strongest in either input
}

// Families returns the fundamentals that the tones are multiples of. The
// strongest tone that could be one's says where it is.
func Families(tones []Tone) (found []Family) {
	strongest := slices.Clone(tones)
	slices.SortStableFunc(strongest, func(a, b Tone) int {
		switch pa, pb := max(a.Peak[0], a.Peak[1]), max(b.Peak[0], b.Peak[1]); {
		case pa > pb:
			return -1
		case pa < pb:
			return 1
		}
		return 0
	})
	for _, t := range strongest {
		if slices.ContainsFunc(found, func(f Family) bool { return f.Has(t.Hz) }) {
			continue
		}
		// The lowest multiple is the likeliest: 50 Hz is mains, not the third of a
		// railway's.
		least := harmonics + 1.0
		for _, b := range bases {
			if h := math.Round(t.Hz / b.hz); h >= 1 && h < least && math.Abs(t.Hz/h-b.hz) < b.off*b.hz {
				least = h
			}
		}
		if least <= harmonics {
			found = append(found, Family{BaseHz: t.Hz / least, Peak: t.Peak})
		}
	}
	return found
}

// Has reports whether a frequency is one of the multiples.
func (f Family) Has(hz float64) bool {
	h := math.Round(hz / f.BaseHz)
	const off = 5e-4 // a mains frequency wanders while its harmonics are measured
	return h >= 1 && math.Abs(hz-h*f.BaseHz) < off*hz
}
