package rating

import (
	"fmt"
	"math"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// Where a curve must have points so that what it leaves out of the rated range
// decides no rating: common practice, no source. Of 290 invented loudspeakers none
// whose curve had them was rated too high, and 30 of 174 others were.
const (
	// Up to here a curve may begin that does not show the resonance: below the
	// resonance |Z| is not asked about, and the minimum above it lies higher.
	beginsBy = 200.
	// From here on a curve may end wherever |Z| does not fall.
	endsFrom = 5e3
	// So near a point stands for its place.
	near = 1.06
	// So many octaves two points may be apart, and a little.
	widestGap = 1.02
	// So much |Z| must rise behind its minimum in a curve that ends sooner.
	turned = 1.05
)

// resonance returns where the rated range of curve c begins whose fit is load: at
// the lowest main resonance, or the highest peak of the curve where no load was
// fitted; 0 where there is none. A resonance above the range is none, and in a curve
// that begins too high to show another below it only one that stands alone is one.
func resonance(c impedance.Curve, load fit.Result) float64 {
	hz := peakHz(c)
	if main := load.Main(); len(main) > 0 && main[0].Hz.Value < HighHz {
		hz = main[0].Hz.Value
	}
	if c.Points[0].Hz > near*beginsBy && !standsAlone(c, hz) {
		return 0
	}
	return hz
}

// standsAlone reports whether |Z| of c has its highest peak at hz and is about as low
// on either side of it, as that of a tweeter by itself: below the hump between two
// drivers stands the other one, which may be the lower.
func standsAlone(c impedance.Curve, hz float64) bool {
	const alike, aboutAsLow = 1.3, 0.9
	_, peak := c.Turns()
	if peak < 0 || math.Abs(math.Log(c.Points[peak].Hz/hz)) > math.Log(alike) {
		return false
	}
	before, after := math.Inf(1), math.Inf(1)
	for i, p := range c.Points {
		ohm, _ := c.Modulus(i)
		switch {
		case i < peak:
			before = min(before, ohm)
		case p.Hz <= HighHz:
			after = min(after, ohm)
		}
	}
	return before > aboutAsLow*after
}

// unseen returns the part of the range of r that c leaves out and in which the
// lowest |Z| may lie; m is the lowest that it has, towards which |Z| falls up to an end
// where falling is set. It returns zero where there is none.
func (r Rating) unseen(c impedance.Curve, m minimum, falling bool) impedance.Band {
	p := c.Points
	first, last := p[0].Hz, p[len(p)-1].Hz
	if first > near*max(r.LowHz, beginsBy) {
		return impedance.Band{Low: r.LowHz, High: first}
	}
	for i := 1; i < len(p); i++ {
		low, high := p[i-1].Hz, p[i].Hz
		if high > r.LowHz && low < r.HighHz && math.Log2(high/low) > widestGap {
			return impedance.Band{Low: low, High: high}
		}
	}
	if near*last >= r.HighHz {
		return impedance.Band{}
	}
	begins := max(first, r.LowHz)
	atEnd, _ := c.Modulus(len(p) - 1)
	rises := m.hz > begins*(1+1e-9) && atEnd > turned*m.ohm.Value
	if falling || near*last < endsFrom && !rises {
		return impedance.Band{Low: last, High: r.HighHz}
	}
	return impedance.Band{}
}

// partial makes r the highest rating that there may be, since its curve leaves out b.
func (r *Rating) partial(b impedance.Band, falling bool) {
	r.Unseen = b
	if n := len(r.Candidates); n > 0 {
		r.Verdict, r.Ohm, r.Candidates = verdict.Undecided, 0, r.Candidates[n-1:]
	}
	if !falling {
		r.warn("rating-unseen", fmt.Sprintf("the curve has nothing from %s to %s, where the lowest |Z| may lie: sweep that too; the rating is the highest that there may be",
			quantity.LimitHz(b.Low), quantity.LimitHz(b.High)))
	}
}
