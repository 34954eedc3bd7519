package identify

import (
	"encoding/json"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// shape is what the JSON of a Result has for a fit that is kept and read again.
// Uncertainties are standard ones (k = 1), units are SI.
type shape struct {
	Label      string             `json:"label"`
	Simulated  bool               `json:"simulated,omitempty"` // on a virtual bench
	Re         *quantity.Value    `json:"re_ohm"`              // null where no model fits
	Resonances []fit.Resonance    `json:"resonances"`
	Wrinkles   []fit.Resonance    `json:"wrinkles,omitempty"` // of the model that stand for what coil and cone do otherwise
	Coupled    bool               `json:"coupled,omitempty"`  // the resonances drive each other
	Coil       *fit.Coil          `json:"coil"`
	Suspension *fit.Suspension    `json:"suspension,omitempty"` // left out for a spring
	Crossover  *crossover         `json:"crossover,omitempty"`
	Min        extreme            `json:"z_min"` // above the lowest resonance
	Max        extreme            `json:"z_max"` // of the resonances, however far a coil rises
	RatedOhm   *float64           `json:"rated_ohm"`
	Rated      rating.Rating      `json:"rated"`
	Warnings   impedance.Warnings `json:"warnings"`
	Parameters []fit.Parameter    `json:"parameters"`
	Covariance [][]float64        `json:"covariance"` // of parameters, from noise and misfit
	Shifts     []fit.Shift        `json:"shifts"`     // of parameters, by shared sources
}

type extreme struct {
	Ohm float64 `json:"ohm"`
	Hz  float64 `json:"hz"`
	U   float64 `json:"u"`
}

// crossover says what lies between jack and drivers, and which part of the curve
// the fit took.
type crossover struct {
	Kind      string         `json:"kind"`
	LowHz     float64        `json:"low_hz"`
	HighHz    float64        `json:"high_hz"`
	Capacitor quantity.Value `json:"capacitor_f,omitzero"`
	Pad       quantity.Value `json:"pad_ohm,omitzero"`
	Why       string         `json:"why,omitempty"` // there is no fit
}

// MarshalJSON writes what is kept of a fit, and what was made of it; the tables
// of models, wirings and causes only where they were asked for.
func (r Result) MarshalJSON() ([]byte, error) {
	load, rated := r.Load, r.Rating
	o := struct {
		shape
		Misfit     float64              `json:"misfit_percent"`
		KK         *float64             `json:"kk_percent"` // null where the curve has too few points
		Fault      *Fault               `json:"curve_fault"`
		Constants  []fit.Constants      `json:"constants,omitempty"`
		Models     []fit.Candidate      `json:"models,omitempty"`
		Wirings    []rating.Wiring      `json:"wirings,omitempty"`
		Causes     []rating.Explanation `json:"causes,omitempty"`
		DeadDriver *rating.Explanation  `json:"dead_driver"`
	}{
		shape: shape{
			Label: r.Record.Label, Simulated: r.Record.Simulated, Resonances: append([]fit.Resonance{}, load.Resonances...), Wrinkles: load.Wrinkles, Coupled: load.Model.Coupled,
			Min:   extreme{rated.MinOhm.Value, rated.MinHz, rated.MinOhm.U},
			Max:   extreme{rated.MaxOhm.Value, rated.MaxHz, rated.MaxOhm.U},
			Rated: rated, Warnings: r.Warnings,
			Parameters: append([]fit.Parameter{}, load.Parameters...), Covariance: load.Covariance, Shifts: append([]fit.Shift{}, load.Shifts...),
		},
		Misfit: 100 * load.Misfit, Fault: r.Fault, Constants: r.Constants, DeadDriver: r.Dead,
	}
	if r.Fits() {
		o.Re, o.Coil = &load.Re, &load.Coil
		if load.Suspension.Kind != fit.Spring {
			o.Suspension = &load.Suspension
		}
	}
	if load.Crossover != fit.NoCrossover || !r.Fits() {
		o.Crossover = &crossover{Kind: load.Crossover.String(), LowHz: load.LowHz, HighHz: load.HighHz, Capacitor: load.Capacitor, Pad: load.Pad}
		if !r.Fits() {
			o.Crossover.Kind, o.Crossover.Why = "unknown", r.NoFit
		}
	}
	if rated.Ohm > 0 {
		o.RatedOhm = &rated.Ohm
	}
	if r.KK != nil {
		o.KK = &r.KK.Percent
	}
	if r.Explain {
		o.Models, o.Wirings = load.Candidates, r.Wirings
	}
	if r.Explain || r.Known.asked() {
		o.Causes = r.Could
	}
	return json.Marshal(o)
}
