package recone

import (
	"encoding/json"
	"fmt"
	"slices"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

// Loose is a part that moves by itself after, and did not before. It fails the
// driver, or leaves it undecided where it may not be loose, whatever the limits say.
type Loose struct {
	Hz          quantity.Value // where it would swing by itself
	Percent     quantity.Value // of the moving mass
	Probability float64        // against all other causes
	Verdict     verdict.Verdict
	Words       string // what it is and where to look, in a sentence
}

// MarshalJSON writes values and uncertainties side by side.
func (l Loose) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Hz          float64         `json:"hz"`
		UHz         float64         `json:"u_hz"`
		Percent     float64         `json:"percent"`
		U           float64         `json:"u_percent"`
		Probability float64         `json:"odds"`
		Verdict     verdict.Verdict `json:"verdict"`
	}{l.Hz.Value, l.Hz.U, l.Percent.Value, l.Percent.U, l.Probability, l.Verdict})
}

// What a part must be to fail a driver; one that is less, but the likeliest cause,
// leaves it undecided. A whole cone or surround bends by itself too, above some
// frequency or with little of its mass, and a new one does so elsewhere: by its
// curve that is no different (common practice, no source).
const (
	sureLoose    = 0.999 // probability
	bendsFrom    = 1000  // Hz
	bendsPercent = 2     // of the moving mass
)

// loosened takes what shows of a part that came loose. Where before had one too, at
// another frequency, nothing came loose.
func (c *Comparison) loosened(part *looseness) {
	if part == nil || !part.after || part.elsewhere > 0 {
		return
	}
	i := slices.IndexFunc(c.Causes, func(k Cause) bool { return k.Loose })
	if i < 0 || c.Causes[i].Probability <= believed {
		return
	}
	k := c.Causes[i]
	l := Loose{Hz: part.hz, Percent: k.Amount, Probability: k.Probability, Verdict: verdict.Fail, Words: k.Words}
	switch {
	case k.Amount.Value-2*k.Amount.U < bendsPercent || part.hz.Value > bendsFrom:
		l.Verdict, l.Words = verdict.Undecided, k.Words+"; a whole cone or surround may also bend so by itself"
	case k.Probability < sureLoose:
		l.Verdict, l.Words = verdict.Undecided, "it may be that "+k.Words
	}
	c.Loose, c.Verdict = &l, worse(c.Verdict, l.Verdict)
}

// scraping takes the distortion of both, and fails what scrapes after and did not
// before.
func (c *Comparison) scraping(before, after Side) {
	of := func(s Side) *record.Harmonics {
		if s.Record == nil || s.Record.Distortion == nil {
			return nil
		}
		return s.Record.Distortion.Harmonics()
	}
	c.DistortionBefore, c.DistortionAfter = of(before), of(after)
	b, a := c.DistortionBefore, c.DistortionAfter
	if a == nil || a.Scrapes == nil || b != nil && b.Scrapes != nil {
		return
	}
	c.Scrapes, c.Verdict = true, verdict.Fail
	than := "; before, it did not"
	if b == nil {
		than = ""
	}
	c.Warnings = append(c.Warnings, impedance.Warning{Code: "scrapes", Text: fmt.Sprintf("after: something scrapes or knocks in every cycle at %s%s; is the coil centred, is anything loose", quantity.Hz(a.Scrapes.Hz), than)})
}
