// Package rating says what an unmarked load may be rated at, which drivers
// would make it, and whether one of several is dead.
//
// The rule: the lowest |Z| in the rated frequency range is not below 80 % of
// the rated impedance (IEC 60268-5, read in secondary sources).
package rating

import (
	"cmp"
	"fmt"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// Floor is the part of the rated impedance that the lowest |Z| may fall to.
const Floor = 0.8

// SafeHigh is how far above a tap a load may be, by its rating and by its lowest
// |Z|: common practice, no source.
const SafeHigh = 2.

// Default limits of the rated frequency range, in Hz. An instrument cabinet
// has little to say above HighHz; LowHz stands in where no resonance is known.
const (
	LowHz  = 50.
	HighHz = 10e3
)

// rated are the values a load may be rated at, in ohm: the preferred ones 4, 8
// and 16 (from memory), 2 and 32, which two equal loads of them make, and 64,
// which a string of four of 16 does.
var rated = []float64{2, 4, 8, 16, 32, 64}

// between are what three equal loads in parallel, or one of 8 and one of 16,
// make. A load is rated so only where its DC resistance says so too.
var between = []float64{8. / 3, 16. / 3}

// Share of the rated impedance that a DC meter reads: common practice, no
// source, says most often 0.8 to 0.9; ordinary drivers leave that by a little.
const (
	leastDC = 0.7
	mostDC  = 1.
	looseDC = 0.05 // relative uncertainty from which a resistance is not known
)

// Rating is what a load may be rated at.
type Rating struct {
	Ohm           float64         `json:"-"`              // 0 unless Verdict is verdict.Pass
	Candidates    []float64       `json:"candidates"`     // rising; two where undecided, or the lowest value alone; empty, not nil, for none
	MarginPercent float64         `json:"margin_percent"` // of the minimum over 80 % of the highest candidate
	Verdict       verdict.Verdict `json:"verdict"`
	LowHz         float64         `json:"low_hz"` // the range looked at
	HighHz        float64         `json:"high_hz"`

	// Unseen is a part of that range that the curve leaves out and in which the
	// lowest |Z| may lie: the one candidate is then the highest that there may be, and
	// none is decided. Zero where the curve leaves out nothing of weight.
	Unseen impedance.Band `json:"unseen_hz,omitzero"`

	MinOhm   quantity.Value      `json:"-"` // lowest |Z| in the range, noise and shared sources together
	MinHz    float64             `json:"-"`
	MaxOhm   quantity.Value      `json:"-"` // highest |Z| of the resonances, or of the curve
	MaxHz    float64             `json:"-"`
	Warnings []impedance.Warning `json:"-"`
}

// CountsAs is what the load counts as in a hookup, in ohm: its rating, or the
// least that it may be where none is decided, and then a warning; 0 where its curve
// leaves out too much to say so.
func (r Rating) CountsAs() (ohm float64, doubt []impedance.Warning) {
	if r.Ohm > 0 {
		return r.Ohm, nil
	}
	if r.AtMost() {
		return 0, nil
	}
	if r.Verdict == verdict.Undecided && len(r.Candidates) == 2 {
		low, high := quantity.Ohms(r.Candidates[0]), quantity.Ohms(r.Candidates[1])
		return r.Candidates[0], []impedance.Warning{{Code: "rating-undecided", Text: fmt.Sprintf(
			"may be rated %s or %s ohm, which the curve does not decide; taken as %s ohm (--rated says otherwise)", low, high, low)}}
	}
	least, side, code := r.MinOhm.Value/Floor, "low", "rating-too-low"
	if r.TooHigh() {
		side, code = "high", "rating-too-high"
	}
	return least, []impedance.Warning{{Code: code, Text: fmt.Sprintf(
		"too "+side+" for any usual rating; taken as %s ohm, its lowest |Z| over %g (--rated says otherwise)", quantity.Digits(least, 3), Floor)}}
}

// TooHigh reports whether the load has no rating because its lowest |Z| is far above
// that of every one; without any it is too low otherwise.
func (r Rating) TooHigh() bool {
	return r.Verdict == verdict.Fail && r.MinOhm.Value > rated[len(rated)-1]
}

// AtMost reports whether the load may be rated lower than the candidate says, since
// its curve leaves out where its lowest |Z| may lie.
func (r Rating) AtMost() bool { return r.Unseen != (impedance.Band{}) }

// Words say how the minimum stands against the limit of the highest candidate,
// or of the least rating there is.
func (r Rating) Words() string {
	ohm := rated[0]
	if r.TooHigh() {
		ohm = rated[len(rated)-1]
	}
	if n := len(r.Candidates); n > 0 {
		ohm = r.Candidates[n-1]
	}
	side, margin := "above", r.MarginPercent
	if margin < 0 {
		side, margin = "below", -margin
	}
	where := quantity.Hz(r.LowHz) + " to " + quantity.LimitHz(r.HighHz)
	if r.AtMost() {
		where = "in what the curve has of " + where
	}
	s := fmt.Sprintf("the minimum is %s %% %s the %s ohm that %s ohm allows, %s",
		quantity.Digits(margin, 2), side, quantity.Digits(Floor*ohm, 3), quantity.Ohms(ohm), where)
	if r.Verdict == verdict.Undecided && !r.AtMost() {
		s += "; the limit is within the uncertainty"
	}
	return s
}

// peakHz returns where c has its highest peak, or 0 where that lies too high for
// the resonance of a cabinet or is none.
func peakHz(c impedance.Curve) float64 {
	const most = 400
	if _, peak := c.Turns(); peak >= 0 && c.Points[peak].Hz < most {
		return c.Points[peak].Hz
	}
	return 0
}

// Options are the limits of the rated frequency range, in Hz.
//
// A zero LowHz is the lowest main resonance of the load, or the curve's highest
// peak where no load was fitted, or LowHz where it has none: below its resonance every driver falls to its DC resistance, which is
// below the limit for many that the trade rates at 8 ohm and that work well
// at it, since a cabinet gives and takes little there. A zero HighHz is HighHz.
type Options struct {
	LowHz, HighHz float64
}

// Of rates the load of curve c, whose fit is load; a load that has no fit may
// be given as the zero Result. The minimum is that of the measured points, not
// of the model. It is an error when c has no points in the range.
func Of(c impedance.Curve, load fit.Result, o Options) (Rating, error) {
	r := Rating{LowHz: o.LowHz, HighHz: o.HighHz, Candidates: []float64{}}
	if err := c.Check(); err != nil {
		return Rating{}, fmt.Errorf("rating: %w", err)
	}
	if r.LowHz == 0 {
		r.LowHz = cmp.Or(resonance(c, load), LowHz)
	}
	if r.HighHz == 0 {
		r.HighHz = HighHz
	}
	low, edge, err := lowest(c, r.LowHz, r.HighHz)
	if err != nil {
		return Rating{}, fmt.Errorf("rating: %w", err)
	}
	r.MinHz, r.MinOhm = low.hz, low.ohm
	top := highest(c, load.Max.Hz)
	r.MaxHz, r.MaxOhm = top.hz, top.ohm
	re := load.Re
	if re.U > looseDC*re.Value {
		re = quantity.Value{} // tells nothing
	}
	r.decide(re)
	if edge {
		r.warn("minimum-at-end", fmt.Sprintf("|Z| is still falling at %.4g Hz, where the rated range or the curve ends; measure further, or take the rating for that range alone", r.MinHz))
	}
	if b := r.unseen(c, low, edge); b != (impedance.Band{}) {
		r.partial(b, edge && b.Low == c.Points[len(c.Points)-1].Hz)
	}
	r.compare(re)
	return r, nil
}

func (r *Rating) warn(code, text string) {
	r.Warnings = append(r.Warnings, impedance.Warning{Code: code, Text: text})
}

// decide applies the rule to the minimum.
func (r *Rating) decide(re quantity.Value) {
	list := values(re)
	sure, perhaps := allowed(list, r.MinOhm.Value-2*r.MinOhm.U), allowed(list, r.MinOhm.Value+2*r.MinOhm.U)
	switch {
	case perhaps == 0:
		r.Verdict, perhaps = verdict.Fail, list[0]
	case r.MinOhm.Value-2*r.MinOhm.U > SafeHigh*perhaps && perhaps == list[len(list)-1]:
		r.Verdict = verdict.Fail
	case sure == perhaps:
		r.Verdict, r.Ohm = verdict.Pass, sure
		r.Candidates = []float64{sure}
	default:
		r.Verdict = verdict.Undecided
		if sure > 0 {
			r.Candidates = append(r.Candidates, sure)
		}
		r.Candidates = append(r.Candidates, perhaps)
	}
	r.MarginPercent = (r.MinOhm.Value/(Floor*perhaps) - 1) * 100
}

// values returns what a load of that DC resistance may be rated at, rising. A
// value between the others counts only where the resistance is above the next
// lower one, which no load's is, and not above its own.
func values(re quantity.Value) []float64 {
	var list []float64
	for i, v := range rated {
		list = append(list, v)
		if i < len(between) && re.Value > v && re.Value <= 0.95*between[i] {
			list = append(list, between[i])
		}
	}
	return list
}

// nearMiss is by how much, in percent, a minimum may miss the next value and
// still be what some makers call that value.
const nearMiss = 12

// compare sets the rating against the DC resistance.
func (r *Rating) compare(re quantity.Value) {
	if r.Verdict != verdict.Pass {
		return
	}
	for _, v := range values(re) {
		short := (1 - r.MinOhm.Value/(Floor*v)) * 100
		if v > r.Ohm && short < nearMiss {
			r.warn("near-miss", fmt.Sprintf("the minimum misses the %.4g ohm that a rating of %s ohm asks for by %.2g %%; its maker may have called it %s ohm",
				Floor*v, quantity.Ohms(v), short, quantity.Ohms(v)))
			return // which explains the DC resistance too
		}
	}
	share := re.Value / r.Ohm
	spread := 2 * re.U / r.Ohm
	why := "look for a capacitor or a crossover ahead of the drivers"
	switch {
	case re.Value > 0 && share-spread > mostDC:
		why = "look for wirings that make a value between two ratings, and for a dead driver"
	case !(re.Value > 0) || share+spread >= leastDC:
		return
	}
	r.warn("re-disagrees", fmt.Sprintf("Re of %.3g ohm is %.0f %% of the rating of %s ohm, where a load most often has 80 to 90 %%; %s",
		re.Value, 100*share, quantity.Ohms(r.Ohm), why))
}

// Tap returns the highest tap of 2, 4, 8 and 16 ohm that the load is sure not
// to fall below, nor to be above SafeHigh of it, or 0 where there is none, as where
// its curve leaves out where the lowest |Z| may lie.
func (r Rating) Tap() float64 {
	if r.AtMost() {
		return 0
	}
	tap := allowed([]float64{2, 4, 8, 16}, r.MinOhm.Value-2*r.MinOhm.U)
	high := r.MinOhm.Value
	if n := len(r.Candidates); n > 0 {
		high = max(high, r.Candidates[n-1])
	}
	if high > SafeHigh*tap*(1+1e-9) {
		return 0
	}
	return tap
}

// allowed returns the last of rising ratings that a minimum of so many ohms allows,
// or 0.
func allowed(ratings []float64, ohm float64) (highest float64) {
	for _, v := range ratings {
		if ohm >= Floor*v {
			highest = v
		}
	}
	return highest
}
