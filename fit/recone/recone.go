// Package recone compares drivers: one before and after it was reconed, one
// against a group of its kind, and many with each other, to find those that
// belong together.
//
// Units are SI; uncertainties are standard ones (k = 1).
package recone

import (
	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// Side is one driver as it was measured at one time.
type Side struct {
	Label   string
	Curve   impedance.Curve
	Load    fit.Result // of Curve
	Moved   *Side      // the same with a mass on the cone or on a closed box, as warm; nil where there is none
	Celsius *float64   // temperature of coil and room, in degrees Celsius; nil where nobody knows
}

// Limit is how far a quantity may change, in percent; a zero Limit is none.
type Limit struct{ Low, High float64 }

// Change is one quantity of both sides.
type Change struct {
	Name          string // "re", "fs", "q_ms", "q_es", "q_ts", "le_1khz", "z_min", "z_max", "mms", ...
	Unit          string // SI, "" for a ratio
	Before, After quantity.Value
	Percent       quantity.Value // 100 (After - Before)/Before; what both share does not count
	Significant   bool
	Limit         Limit
	Verdict       verdict.Verdict // against Limit
}

// Cause is one explanation of all changes together.
type Cause struct {
	Name   string         // "heavier cone", ...
	Words  string         // what it means, in a sentence
	Loose  bool           // a part moves by itself, or no longer does
	Odds   float64        // 0 to 1; those of all causes sum to 1
	Amount quantity.Value // percent of the quantity that changed; of a loose part, of the moving mass

	moves [6]float64 // logarithms by which it moves the seen
}

// Deviation is where two curves differ most, more than an octave away from
// their main resonance, whose quantities are compared by themselves.
type Deviation struct {
	Percent     quantity.Value // |Zafter/Zbefore - 1|, complex, so never below 0; 2 U either way holds at all points at once
	Hz          float64        // 0 where the curves end within that octave
	Significant bool
	Limit       Limit
	Verdict     verdict.Verdict // of all points against Limit.High
}

// Comparison is a driver before and after.
type Comparison struct {
	Verdict  verdict.Verdict
	Changes  []Change
	Causes   []Cause // best first
	Worst    Deviation
	Warnings []impedance.Warning
}
