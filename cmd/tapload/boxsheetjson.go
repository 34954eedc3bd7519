package main

import (
	"math"

	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
	"tapload/fixtures/loads"
	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
)

// boxSheetObject is what a build sheet tells programs.
type boxSheetObject struct {
	Hookup   string             `json:"hookup"`
	RatedOhm float64            `json:"rated_ohm"`
	TapOhm   *float64           `json:"tap_ohm"` // or the lowest load of a solid-state amplifier; null where no amplifier is given
	Grade    *string            `json:"grade"`
	Safe     *bool              `json:"safe"`
	Metal    bool               `json:"metal_chassis"`
	HoleMM   float64            `json:"hole_mm"`
	WasherMM *float64           `json:"insulated_hole_mm"` // null where the washers are not known
	PitchMM  float64            `json:"jack_pitch_mm"`
	AWG      int                `json:"wire_awg"`
	Loads    []boxLoadObject    `json:"loads"`
	Boxes    []boxObject        `json:"boxes"`
	DC       boxOhmsObject      `json:"dc_ohm"`
	Wrong    []wrongObject      `json:"wrong_dc"`
	Same     []string           `json:"not_shown_by_dc"`
	Pulls    []boxPullObject    `json:"pulled_plugs"`
	Warnings impedance.Warnings `json:"warnings"`

	Dead hookup.Suspects `json:"dead_drivers"` // loads that most likely have one; nothing is called safe with any
}

// boxOhmsObject is what a meter may read; all null where it reads open.
type boxOhmsObject struct {
	Low  *float64 `json:"low"`
	Ohm  *float64 `json:"value"`
	High *float64 `json:"high"`

	Practice bool `json:"common_practice"` // from ratings, not from a measurement
}

type boxLoadObject struct {
	Name     string        `json:"name"`
	RatedOhm float64       `json:"rated_ohm"`
	DC       boxOhmsObject `json:"dc_ohm"`
}

type boxObject struct {
	Number     int                `json:"number"`
	Kind       string             `json:"kind"`
	Hookup     string             `json:"hookup"`
	RatedOhm   float64            `json:"rated_ohm"`
	Jacks      []boxJackObject    `json:"jacks"`
	Washers    int                `json:"washer_pairs"`
	Wires      []boxWireObject    `json:"wires"`
	WireM      float64            `json:"wire_m"`
	AddedOhm   float64            `json:"added_ohm"`
	Lost       float64            `json:"lost_in_wire"` // fraction of the hookup's power
	Shorted    []string           `json:"case_shorts"`  // when the metal case touches the amplifier's
	Continuity []continuityObject `json:"continuity"`
}

type boxJackObject struct {
	Label     string `json:"label"`
	Insulated bool   `json:"insulated"`
}

type boxWireObject struct {
	From string  `json:"from"`
	To   string  `json:"to"`
	M    float64 `json:"length_m"`
	Ohm  float64 `json:"ohm"`
}

type continuityObject struct {
	Plugs string        `json:"plugs"`
	From  string        `json:"from"`
	To    string        `json:"to"`
	Is    string        `json:"is"` // "closed", "ohms", "open"
	DC    boxOhmsObject `json:"dc_ohm"`
	Loads []string      `json:"through"`
	Do    bool          `json:"probe"` // on the sheet; the others follow from these
}

type wrongObject struct {
	Is       string          `json:"is"`
	DC       boxOhmsObject   `json:"dc_ohm"`
	Overlaps bool            `json:"overlaps_right"`
	Meanings []meaningObject `json:"meanings"`
}

type meaningObject struct {
	Equivalent string   `json:"equivalent"`
	Faults     []string `json:"faults"`
}

type boxPullObject struct {
	What     string   `json:"what"`
	RatedOhm *float64 `json:"rated_ohm"` // null where nothing is left
	Plays    []string `json:"still_plays"`
	Grade    *string  `json:"grade"` // null where no amplifier is given
	Safe     *bool    `json:"safe"`
}

func boxSheetJSON(s box.Sheet, cabs loads.Set) boxSheetObject {
	o := boxSheetObject{
		Hookup: s.Tree.String(), RatedOhm: s.RatedOhm, Metal: s.Boxes[0].Metal,
		HoleMM: box.BushHole * 1e3, PitchMM: s.Pitch * 1e3, AWG: s.AWG,
		DC: boxOhms(s.Reading.Right), Wrong: []wrongObject{}, Same: append([]string{}, s.Reading.Same...), Warnings: cabs.Warnings, Dead: hookup.Suspected(cabs.Loads),
	}
	if s.Shoulder > 0 {
		hole := s.Shoulder * 1e3
		o.WasherMM = &hole
	}
	if s.On != nil {
		grade := s.On.Grade.String()
		o.TapOhm, o.Grade, o.Safe = &s.On.TapOhm, &grade, &s.On.Safe
	}
	for _, load := range s.Tree.Leaves() {
		o.Loads = append(o.Loads, boxLoadObject{load, s.Plan.RatedOhm(load), boxOhms(s.Plan.DC(load))})
	}
	probed := map[[4]any]bool{}
	key := func(r box.Row) [4]any { return [4]any{r.Box, r.Plugs, r.From, r.To} }
	for _, r := range s.Folded {
		probed[key(r)] = true
	}
	for _, p := range s.Parts {
		b := boxObject{Number: p.Number, Kind: boxKind(p.Kind), Hookup: p.Tree.String(), RatedOhm: p.RatedOhm, Washers: p.Washers, WireM: p.Metre, AddedOhm: p.AddedOhm, Lost: p.Lost, Shorted: append([]string{}, p.Shorted...)}
		for _, j := range p.Jacks {
			b.Jacks = append(b.Jacks, boxJackObject{j.Label, j.Insulated})
		}
		for _, c := range p.Cuts {
			b.Wires = append(b.Wires, boxWireObject{c.From.String(), c.To.String(), c.Metre, c.Ohm})
		}
		for _, r := range s.Rows {
			if r.Box == p.Number {
				b.Continuity = append(b.Continuity, continuityObject{r.Plugs.String(), r.From.String(), r.To.String(), contactWord(r.Contact), boxOhms(r.Ohms), append([]string{}, r.Carries...), probed[key(r)]})
			}
		}
		o.Boxes = append(o.Boxes, b)
	}
	for _, w := range s.Reading.Wrong {
		wrong := wrongObject{Is: contactWord(w.Contact), DC: boxOhms(w.Ohms), Overlaps: w.Overlaps}
		for _, m := range w.Meanings {
			wrong.Meanings = append(wrong.Meanings, meaningObject(m))
		}
		o.Wrong = append(o.Wrong, wrong)
	}
	for _, p := range s.Pulls {
		pull := boxPullObject{What: p.What, Plays: append([]string{}, p.Leaves.Loads...)}
		if !math.IsInf(p.RatedOhm, 1) {
			pull.RatedOhm = &p.RatedOhm
		}
		if p.On != nil {
			grade := p.On.Grade.String()
			pull.Grade, pull.Safe = &grade, &p.On.Safe
		}
		o.Pulls = append(o.Pulls, pull)
	}
	return o
}

func boxKind(k hookup.Kind) string {
	if k == hookup.Series {
		return "series"
	}
	return "parallel"
}

func boxOhms(v box.Ohms) boxOhmsObject {
	o := boxOhmsObject{Practice: v.Practice}
	if !math.IsInf(v.Ohm, 1) {
		o.Low, o.Ohm, o.High = &v.Low, &v.Ohm, &v.High
	}
	return o
}

func contactWord(c netlist.Contact) string {
	switch c {
	case netlist.Joined:
		return "closed"
	case netlist.Apart:
		return "open"
	}
	return "ohms"
}
