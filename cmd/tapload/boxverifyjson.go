package main

import (
	"tapload/fixtures/box"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// proofObject is what a proof tells programs. Uncertainties are standard ones
// (k = 1).
type proofObject struct {
	Verdict   string             `json:"verdict"`
	Contact   *quantity.Value    `json:"contact_ohm"` // of the box as if it were right; null where that makes no sense
	Diagnosis []diagnosisObject  `json:"diagnosis"`   // what is or may be wrong, the likeliest first
	Warnings  impedance.Warnings `json:"warnings"`

	Words      string   `json:"words"`
	Hookup     string   `json:"hookup"`
	Equivalent string   `json:"equivalent"`        // what the box most likely makes
	OddsRight  float64  `json:"odds_right"`        // that it is wired right, whatever its joints
	Same       []string `json:"same_by_impedance"` // faults that leave the circuit as it is
	LeakBelow  *float64 `json:"leak_seen_below_ohm"`
	Misfit     *float64 `json:"misfit_percent"` // between two measurements of one thing, as allowed for; null for a meter

	Seen     *float64        `json:"dc_seen_ohm,omitempty"` // by a DC meter; absent where it showed an open
	Expected *quantity.Value `json:"dc_expected_ohm,omitempty"`
}

type diagnosisObject struct {
	Fault      string          `json:"fault"`
	Equivalent string          `json:"equivalent"`
	Odds       float64         `json:"odds"`
	Check      string          `json:"check"`
	Also       []string        `json:"also"` // faults that are electrically the same
	Leak       *quantity.Value `json:"leak_ohm"`
}

func diagnosis(causes []box.Cause) []diagnosisObject {
	all := []diagnosisObject{}
	for _, c := range causes {
		d := diagnosisObject{Fault: c.Faults[0], Equivalent: c.Equivalent, Odds: c.Odds, Check: c.Check, Also: append([]string{}, c.Faults[1:]...)}
		if c.Leak.Value > 0 {
			d.Leak = valueOf(c.Leak)
		}
		all = append(all, d)
	}
	return all
}

func valueOf(v quantity.Value) *quantity.Value { return &v }

// aboveZero returns v, or nil where it stands for nothing.
func aboveZero(v float64) *float64 {
	if v > 0 {
		return &v
	}
	return nil
}

func (r proved) object() proofObject {
	misfit := 100 * r.Misfit
	o := proofObject{
		Verdict: r.Verdict.String(), Diagnosis: diagnosis(r.Causes), Warnings: impedance.Warnings(r.warnings),
		Words: r.Words, Hookup: r.set.Tree.String(), Equivalent: r.Equivalent, OddsRight: r.Right,
		Same: append([]string{}, r.Same...), LeakBelow: aboveZero(r.LeakOhm), Misfit: &misfit,
	}
	if len(r.Predicted) > 0 {
		o.Contact = valueOf(r.Contact)
	}
	return o
}

func (m metered) object() proofObject {
	o := proofObject{
		Verdict: m.Verdict.String(), Diagnosis: diagnosis(m.Causes), Warnings: impedance.Warnings{},
		Words: m.Words, Hookup: m.set.Tree.String(), Equivalent: m.equivalent(), OddsRight: m.right(),
		Same: append([]string{}, m.Same...), LeakBelow: aboveZero(m.LeakOhm), Expected: valueOf(m.Expected),
	}
	if !m.open() {
		o.Contact, o.Seen = valueOf(m.Contact), &m.readings.Seen
	}
	return o
}
