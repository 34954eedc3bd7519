// Package fit finds the parameters of a loudspeaker load in its impedance
// curve, with uncertainties that cover:
//
//	Z(f) = Re + Zcoil(s) + sum of Res/(1 + j Qms (f/fs - fs/f)),  s = j 2 pi f
//
// with one to three resonances, one of several models of the voice coil (coils)
// and of the suspension (suspensions), and where the curve asks for it a
// capacitor in series. Units are SI.
package fit

import (
	"encoding/json"
	"errors"
	"fmt"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// Model is the form of a load.
type Model struct {
	Coil       CoilKind
	Resonances int // 1 to 3, wrinkles among them
	Suspension SuspensionKind
	Coupled    bool // resonances that drive each other, as in a vented box or of drivers in parallel
	Padded     bool // a resistance beside coil and resonances, as in an L-pad
}

// String says m in words: "2 resonances that drive each other, power coil".
func (m Model) String() string {
	s := "1 resonance"
	if m.Resonances > 1 {
		s = fmt.Sprintf("%d resonances", m.Resonances)
	}
	if m.Coupled {
		s += " that drive each other"
	}
	if m.Coil == NoCoil {
		s += ", no coil"
	} else {
		s += ", " + m.Coil.String() + " coil"
	}
	if m.Suspension != Spring {
		s += ", " + m.Suspension.String()
	}
	if m.Padded {
		s += ", pad"
	}
	return s
}

// Resonance is one resonance of a fitted load. The electrical and the total
// quality factor are those of this resonance alone with the load's Re:
// Qes = Qms Re/Res, Qts = Qms Qes/(Qms + Qes).
type Resonance struct {
	Hz   quantity.Value `json:"f_hz"`
	Qms  quantity.Value `json:"q_ms"`
	Qes  quantity.Value `json:"q_es"`
	Qts  quantity.Value `json:"q_ts"`
	Res  quantity.Value `json:"r_es_ohm"`          // ohm added at resonance
	Turn quantity.Value `json:"turn_ohm,omitzero"` // ohm, of coupled resonances but the last of the model: by how much it leans from its own form, see Coupled
}

// Extreme is an extreme of |Z| of the fitted load within the measured band.
// Its uncertainty is that of the parameters and of the model's misfit there.
type Extreme struct {
	Ohm quantity.Value
	Hz  float64
}

// Candidate is a model that was tried.
type Candidate struct {
	Model      Model
	Parameters int
	Misfit     float64 // rms, relative to |Z|
	Criterion  float64 // of information; the least wins
	Err        error   // why it gave no fit, or nil
}

// MarshalJSON writes the kind of model and how well it did; nulls where it gave
// no fit.
func (c Candidate) MarshalJSON() ([]byte, error) {
	o := struct {
		Coil       CoilKind `json:"coil"`
		Resonances int      `json:"resonances"`
		Parameters int      `json:"parameters"`
		Misfit     *float64 `json:"misfit_percent"`
		Criterion  *float64 `json:"criterion"`
		Error      string   `json:"error,omitempty"`
	}{Coil: c.Model.Coil, Resonances: c.Model.Resonances, Parameters: c.Parameters}
	if c.Err != nil {
		o.Error = c.Err.Error()
	} else {
		misfit := 100 * c.Misfit
		o.Misfit, o.Criterion = &misfit, &c.Criterion
	}
	return json.Marshal(o)
}

// Unsettled reports whether the solver ran out of steps on the model.
func (c Candidate) Unsettled() bool { return errors.Is(c.Err, errUnsettled) }

// Shift is what one standard uncertainty of a shared source does to a result.
type Shift struct {
	ID         string    `json:"id"`         // of the impedance.Source
	Parameters []float64 `json:"parameters"` // as in Result.Parameters
}

// Status says how a fit ended.
type Status int

// The ways a fit ends. Any but Converged is also an error.
const (
	Converged       Status = iota
	NoProgress             // the solver ran out of steps, or the context ended
	Underdetermined        // the data do not determine every parameter
	NoResonance            // nothing to fit: no resonance in the curve
	TooFew                 // too few points, or over too narrow a band
	BadInput               // a curve or an option that cannot be used at all
)

// String returns a name of s for tables.
func (s Status) String() string {
	return [...]string{"converged", "no progress", "underdetermined", "no resonance", "too few points", "bad input"}[s]
}

// Parameter is one free parameter of the model as the solver saw it.
type Parameter struct {
	Name  string  `json:"name"` // "re", "f1", "qms1", "res1", "l", ...
	Value float64 `json:"value"`
	U     float64 `json:"u"` // standard uncertainty from noise, misfit and shared sources together
}

// Result is a fitted load.
type Result struct {
	Model      Model
	Re         quantity.Value // ohm
	Pinned     bool           // Re was given, not fitted
	Resonances []Resonance    // by rising frequency
	Wrinkles   []Resonance    // of the model that stand for what coil and cone do otherwise than it; numbered on in Parameters
	Coil       Coil
	Suspension Suspension
	Pad        quantity.Value // resistance beside coil and resonances, ohm; 0 where there is none
	Capacitor  quantity.Value // in series with the load, F; 0 where there is none
	Bypass     quantity.Value // capacitance across the load, which leads to other drivers, F; 0 where there is none
	Min        Extreme        // above the first resonance
	Max        Extreme

	Crossover     CrossoverKind
	LowHz, HighHz float64 // of the part of the curve that was fitted

	Parameters []Parameter
	Covariance [][]float64 // of Parameters, from noise and misfit
	Shifts     []Shift
	Misfit     float64      // rms of what the model leaves beyond the noise, relative to |Z|
	ChiSquare  float64      // with the stated noise alone
	DOF        int          // of ChiSquare
	Residual   []complex128 // measured less fitted, ohm, at each point
	Candidates []Candidate  // best first
	Status     Status
	Warnings   []impedance.Warning

	whole *Result // of the whole curve where HighHz leaves a part of it out; nil where that has none
}
