package main

import (
	"math"

	"tapload/fixtures/amp"
	"tapload/measure/impedance"
)

// hookupObject is what a hookup on its tap tells programs. Every key that
// begins with u_ is a standard uncertainty (k = 1) of the one without.
type hookupObject struct {
	Hookup   string             `json:"hookup"`
	RatedOhm float64            `json:"rated_ohm"`
	MinOhm   *float64           `json:"z_min_ohm"` // over the band; null where nothing is measured
	TapOhm   float64            `json:"tap_ohm"`   // or the lowest load of a solid-state amplifier
	Grade    string             `json:"grade"`
	Boxes    int                `json:"boxes"`
	Share    map[string]float64 `json:"share"` // over the band; by rated ohms where nothing is measured
	Failures []failureObject    `json:"failures"`
	Warnings impedance.Warnings `json:"warnings"`

	Dead []deadDriverObject `json:"dead_drivers"` // loads that most likely have one; nothing is called safe with any

	Safe         bool               `json:"safe"`
	GradedOhm    float64            `json:"graded_ohm"`
	UMinOhm      *float64           `json:"u_z_min_ohm"`
	MinHz        *float64           `json:"z_min_hz"`
	LowHz        float64            `json:"low_hz"` // of the band
	HighHz       float64            `json:"high_hz"`
	RatedShare   map[string]float64 `json:"rated_share"`
	UShare       map[string]float64 `json:"u_share"`
	Lost         float64            `json:"lost_in_wire"` // fraction of the power, over the band
	ReflectedOhm *float64           `json:"reflected_ohm"`
	Power        map[string]float64 `json:"power_w,omitempty"` // into each load at the amplifier's rated power
	UPower       map[string]float64 `json:"u_power_w,omitempty"`
	Overdriven   *overdrivenObject  `json:"first_overdriven"`

	Volt *float64 `json:"drive_v,omitempty"` // at the amplifier's rated power, by rated ohms, rms
	Amp  *float64 `json:"drive_a,omitempty"`
}

type failureObject struct {
	What      string   `json:"what"`
	RatedOhm  *float64 `json:"rated_ohm"` // null where open
	Grade     string   `json:"grade"`
	GradedOhm *float64 `json:"graded_ohm"`
	Safe      bool     `json:"safe"`
	Plays     []string `json:"still_plays"`
	Overdrive []string `json:"overdriven"` // at the amplifier's rated power
	Means     string   `json:"means"`
}

type overdrivenObject struct {
	Load string  `json:"load"`
	AmpW float64 `json:"amp_w"`
	U    float64 `json:"u_amp_w"`

	WorstW  float64  `json:"worst_tone_amp_w"` // a tone at worst_tone_hz reaches it with this
	WorstHz *float64 `json:"worst_tone_hz"`    // null where nothing is measured
}

func (s assessed) object() hookupObject {
	o := hookupObject{
		Hookup: s.Tree.String(), RatedOhm: s.RatedOhm, TapOhm: s.TapOhm, Grade: s.Grade.String(), Boxes: s.Boxes,
		Share: map[string]float64{}, Failures: []failureObject{}, Warnings: impedance.Warnings(s.warnings),
		Dead: s.dead.objects(), Safe: s.safe(), GradedOhm: s.EffectiveOhm, LowHz: s.LowHz, HighHz: s.HighHz,
		RatedShare: map[string]float64{}, UShare: map[string]float64{}, Lost: s.Lost,
	}
	if s.Measured {
		o.MinOhm, o.UMinOhm, o.MinHz = &s.Lowest.Value, &s.Lowest.U, &s.LowestHz
	}
	if s.ReflectedOhm > 0 {
		o.ReflectedOhm = &s.ReflectedOhm
	}
	if s.amp.Watts > 0 {
		o.Power, o.UPower = map[string]float64{}, map[string]float64{}
		o.Volt, o.Amp = &s.Drive.Volt, &s.Drive.Amp
	}
	for _, p := range s.Parts {
		name := p.Load.Name
		o.Share[name], o.UShare[name], o.RatedShare[name] = p.Share.Value, p.Share.U, p.RatedShare
		if o.Power != nil {
			o.Power[name], o.UPower[name] = p.Watts.Value, p.Watts.U
		}
	}
	if f := s.Overdriven; f != nil {
		o.Overdriven = &overdrivenObject{Load: f.Load, AmpW: f.AmpWatts.Value, U: f.AmpWatts.U, WorstW: f.WorstW}
		if f.WorstHz > 0 {
			o.Overdriven.WorstHz = &f.WorstHz
		}
	}
	for _, f := range s.Failures {
		failure := failureOf(f)
		failure.Safe = failure.Safe && len(s.dead) == 0
		o.Failures = append(o.Failures, failure)
	}
	return o
}

func failureOf(f amp.Failure) failureObject {
	o := failureObject{What: f.What, Grade: f.Grade.String(), Safe: f.Safe, Plays: append([]string{}, f.Plays...), Overdrive: append([]string{}, f.Overdriven...), Means: f.Words}
	if !math.IsInf(f.RatedOhm, 1) {
		o.RatedOhm, o.GradedOhm = &f.RatedOhm, &f.EffectiveOhm
	}
	return o
}
