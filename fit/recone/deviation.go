package recone

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// Deviation is where two curves differ most, more than an octave away from
// their main resonance, whose quantities are compared by themselves: of the
// points that decide the verdict, the one that is farthest apart.
type Deviation struct {
	Percent     quantity.Value // |Zafter/Zbefore - 1|, complex, so never below 0; 2 U either way holds at all points at once
	Hz          float64        // 0 where the curves end within that octave
	Significant bool
	Limit       Limit
	Verdict     verdict.Verdict // of all points that can judge against Limit.High

	Beside impedance.Band   // about the main resonance, which does not count
	Points int              // beside it
	Hidden int              // of them, those that noise makes too uncertain to judge
	Where  []impedance.Band // of those, rising
	noise  bool             // it is noise that leaves the verdict open, not what a jig is unsure of
}

// Counts is that of a Change.
func (d Deviation) Counts() bool { return counts(d.Percent, d.Significant) }

// MarshalJSON writes null where no frequency was judged.
func (d Deviation) MarshalJSON() ([]byte, error) {
	if d.Hz == 0 {
		return []byte("null"), nil
	}
	return json.Marshal(struct {
		Percent     float64          `json:"percent"`
		U           float64          `json:"u_percent"`
		Hz          float64          `json:"hz"`
		Significant bool             `json:"significant"`
		Verdict     verdict.Verdict  `json:"verdict"`
		Points      int              `json:"points"`
		Hidden      int              `json:"points_hidden"`
		Where       []impedance.Band `json:"hidden_hz"`
	}{d.Percent.Value, stated(d.Percent).U, d.Hz, d.Counts(), d.Verdict, d.Points, d.Hidden, append([]impedance.Band{}, d.Where...)})
}

// beside returns where the curves are farthest apart beside the resonance, and how
// often chance alone puts them so far.
func (c *Comparison) beside(sides [2]Side, curves [2]measured, scatter float64, limit Limit) (Deviation, float64) {
	low, high := besideResonance(sides[0].Load, sides[1].Load)
	worst, chance := deviation(curves[0].curve, curves[1].curve, scatter/math.Sqrt2, limit, func(hz float64) bool { return hz < low || hz > high })
	worst.Beside = impedance.Band{Low: low, High: high}
	switch {
	case worst.Points == 0:
		c.warn("curves-not-judged", "both curves lie within an octave of the resonance, from %.0f to %.0f Hz, and were not held against each other: sweep a wider band", low, high)
	case worst.Hidden > 0:
		c.warn("curves-hidden", "at %d of %d frequencies (%s) the curves were not held against each other, as noise or hum hides more there than half of their limit of %g %%: %s", worst.Hidden, worst.Points, places(worst.Where), limit.High, lessNoise)
	}
	return worst, chance
}

// The remedies for what keeps a verdict open.
const (
	lessNoise = "measure with less hum and noise, a higher --level or --repeat"
	surerJig  = "measure with a calibrated jig"
)

// places names bands, where they are many only the first and the last end.
func places(bands []impedance.Band) string {
	const most = 4
	if len(bands) > most {
		return fmt.Sprintf("from %s to %s", quantity.Hz(bands[0].Low), quantity.Hz(bands[len(bands)-1].High))
	}
	var all []string
	for _, b := range bands {
		text := quantity.Hz(b.High)
		if low := quantity.Hz(b.Low); low != text {
			_, unit, _ := strings.Cut(text, " ")
			text = strings.TrimSuffix(low, " "+unit) + " to " + text
		}
		all = append(all, text)
	}
	return strings.Join(all, ", ")
}

// besideResonance returns the ends of what is left to the quantities of the
// main resonance: within an octave of it two curves differ by a multiple of
// what fs has moved, which no limit on curves could both allow and be of use.
func besideResonance(before, after fit.Result) (low, high float64) {
	b, a := before.Resonances[mainResonance(before)].Hz.Value, after.Resonances[mainResonance(after)].Hz.Value
	return min(b, a) / 2, max(b, a) * 2
}

// separation is how far two curves are apart at one frequency.
type separation struct {
	hz      float64
	percent quantity.Value // as that of a Deviation
	chi     float64        // chi-square of two degrees of freedom
	noise   bool           // more of the uncertainty is noise than what jigs are unsure of
	verdict verdict.Verdict
}

// hidden reports whether noise by itself can leave s undecided where nothing has
// changed: it puts s anywhere up to 2 U, and leaves it uncertain by as much again. A
// point of its own noise is left to its neighbours; what a jig is unsure of is alike
// at all of them, and nothing that can be left out.
func (s separation) hidden(limit Limit) bool {
	return limit != Limit{} && s.noise && s.verdict != verdict.Fail && 4*s.percent.U > limit.High
}

// separations returns those of two curves of one grid at the frequencies that count,
// and from how much chi-square a point is beyond chance.
//
// Every point has its own chance to be the largest, so k = 2 is replaced by a
// factor k_n that holds at all n points at once in 95 of 100 cases (Sidak: a
// complex deviate is beyond k with the probability exp(-k^2/2)), and U is
// half of that many standard uncertainties, for the reader to double. misfit
// stands in for noise where the curves state none.
func separations(before, after impedance.Curve, misfit float64, limit Limit, counts func(hz float64) bool) (all []separation, beyond float64) {
	n := 0
	for _, p := range before.Points {
		if counts(p.Hz) {
			n++
		}
	}
	sources := sharedPairs(before, after)
	beyond = -2 * math.Log(-math.Expm1(math.Log(1-FamilyRate)/float64(n)))
	wide := math.Sqrt(beyond) / 2
	for i, p := range before.Points {
		if !counts(p.Hz) {
			continue
		}
		zb, za := p.Z, after.Points[i].Z
		w := za/zb - 1
		v := after.Points[i].Noise.Times(1 / zb).Add(p.Noise.Times(za / (zb * zb)))
		if v.RR+v.II == 0 {
			v = impedance.Circular(misfit * misfit * (1 + real(w*cmplx.Conj(w))))
		}
		noise := v.Along(w)
		for _, s := range sources {
			e := s.after[i]/zb - s.before[i]*za/(zb*zb)
			v = v.Add(impedance.Cov{RR: real(e) * real(e), RI: real(e) * imag(e), II: imag(e) * imag(e)})
		}
		one := separation{hz: p.Hz, percent: quantity.Value{Value: 100 * cmplx.Abs(w), U: 100 * wide * math.Sqrt(v.Along(w))}, noise: 2*noise > v.Along(w)}
		if limit != (Limit{}) { // a modulus is never below its limit
			one.verdict = Limit{math.Inf(-1), limit.High}.judge(one.percent.Value, stated(one.percent).U)
		}
		if det := v.RR*v.II - v.RI*v.RI; det > 0 {
			x, y := real(w), imag(w)
			one.chi = (v.II*x*x - 2*v.RI*x*y + v.RR*y*y) / det
		} else if w != 0 {
			one.chi = math.Inf(1)
		}
		all = append(all, one)
	}
	return all, beyond
}

// deviation returns where two curves of one grid differ most, of the
// frequencies that count, and how often chance alone gives a deviation as
// improbable as the most improbable one. Where no frequency counts its Hz is 0.
//
// A point that is hidden, as where hum was taken out, is left out, unless it is
// outside the limit beyond doubt. Where fewer than half are left, too little of the
// curves was seen for a pass.
func deviation(before, after impedance.Curve, misfit float64, limit Limit, counts func(hz float64) bool) (Deviation, float64) {
	all, beyond := separations(before, after, misfit, limit, counts)
	d := Deviation{Limit: limit, Points: len(all)}
	if len(all) == 0 {
		return d, 1
	}
	var judges []separation
	was := false
	for _, s := range all {
		hidden := s.hidden(limit)
		switch {
		case !hidden:
			judges = append(judges, s)
			d.Verdict = worse(d.Verdict, s.verdict)
		case was:
			d.Where[len(d.Where)-1].High = s.hz
		default:
			d.Where = append(d.Where, impedance.Band{Low: s.hz, High: s.hz})
		}
		was = hidden
	}
	d.Hidden = len(all) - len(judges)
	shown, chance := mostApart(judges, d.Verdict, beyond, len(all))
	d.noise = d.Verdict != verdict.Undecided || shown.noise
	if d.Hidden > len(judges) {
		d.Verdict = worse(d.Verdict, verdict.Undecided)
	}
	if len(judges) == 0 {
		shown = slices.MinFunc(all, func(a, b separation) int { return cmp.Compare(a.percent.U, b.percent.U) })
	}
	d.Hz, d.Percent, d.Significant = shown.hz, shown.percent, shown.chi > beyond
	return d, chance
}

// mostApart returns the one of judges that is farthest apart of those that make the
// verdict v, and of those beyond chance where all pass; and how often chance alone
// gives one of n as improbable as the most improbable one.
func mostApart(judges []separation, v verdict.Verdict, beyond float64, n int) (most separation, chance float64) {
	speaks := func(s separation) bool { return s.verdict == v }
	size := func(s separation) float64 { return s.percent.Value }
	switch v {
	case verdict.Undecided:
		size = func(s separation) float64 { return s.percent.Value + 2*s.percent.U }
	case verdict.Pass:
		if clear := func(s separation) bool { return s.chi > beyond }; slices.ContainsFunc(judges, clear) {
			speaks = clear
		}
	}
	found, chi := -1.0, 0.0
	for _, s := range judges {
		chi = max(chi, s.chi)
		if x := size(s); speaks(s) && x > found {
			most, found = s, x
		}
	}
	return most, -math.Expm1(float64(n) * math.Log1p(-min(math.Exp(-chi/2), 1-1e-16)))
}
