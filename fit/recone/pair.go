package recone

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// overlap returns the part of first in the band that second has too.
func overlap(first, second impedance.Curve) (impedance.Curve, error) {
	cut := first.Within(impedance.Common(first, second))
	if len(cut.Points) == 0 {
		a, b := first.Points, second.Points
		return cut, fmt.Errorf("they have no frequency in common: %g to %g Hz and %g to %g Hz", a[0].Hz, a[len(a)-1].Hz, b[0].Hz, b[len(b)-1].Hz)
	}
	return cut, nil
}

// onOne returns two curves on the frequencies of the first, in the band that
// both have; they are as they were where their frequencies are the same.
func onOne(first, second impedance.Curve) (a, b impedance.Curve, err error) {
	if impedance.SameGrid(first, second) == nil {
		return first, second, nil
	}
	if first, err = overlap(first, second); err != nil {
		return first, second, err
	}
	second, err = second.Resample(first.Hz())
	return first, second, err
}

// onOneGrid returns the curves of sides on the frequencies of the first of
// them, as far as all have these.
func onOneGrid(sides []Side) ([]impedance.Curve, []impedance.Warning, error) {
	var warnings []impedance.Warning
	known := 0
	for _, s := range sides {
		if err := s.Curve.Check(); err != nil {
			return nil, nil, fmt.Errorf("curve of %s: %w", s.Label, err)
		}
		if i := slices.IndexFunc(s.Curve.Points, func(p impedance.Point) bool { return p.Z == 0 }); i >= 0 {
			return nil, nil, fmt.Errorf("curve of %s is 0 ohm at %g Hz; a ratio to it needs more", s.Label, s.Curve.Points[i].Hz)
		}
		if s.Celsius != nil {
			known++
		}
	}
	curves := make([]impedance.Curve, len(sides))
	for i, s := range sides {
		curves[i] = s.Curve
		if known == len(sides) {
			if err := s.check(); err != nil {
				return nil, nil, err
			}
			curves[i] = atReference(s, *s.Celsius-reference, "temperature of "+s.Label)
		}
	}
	if known > 0 && known < len(sides) {
		warnings = append(warnings, impedance.Warning{Code: "temperature-of-some",
			Text: fmt.Sprintf("the temperature of %d of %d drivers is known, so all are compared as they were measured: give all", known, len(sides))})
	}

	first := curves[0]
	var other []string
	for i, c := range curves {
		if impedance.SameGrid(curves[0], c) == nil {
			continue
		}
		other = append(other, sides[i].Label)
		var err error
		if first, err = overlap(first, c); err != nil {
			return nil, nil, fmt.Errorf("curves of %s and %s: %w", sides[0].Label, sides[i].Label, err)
		}
	}
	if len(other) == 0 {
		return curves, warnings, nil
	}
	for i, c := range curves {
		var err error
		if curves[i], err = c.Resample(first.Hz()); err != nil {
			return nil, nil, fmt.Errorf("curve of %s: %w", sides[i].Label, err)
		}
	}
	return curves, append(warnings, impedance.Warning{Code: "resampled",
		Text: fmt.Sprintf("interpolated to the frequencies of %s from %.4g to %.4g Hz: %s; use one signal for all", sides[0].Label, first.Points[0].Hz, first.Points[len(first.Points)-1].Hz, strings.Join(other, ", "))}), nil
}

// Ratio is |Z| after over before at one frequency, in percent: 100 is no
// change.
type Ratio struct {
	Hz      float64
	Percent quantity.Value
}

// Ratios returns |Z| of after over that of before in the band that both have,
// at the frequencies of before. What one source does to both counts once, as
// in Compare. It fails where they have no frequency in common.
func Ratios(before, after impedance.Curve) ([]Ratio, error) {
	before, after, err := onOne(before, after)
	if err != nil {
		return nil, err
	}
	sources := sharedPairs(before, after)
	var all []Ratio
	for i, b := range before.Points {
		a := after.Points[i]
		// Of the logarithm: a relative change along Z.
		v := a.Noise.Times(1/a.Z).RR + b.Noise.Times(1/b.Z).RR
		for _, s := range sources {
			d := real(s.after[i]/a.Z - s.before[i]/b.Z)
			v += d * d
		}
		ratio := 100 * cmplx.Abs(a.Z) / cmplx.Abs(b.Z)
		all = append(all, Ratio{b.Hz, quantity.Value{Value: ratio, U: ratio * math.Sqrt(v)}})
	}
	return all, nil
}

// pair is what one standard uncertainty of a shared source does to two curves of
// one grid, ohm.
type pair struct {
	id            string
	before, after []complex128
}

// sharedPairs returns the shared sources of two curves by rising ID.
func sharedPairs(before, after impedance.Curve) (all []pair) {
	nothing := make([]complex128, len(before.Points))
	for _, s := range before.Shared {
		all = append(all, pair{s.ID, s.DZ, nothing})
	}
	for _, s := range after.Shared {
		if i := slices.IndexFunc(all, func(p pair) bool { return p.id == s.ID }); i >= 0 {
			all[i].after = s.DZ
		} else {
			all = append(all, pair{s.ID, nothing, s.DZ})
		}
	}
	slices.SortFunc(all, func(a, b pair) int { return strings.Compare(a.id, b.id) })
	return all
}

// Apart returns how far two curves are apart in the band that both have: the root
// mean square over log frequency of the logarithm of their complex ratio. u is the
// standard uncertainty of that in percent by the sources of error of both, of which
// those with one ID cancel; noise is not in it.
func Apart(first, second impedance.Curve) (g Gap, u float64, err error) {
	a, b, err := onOne(first, second)
	if err != nil {
		return g, 0, err
	}
	for _, c := range []impedance.Curve{a, b} {
		if i := slices.IndexFunc(c.Points, func(p impedance.Point) bool { return p.Z == 0 }); i >= 0 {
			return g, 0, fmt.Errorf("a curve is 0 ohm at %g Hz; a ratio to it needs more", c.Points[i].Hz)
		}
	}
	moves := map[string][]complex128{} // of the logarithm, by one standard uncertainty of a source
	for sign, c := range map[complex128]impedance.Curve{1: a, -1: b} {
		for _, s := range c.Shared {
			if moves[s.ID] == nil {
				moves[s.ID] = make([]complex128, len(c.Points))
			}
			for i, p := range c.Points {
				moves[s.ID][i] += sign * s.DZ[i] / p.Z
			}
		}
	}
	w := spans(a.Hz())
	for _, by := range moves {
		for i, d := range by {
			u += w[i] * (real(d)*real(d) + imag(d)*imag(d))
		}
	}
	return newTrace(a, w).gap(newTrace(b, w), w), 100 * math.Sqrt(u), nil
}
