// Package hum finds the steady and the wandering tones in a recording that the
// test signal did not make, wherever they are: mains and railways with their
// harmonics, generators, supplies that switch, one lone tone. It takes out what
// it can follow, and says of the rest how unsure it leaves what is near.
//
// Frequencies are in hertz on the clock of the data; amplitudes are fractions
// of full scale.
package hum

import (
	"cmp"
	"math"
	"slices"
)

// Tone is a tone that is no part of the test signal.
type Tone struct {
	Hz   float64
	Peak [2]float64 // amplitude in V1 and V2, fraction of full scale

	Wanders bool // of a tone of Standing: its phase does not keep through the recording
}

// bases are the fundamentals, in hertz, that supplies have, each with how far
// off one may be, as a fraction: railway, mains, aircraft, and the frames of a
// serial bus.
var bases = [...]struct{ hz, off float64 }{{50.0 / 3, 0.02}, {50, 0.02}, {60, 0.02}, {400, 0.02}, {1000, 3e-4}}

// harmonics of a fundamental are looked for up to this one.
const harmonics = 20

// sureAlone is up to which multiple a tone alone tells of a fundamental.
const sureAlone = 3

// Family is a fundamental and the tones found at its multiples.
type Family struct {
	BaseHz float64
	Peak   [2]float64 // the largest amplitude of any of them, in either input
}

// Multiples returns the multiples of the fundamental at which harmonics are looked
// for. What harmonics have falls with their number: that far they are expected to
// be as strong as what was found.
func (f Family) Multiples() []Tone {
	tones := make([]Tone, harmonics)
	for i := range tones {
		h := float64(i + 1)
		tones[i] = Tone{Hz: h * f.BaseHz, Peak: [2]float64{f.Peak[0] / h, f.Peak[1] / h}}
	}
	return tones
}

// Families returns the fundamentals that the tones are multiples of. The tone
// that is the lowest multiple says where one is: 50 Hz is mains, not the third of
// a railway's.
func Families(tones []Tone) (found []Family) {
	type member struct {
		Tone
		multiple float64
	}
	var all []member
	for _, t := range tones {
		least := math.Inf(1)
		for _, b := range bases {
			if h := math.Round(t.Hz / b.hz); h >= 1 && h <= harmonics && math.Abs(t.Hz/h-b.hz) < b.off*b.hz {
				least = min(least, h)
			}
		}
		if !math.IsInf(least, 1) {
			all = append(all, member{t, least})
		}
	}
	slices.SortStableFunc(all, func(a, b member) int {
		return cmp.Or(cmp.Compare(a.multiple, b.multiple), cmp.Compare(max(b.Peak[0], b.Peak[1]), max(a.Peak[0], a.Peak[1])))
	})
	for _, m := range all {
		if slices.ContainsFunc(found, func(f Family) bool { return f.Has(m.Hz) }) {
			continue
		}
		f := Family{BaseHz: m.Hz / m.multiple}
		members := 0
		for _, t := range tones {
			if f.Has(t.Hz) {
				members++
				for ch := range f.Peak {
					f.Peak[ch] = max(f.Peak[ch], t.Peak[ch])
				}
			}
		}
		// A tone alone is somewhere near a high multiple of something.
		if m.multiple <= sureAlone || members > 1 {
			found = append(found, f)
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
