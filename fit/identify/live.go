package identify

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"strings"

	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// LiveEvent is an event of a live view with what the load is. Its JSON is that of
// the event with the key "load".
type LiveEvent struct {
	measure.Event
	Load *Glance  `json:"load"`       // nil unless steady; worked out anew after 1, 2 and 4 s, then every 5 s
	Held *extreme `json:"held_z_min"` // the lowest z_min of all loads so far
}

// Glance is what a load is, at a glance. Its JSON keys are stable; uncertainties are
// standard ones (k = 1).
type Glance struct {
	RatedOhm   *float64        `json:"rated_ohm"`  // null where undecided
	Candidates []float64       `json:"candidates"` // ratings that are possible
	Verdict    verdict.Verdict `json:"verdict"`    // on the rating
	TapOhm     float64         `json:"tap_ohm"`    // the highest that it is safe on; 0 for none
	Min        extreme         `json:"z_min"`      // above the lowest resonance
	Resonances []float64       `json:"resonances_hz"`
	NoFit      string          `json:"no_fit"` // why no loudspeaker fits; then the rest is that of the curve

	Result Result `json:"-"`
}

func newGlance(r Result) *Glance {
	g := &Glance{
		Candidates: append([]float64{}, r.Rating.Candidates...), Verdict: r.Rating.Verdict, TapOhm: r.Tap(),
		Min:        extreme{r.Rating.MinOhm.Value, r.Rating.MinHz, r.Rating.MinOhm.U},
		Resonances: []float64{}, NoFit: r.NoFit, Result: r,
	}
	if ohm := r.Rating.Ohm; ohm > 0 {
		g.RatedOhm = &ohm
	}
	if r.Fits() {
		for _, m := range r.Load.Main() {
			g.Resonances = append(g.Resonances, m.Hz.Value)
		}
	}
	return g
}

// A load that stays steady is fitted again after anew, then twice as late each time
// up to atLatest, in seconds: noise alone changes, and warming takes minutes.
const anew, atLatest = 1.0, 5.0

// Live is measure.Live that says what the load is, too, of which k is known. A
// curve that no rating can be made of has none.
func Live(ctx context.Context, s measure.Setup, k Known, on func(LiveEvent)) error {
	var load *Glance
	var held *extreme
	var since, every float64
	return measure.Live(ctx, s, func(e measure.Event) {
		switch {
		case e.State != measure.Steady:
			load, every = nil, anew/2
		case load == nil || e.Seconds-since >= every:
			load, since, every = nil, e.Seconds, min(2*every, atLatest)
			r, err := Record(ctx, *e.Record, Options{Known: k})
			if ctx.Err() != nil {
				return
			}
			if err == nil {
				load = newGlance(r)
				if held == nil || load.Min.Ohm < held.Ohm {
					held = &load.Min
				}
			}
		}
		on(LiveEvent{e, load, held})
	})
}

// faultWords are what a fault comes to at the bench, in a few words.
var faultWords = map[string]string{
	card.OpenLoad.String(): "nothing plugged in", card.ShortedLoad.String(): "short",
	card.Swapped.String(): "the leads of the inputs are exchanged", card.SameSignal.String(): "both inputs hear the same",
	card.Inverted.String(): "an input is inverted", card.DeadInput.String(): "an input is dead",
	card.AutomaticGain.String(): "an input's gain moves: automatic gain", card.NoSignal.String(): "no sound", card.Clipped.String(): "an input clips",
}

// Line says in one short line what e shows.
func (e LiveEvent) Line() string {
	switch {
	case e.State == measure.Faulty:
		return cmp.Or(faultWords[e.Fault.Code], e.Fault.Text)
	case e.State == measure.Settling && e.Restless > longRestless:
		return "still settling: something moves, knocks or crackles"
	case e.State == measure.Settling:
		return "settling"
	case e.Load == nil:
		return "steady; no rating can be made of the curve"
	}
	r := e.Load.Result
	said := strings.TrimPrefix(rated(r.Rating), "rated ")
	switch tap := r.Tap(); {
	case r.Fault != nil && r.Fault.ChangesRating:
		said += ", but the curve is faulty"
	case tap > 0:
		said += fmt.Sprintf(", safe on %g", tap)
	case r.Rating.AtMost(): // which is said
	default:
		said += ", safe on no usual tap"
	}
	return said + "; steady"
}

// longRestless is how long a window settles after a plug was changed, and some.
const longRestless = 4.0 // s

// Beside says what stands beside the line: the lowest |Z| above the resonance, and
// contacts that opened; "" if there is nothing to say.
func (e LiveEvent) Beside() string {
	var parts []string
	if g := e.Load; g != nil {
		parts = append(parts, fmt.Sprintf("lowest %s ohm at %s", quantity.Digits(g.Min.Ohm, 3), quantity.Hz(g.Min.Hz)))
	}
	if o := e.Opened; o.Count > 0 {
		worst := "open"
		if !math.IsInf(o.WorstOhm, 1) {
			worst = "+" + quantity.Digits(o.WorstOhm, 2) + " ohm"
		}
		parts = append(parts, fmt.Sprintf("opened %dx (%s)", o.Count, worst))
	}
	return strings.Join(parts, ", ")
}
