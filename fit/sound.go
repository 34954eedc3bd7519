package fit

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
)

// inside reports whether every resonance of t lies clear of the edges of the
// band, where the solver leaves one that it looks for outside.
func (t *trial) inside(low, high float64) bool {
	const clear = 1.05
	v := t.at(t.p)
	for _, f := range v.f[:t.Resonances] {
		if f < low*clear || f > high/clear {
			return false
		}
	}
	return true
}

// openError is what the data do not determine, in words of the trade, and what
// to do about it.
type openError struct {
	what, remedy string
	suspension   bool // it is a parameter of the suspension
}

func (e openError) Error() string { return "the curve does not determine " + e.what }

// errAllOpen says it of a load no part of which is determined.
var errAllOpen = openError{what: "any part of a loudspeaker", remedy: "sweep over a wider band, longer or louder"}

// open says that the data do not determine parameter k of t.
func (t *trial) open(k int) openError {
	const better = "longer or louder"
	if at := k - t.first(); k >= t.first() && k < t.turnsAt() {
		v := t.at(t.p)
		what := [...]string{
			"the frequency of a resonance",
			fmt.Sprintf("Qms (the mechanical quality factor) of the resonance near %.4g Hz", v.f[at/3]),
			fmt.Sprintf("the height of the resonance near %.4g Hz", v.f[at/3]),
		}
		return openError{what: what[at%3], remedy: "sweep " + better + ", from an octave below the resonance to an octave above it or more"}
	}
	if k < t.first() {
		return openError{what: "Re (the DC resistance)", remedy: "sweep from further below the resonance, " + better + ", or give a DC reading with --re-ohm"}
	}
	return openError{what: suspensionParameters[t.names()[k]].words, remedy: "sweep from a lower frequency, " + better, suspension: true}
}

// sound returns an error when t holds no resonance of a load, or parameters
// that the data leave open.
func (s *search) sound(t *trial) error {
	u := s.spread(t)
	if u.sigma == nil {
		return errAllOpen
	}
	if t.pinned == 0 && math.Exp(t.p[0]) < leastDC*s.lowest() {
		return t.open(0)
	}
	for k, name := range t.names()[:t.coilAt()] {
		if k >= t.first() && k < t.suspensionAt() || name == "leakmass" {
			continue
		}
		if !(math.Sqrt(u.sigma.At(k, k)) < open) {
			return t.open(k)
		}
	}
	if v := t.at(t.p); t.Padded && v.pad > mostPad*v.re {
		return fmt.Errorf("%.3g ohm beside a driver of %.3g ohm is no pad", v.pad, v.re)
	}
	return s.told(t, u)
}

// told returns an error when t has no resonance that a load is told by.
func (s *search) told(t *trial, u spread) error {
	if u.sigma == nil {
		return errAllOpen
	}
	err := error(errAllOpen)
	for k := range t.Resonances {
		if err = s.stands(t, u, k); err == nil {
			return nil
		}
	}
	return err
}

// leastDC is the part of the lowest |Z| below which Re is none of a load: the
// other parts have taken over what it was for.
const leastDC = 0.02

// mostPad is how many times Re a resistance beside the driver may have: one of
// more takes less than a decibel off, which nobody builds, and takes its part of
// Qms where a coil is not quite what the model has.
const mostPad = 10

// lowest is the lowest |Z| of the points.
func (s *search) lowest() float64 { return math.Sqrt(slices.Min(s.abs2)) }

// stands returns an error when resonance k of t is a wrinkle: it stands for
// what a coil or a cone does otherwise than the model. Two that lie so close that
// what all points share could part them otherwise are none either.
func (s *search) stands(t *trial, u spread, k int) error {
	if err := s.marks(t, k); err != nil {
		return err
	}
	for i := range 3 {
		if at := t.first() + 3*k + i; !(u.sd(at) < open) {
			return t.open(at)
		}
	}
	return nil
}

// marks returns an error when resonance k of t is too low or too broad for one
// of a load, or at an end of the band, where the solver leaves one that it looks
// for outside.
func (s *search) marks(t *trial, k int) error {
	v := t.at(t.p)
	const clear = 1.005
	if v.f[k] < clear*s.low || v.f[k] > s.high/clear {
		return fmt.Errorf("a resonance at %.4g Hz, the end of the curve, lies outside of it", v.f[k])
	}
	if v.r[k] < leastPeak*v.re {
		return fmt.Errorf("a resonance of %.2g ohm at %.4g Hz is no more than a mark in the curve", v.r[k], v.f[k])
	}
	if v.q[k] < leastQ && v.r[k] < slices.Max(v.r[:t.Resonances]) || v.q[k] < 1.01*minQ {
		return fmt.Errorf("a resonance with a Q of %.2g at %.4g Hz is part of the coil", v.q[k], v.f[k])
	}
	return nil
}

// leastQ is the least Q of a resonance beside a higher one.
const leastQ = 0.6

// whyNot says what the curve is instead of a loudspeaker.
func (s *search) whyNot() (Status, error) {
	if s.bare != nil && s.bare.err == nil {
		first, last := s.c.Points[0], s.c.Points[len(s.c.Points)-1]
		switch {
		case s.bare.Coil == NoCoil && s.bare.misfit < 0.02:
			return NoResonance, fmt.Errorf("no resonance stands out of the curve: %.4g ohm at every frequency is a resistor, not a loudspeaker", cmplx.Abs(first.Z))
		case imag(first.Z) < -5*math.Abs(real(first.Z)) && imag(last.Z) > -math.Abs(real(last.Z)):
			return NoResonance, fmt.Errorf("no resonance stands out of the curve, which begins with a capacitor, such as that ahead of a tweeter: fit the driver by itself")
		case imag(first.Z) < -5*math.Abs(real(first.Z)):
			return NoResonance, fmt.Errorf("no resonance stands out of the curve: an impedance that falls as frequency rises is a capacitor or an open load, not a loudspeaker")
		case cmplx.Abs(first.Z) > 1.5*cmplx.Abs(last.Z) || imag(first.Z) < -0.2*real(first.Z):
			return NoResonance, fmt.Errorf("the curve begins above the resonance: sweep from a lower frequency than %.4g Hz", first.Hz)
		}
	}
	if first := s.c.Points[0]; imag(first.Z) < -0.2*real(first.Z) {
		return NoResonance, fmt.Errorf("the curve begins above the resonance or behind a capacitor: sweep from a lower frequency than %.4g Hz, or fit the drivers by themselves", first.Hz)
	}
	// The trials are in order of their criterion, since none of them is sound.
	if len(s.trials) > 0 && (s.bare.err != nil || s.trials[0].criterion < s.bare.criterion) {
		if open, ok := errors.AsType[openError](s.trials[0].err); ok {
			return Underdetermined, fmt.Errorf("%w; %s", open, open.remedy)
		}
		if t := s.trials[0]; t.err == errUnsettled && t.inside(s.low, s.high) {
			return NoProgress, fmt.Errorf("no model settles on the curve: %w; look at its plot, and check that one loudspeaker load was connected", t.err)
		}
	}
	return NoResonance, fmt.Errorf("no resonance stands out of the curve: sweep over the resonance, or check that a loudspeaker is connected")
}
