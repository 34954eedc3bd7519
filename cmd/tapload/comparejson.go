package main

import (
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// comparisonObject is what a comparison tells programs. Uncertainties are
// standard ones (k = 1), units SI.
type comparisonObject struct {
	Verdict  string             `json:"verdict"`
	Changes  []changeObject     `json:"changes"`
	Causes   []changeCause      `json:"causes"`
	Warnings impedance.Warnings `json:"warnings"`

	Before string           `json:"before"`
	After  string           `json:"after"`
	Worst  *deviationObject `json:"largest_deviation"` // null where both curves end within an octave of fs

	Added *addedObject `json:"added,omitempty"` // to both, for their constants

	DistortionBefore *distortionEntry `json:"distortion_before,omitempty"`
	DistortionAfter  *distortionEntry `json:"distortion_after,omitempty"`
}

type addedObject struct {
	Mass     *quantity.Value `json:"mass_kg,omitempty"`
	Box      *quantity.Value `json:"box_m3,omitempty"`
	Diameter quantity.Value  `json:"diameter_m"`
}

// object is nil where nothing was added.
func (o addedFlags) object() *addedObject {
	if !o.any() {
		return nil
	}
	added := o.added()
	out := &addedObject{Diameter: quantity.Value(added.Diameter)}
	if added.Mass.Value > 0 {
		mass := quantity.Value(added.Mass)
		out.Mass = &mass
	} else {
		box := quantity.Value(added.Volume)
		out.Box = &box
	}
	return out
}

type changeObject struct {
	Name    string  `json:"name"`
	Before  float64 `json:"before"`
	After   float64 `json:"after"`
	Percent float64 `json:"change_percent"`
	U       float64 `json:"u_percent"`
	Verdict string  `json:"verdict"`

	Unit        string     `json:"unit"`
	UBefore     float64    `json:"u_before"`
	UAfter      float64    `json:"u_after"`
	Significant bool       `json:"significant"`
	Limit       [2]float64 `json:"limit_percent"`
}

type changeCause struct {
	Cause string  `json:"cause"`
	Odds  float64 `json:"odds"`

	Words   string  `json:"words"`
	Percent float64 `json:"percent"` // of the quantity that the cause is of
	U       float64 `json:"u_percent"`
}

type deviationObject struct {
	Percent     float64 `json:"percent"`
	U           float64 `json:"u_percent"`
	Hz          float64 `json:"hz"`
	Significant bool    `json:"significant"`
	Verdict     string  `json:"verdict"`
}

func (r compared) object() comparisonObject {
	o := comparisonObject{
		Verdict: r.Verdict.String(), Changes: []changeObject{}, Causes: []changeCause{}, Warnings: impedance.Warnings(r.warnings),
		Before: r.labels[0], After: r.labels[1], Added: r.added.object(), DistortionBefore: r.bends[0], DistortionAfter: r.bends[1],
	}
	if w := r.Worst; w.Hz > 0 {
		o.Worst = &deviationObject{w.Percent.Value, w.Percent.U, w.Hz, w.Significant, w.Verdict.String()}
	}
	for _, c := range r.Changes {
		o.Changes = append(o.Changes, changeObject{
			c.Name, c.Before.Value, c.After.Value, c.Percent.Value, c.Percent.U, c.Verdict.String(),
			c.Unit, c.Before.U, c.After.U, c.Significant, [2]float64{c.Limit.Low, c.Limit.High},
		})
	}
	for _, c := range r.Causes {
		o.Causes = append(o.Causes, changeCause{c.Name, c.Odds, c.Words, c.Amount.Value, c.Amount.U})
	}
	return o
}
