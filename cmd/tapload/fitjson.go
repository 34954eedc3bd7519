package main

import (
	"tapload/fit"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// fitObject is what a fit tells programs. Uncertainties are standard ones
// (k = 1), units are SI.
type fitObject struct {
	Label      string             `json:"label"`
	Re         *quantity.Value    `json:"re_ohm"` // null where no model fits
	Resonances []resonanceObject  `json:"resonances"`
	Wrinkles   []resonanceObject  `json:"wrinkles,omitempty"` // of the model that stand for what coil and cone do otherwise
	Coupled    bool               `json:"coupled,omitempty"`  // the resonances drive each other
	Coil       *coilObject        `json:"coil"`
	Suspension *suspensionObject  `json:"suspension,omitempty"`
	Crossover  *crossoverObject   `json:"crossover,omitempty"`
	Min        measure.Extreme    `json:"z_min"` // above the lowest resonance
	Max        measure.Extreme    `json:"z_max"` // of the resonances, however far a coil rises
	RatedOhm   *float64           `json:"rated_ohm"`
	Rated      ratedObject        `json:"rated"`
	Misfit     float64            `json:"misfit_percent"`
	KK         *float64           `json:"kk_percent"`  // null where the curve has too few points
	Fault      *curveFaultObject  `json:"curve_fault"` // null where none was found
	Constants  []constantsObject  `json:"constants,omitempty"`
	Models     []modelObject      `json:"models,omitempty"`
	Wirings    []string           `json:"wirings,omitempty"`
	Causes     []causeObject      `json:"causes,omitempty"`
	Warnings   impedance.Warnings `json:"warnings"`
	Parameters []parameterObject  `json:"parameters"`
	Covariance [][]float64        `json:"covariance"` // of parameters, from noise and misfit
	Shifts     []shiftObject      `json:"shifts"`     // of parameters, by shared sources

	DeadDriver *causeObject `json:"dead_driver"` // the likeliest explanation, with the marking or the number of drivers; null where that is whole
}

type resonanceObject struct {
	Hz  quantity.Value `json:"f_hz"`
	Qms quantity.Value `json:"q_ms"`
	Qes quantity.Value `json:"q_es"`
	Qts quantity.Value `json:"q_ts"`
	Res quantity.Value `json:"r_es_ohm"`

	Turn *quantity.Value `json:"turn_ohm,omitempty"` // where resonances are coupled
}

type parameterObject struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

type shiftObject struct {
	ID         string    `json:"id"`
	Parameters []float64 `json:"parameters"` // change by one standard uncertainty of the source
}

type coilObject struct {
	Kind string          `json:"kind"`
	L0   *quantity.Value `json:"l0_h,omitempty"`
	L    *quantity.Value `json:"l_h,omitempty"`
	L2   *quantity.Value `json:"l2_h,omitempty"`
	R2   *quantity.Value `json:"r2_ohm,omitempty"`
	K    *quantity.Value `json:"k,omitempty"` // ohm s^-n
	N    *quantity.Value `json:"n,omitempty"`
	Le   *quantity.Value `json:"le_1khz_h,omitempty"`
}

// parameter returns the place of the coil's parameter of that name, as in fit.
func (o *coilObject) parameter(name string) **quantity.Value {
	return map[string]**quantity.Value{"l0": &o.L0, "l": &o.L, "l2": &o.L2, "r2": &o.R2, "k": &o.K, "n": &o.N}[name]
}

type suspensionObject struct {
	Kind     string          `json:"kind"`
	Creep    *quantity.Value `json:"creep,omitempty"`
	Leak     *quantity.Value `json:"leak,omitempty"`
	LeakHz   *quantity.Value `json:"leak_hz,omitempty"`
	LeakMass *quantity.Value `json:"leak_mass,omitempty"`
}

// parameter returns the place of the suspension's parameter of that name, as
// in fit.
func (o *suspensionObject) parameter(name string) **quantity.Value {
	return map[string]**quantity.Value{"creep": &o.Creep, "leak": &o.Leak, "leakhz": &o.LeakHz, "leakmass": &o.LeakMass}[name]
}

// crossoverObject says what lies between jack and drivers, and which part of
// the curve the fit took.
type crossoverObject struct {
	Kind      string          `json:"kind"`
	LowHz     float64         `json:"low_hz"`
	HighHz    float64         `json:"high_hz"`
	Capacitor *quantity.Value `json:"capacitor_f,omitempty"`
	Pad       *quantity.Value `json:"pad_ohm,omitempty"`
	Why       string          `json:"why,omitempty"` // there is no fit
}

type ratedObject struct {
	Candidates []float64 `json:"candidates"`
	Margin     float64   `json:"margin_percent"`
	Verdict    string    `json:"verdict"`
	LowHz      float64   `json:"low_hz"`
	HighHz     float64   `json:"high_hz"`
}

type constantsObject struct {
	Method      string         `json:"method"`
	Sd          quantity.Value `json:"sd_m2"`
	Mms         quantity.Value `json:"mms_kg"`
	Cms         quantity.Value `json:"cms_m_per_n"`
	Rms         quantity.Value `json:"rms_n_s_per_m"`
	Bl          quantity.Value `json:"bl_t_m"`
	Vas         quantity.Value `json:"vas_m3"`
	Efficiency  quantity.Value `json:"efficiency"`
	Sensitivity quantity.Value `json:"sensitivity_1w_db"`
	At283V      quantity.Value `json:"sensitivity_2v83_db"`
}

type modelObject struct {
	Coil       string   `json:"coil"`
	Resonances int      `json:"resonances"`
	Parameters int      `json:"parameters"`
	Misfit     *float64 `json:"misfit_percent"` // null where there was no fit
	Criterion  *float64 `json:"criterion"`
	Error      string   `json:"error,omitempty"`
}

type causeObject struct {
	Cause string  `json:"cause"`
	Fault string  `json:"fault"`
	Ohm   float64 `json:"leaves_ohm"`
	Re    float64 `json:"re_ohm"`
	Min   float64 `json:"z_min_ohm"`
	Odds  float64 `json:"odds"`
	Check string  `json:"check"`
}

// object returns what --json prints; the tables of models, wirings and causes
// only when they were asked for.
func (f fitted) object(o fitOptions) fitObject {
	out := fitObject{
		Label: f.record.Label, Resonances: []resonanceObject{},
		Coupled: f.load.Model.Coupled, Crossover: f.crossover(),
		Min: measure.Extreme{Ohm: f.rating.MinOhm.Value, Hz: f.rating.MinHz, U: f.rating.MinOhm.U},
		Max: measure.Extreme{Ohm: f.rating.MaxOhm.Value, Hz: f.rating.MaxHz, U: f.rating.MaxOhm.U},
		Rated: ratedObject{
			Candidates: append([]float64{}, f.rating.Candidates...), Margin: f.rating.MarginPercent, Verdict: f.rating.Verdict.String(),
			LowHz: f.rating.LowHz, HighHz: f.rating.HighHz,
		},
		Misfit:     100 * f.load.Misfit,
		Parameters: []parameterObject{}, Covariance: f.load.Covariance, Shifts: []shiftObject{},
		Warnings: impedance.Warnings(f.warnings),
	}
	if f.fits() {
		re := quantity.Value(f.load.Re)
		out.Re, out.Coil, out.Suspension = &re, coilOf(f.load.Coil), suspensionOf(f.load.Suspension)
	}
	for _, r := range f.load.Resonances {
		out.Resonances = append(out.Resonances, resonanceOf(r))
	}
	for _, r := range f.load.Wrinkles {
		out.Wrinkles = append(out.Wrinkles, resonanceOf(r))
	}
	for _, p := range f.load.Parameters {
		out.Parameters = append(out.Parameters, parameterObject(p))
	}
	for _, s := range f.load.Shifts {
		out.Shifts = append(out.Shifts, shiftObject{s.ID, s.Parameters})
	}
	if f.rating.Ohm > 0 {
		out.RatedOhm = &f.rating.Ohm
	}
	if f.kk != nil {
		out.KK = &f.kk.Percent
	}
	out.Fault = f.fault.object()
	for _, c := range f.consts {
		out.Constants = append(out.Constants, constantsObject{
			c.Method.String(), quantity.Value(c.Sd), quantity.Value(c.Mms), quantity.Value(c.Cms), quantity.Value(c.Rms), quantity.Value(c.Bl),
			quantity.Value(c.Vas), quantity.Value(c.Efficiency), quantity.Value(c.Sensitivity), quantity.Value(c.At283V),
		})
	}
	if o.explain {
		for _, c := range f.load.Candidates {
			m := modelObject{Coil: c.Model.Coil.String(), Resonances: c.Model.Resonances, Parameters: c.Parameters}
			if c.Err != nil {
				m.Error = c.Err.Error()
			} else {
				misfit := 100 * c.Misfit
				m.Misfit, m.Criterion = &misfit, &c.Criterion
			}
			out.Models = append(out.Models, m)
		}
		for _, w := range f.wirings {
			out.Wirings = append(out.Wirings, w.String())
		}
	}
	if f.dead != nil {
		dead := causeOf(*f.dead)
		out.DeadDriver = &dead
	}
	if o.explain || o.drivers > 0 || o.marked > 0 {
		for _, e := range f.could {
			out.Causes = append(out.Causes, causeOf(e))
		}
	}
	return out
}

// some returns the place of a copy of v.
func some(v quantity.Value) *quantity.Value {
	j := quantity.Value(v)
	return &j
}

func resonanceOf(r fit.Resonance) resonanceObject {
	o := resonanceObject{Hz: quantity.Value(r.Hz), Qms: quantity.Value(r.Qms), Qes: quantity.Value(r.Qes), Qts: quantity.Value(r.Qts), Res: quantity.Value(r.Res)}
	if r.Turn.Value != 0 {
		o.Turn = some(r.Turn)
	}
	return o
}

func coilOf(c fit.Coil) *coilObject {
	o := &coilObject{Kind: c.Kind.String()}
	for _, name := range c.Kind.Parameters() {
		v, _ := c.Parameter(name)
		*o.parameter(name) = some(*v)
	}
	if c.Kind != fit.NoCoil {
		o.Le = some(c.LeAt1k)
	}
	return o
}

// suspensionOf returns nil for what is no more than a spring.
func suspensionOf(s fit.Suspension) *suspensionObject {
	if s.Kind == fit.Spring {
		return nil
	}
	o := &suspensionObject{Kind: s.Kind.String()}
	for _, name := range s.Kind.Parameters() {
		v, _ := s.Parameter(name)
		*o.parameter(name) = some(*v)
	}
	return o
}

// crossover returns nil where the fit saw none.
func (f fitted) crossover() *crossoverObject {
	if f.load.Crossover == fit.NoCrossover && f.fits() {
		return nil
	}
	o := &crossoverObject{Kind: f.load.Crossover.String(), LowHz: f.load.LowHz, HighHz: f.load.HighHz}
	if !f.fits() {
		o.Kind, o.Why = "unknown", f.noFit
	}
	if f.load.Capacitor.Value > 0 {
		o.Capacitor = some(f.load.Capacitor)
	}
	if f.load.Pad.Value > 0 {
		o.Pad = some(f.load.Pad)
	}
	return o
}
