package transform

import "fmt"

// Spectrum holds coefficients of a long sequence, from that at 0 Hz on. Those of a
// sequence that repeats but for noise can be held in little more than half the memory:
// every so many are the signal, which keeps all its digits, and of the noise between seven
// digits are plenty. The rounding of each of those is 6e-8 of it at most, far less than
// noise says of itself; what is added to it in parts is rounded part by part.
type Spectrum struct {
	whole []complex128 // nil where they are held apart

	lines, periods int
	signal         []complex128 // every periods-th coefficient
	between        []complex64  // the others
}

// Whole returns lines as a Spectrum, in their memory.
func Whole(lines []complex128) *Spectrum {
	return &Spectrum{whole: lines, lines: len(lines), periods: 1}
}

// Apart returns a Spectrum of so many coefficients of a sequence of so many periods, 2 or
// more, all 0. Those whose number is a multiple of periods keep all digits.
func Apart(lines, periods int) *Spectrum {
	if periods < 2 {
		panic(fmt.Sprintf("transform: %d periods have no coefficients between", periods))
	}
	s := &Spectrum{lines: lines, periods: periods}
	s.Clear()
	return s
}

// Len returns how many coefficients there are.
func (s *Spectrum) Len() int { return s.lines }

// Lines returns all coefficients in one piece of memory, nil where they are held apart.
func (s *Spectrum) Lines() []complex128 { return s.whole }

// Clear sets all coefficients to 0.
func (s *Spectrum) Clear() {
	if s.whole != nil {
		clear(s.whole)
		return
	}
	signals := (s.lines + s.periods - 1) / s.periods
	if s.between == nil {
		s.between = make([]complex64, s.lines-signals)
	} else {
		clear(s.between)
	}
	if s.signal == nil {
		s.signal = make([]complex128, signals)
	} else {
		clear(s.signal)
	}
}

// Forget gives back the memory of the coefficients between, if they are held apart. Only
// those of the signal may be asked for until Clear.
func (s *Spectrum) Forget() { s.between = nil }

// At returns coefficient k.
func (s *Spectrum) At(k int) complex128 {
	if s.whole != nil {
		return s.whole[k]
	}
	return s.at(k)
}

func (s *Spectrum) at(k int) complex128 {
	q := k / s.periods
	if k == q*s.periods {
		return s.signal[q]
	}
	return complex128(s.between[k-q-1])
}

// Set sets coefficient k.
func (s *Spectrum) Set(k int, z complex128) {
	q := k / s.periods
	switch {
	case s.whole != nil:
		s.whole[k] = z
	case k == q*s.periods:
		s.signal[q] = z
	default:
		s.between[k-q-1] = complex64(z)
	}
}
