package main

import (
	"fmt"
	"io"
	"strings"

	"tapload/fixtures/jig"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// extreme is the smallest or largest modulus of a curve.
type extreme struct {
	Ohm float64 `json:"ohm"`
	Hz  float64 `json:"hz"`
	U   float64 `json:"u"` // standard uncertainty (k = 1), ohm

	limit string // kind of the error that adds most to U
	edge  bool   // at an end of the measured band
}

func extremeAt(c impedance.Curve, i int) extreme {
	ohm, u := c.Modulus(i)
	kind, _, _ := strings.Cut(c.Budget(i)[0].ID, ":")
	return extreme{ohm, c.Points[i].Hz, u, kind, i == 0 || i == len(c.Points)-1}
}

// summary is what a sweep tells people and programs of its result.
type summary struct {
	Label    string             `json:"label"`
	File     string             `json:"file"`
	Min      extreme            `json:"z_min"`
	Max      extreme            `json:"z_max"`
	Limit    string             `json:"limit"`
	Warnings impedance.Warnings `json:"warnings"`
	Drive    *driveEntry        `json:"load_level,omitempty"`
	Bends    *record.Harmonics  `json:"distortion,omitempty"`
	Repeats  []repeatEntry      `json:"repeats,omitempty"`
	Budget   []budgetEntry      `json:"budget,omitempty"`

	dip, peak *extreme // the turns inside the band; nil where there is none
}

func summarize(r record.Record, path string) summary {
	low, high := r.Curve.Extremes()
	s := summary{
		Label: r.Label, File: path,
		Min: extremeAt(r.Curve, low), Max: extremeAt(r.Curve, high),
		Warnings: impedance.Warnings(r.Warnings),
	}
	dip, peak := r.Curve.Turns()
	turn := func(i int) *extreme {
		if i < 0 {
			return nil
		}
		e := extremeAt(r.Curve, i)
		return &e
	}
	s.dip, s.peak = turn(dip), turn(peak)
	s.Limit = limitText(s.Min.limit)
	if at := limitText(s.Max.limit); at != s.Limit {
		s.Limit = fmt.Sprintf("%s at the minimum, %s at the peak", s.Limit, at)
	}
	if d := r.Drive; d != nil {
		s.Drive = &driveEntry{RMSVolt: d.RMSVolt, PeakVolt: d.PeakVolt}
		if d.Watt > 0 {
			s.Drive.Watt = &d.Watt
		}
	}
	if r.Distortion != nil {
		s.Bends = r.Distortion.Harmonics()
	}
	return s
}

// driveEntry is the level at the load while it was heard.
type driveEntry struct {
	RMSVolt  float64  `json:"rms_volt"`
	PeakVolt float64  `json:"peak_volt"`
	Watt     *float64 `json:"watt"` // null where the curve does not cover what was played
}

func (d driveEntry) text() string {
	s := fmt.Sprintf("%s V rms, %s V peak at the load", quantity.Digits(d.RMSVolt, 3), quantity.Digits(d.PeakVolt, 3))
	if d.Watt != nil {
		s += fmt.Sprintf("; %s W", quantity.Digits(*d.Watt, 3))
	}
	return s
}

func limitText(kind string) string {
	switch kind {
	case "":
		return "noise"
	case jig.SenseResistor:
		return "tolerance of the sense resistor"
	case jig.KnownResistor:
		return "tolerance of the known resistor"
	case jig.ChannelGain, jig.ChannelPhase:
		return "mismatch of the inputs"
	case jig.Drift:
		return "drift while it was measured"
	}
	return kind
}

// print writes what a technician reads.
func (s summary) print(w io.Writer) {
	fmt.Fprintf(w, "record   %s: %s\n", s.File, s.Label)
	fmt.Fprintf(w, "minimum  %s\n", s.Min.text("dip", s.dip))
	fmt.Fprintf(w, "peak     %s\n", s.Max.text("hump", s.peak))
	if s.Drive != nil {
		fmt.Fprintf(w, "level    %s\n", s.Drive.text())
	}
	printHarmonics(w, s.Bends)
	fmt.Fprintf(w, "limit    %s (± is k = 2)\n", s.Limit)
	printRepeats(w, s.Repeats)
	printBudget(w, s.Budget)
}

// text writes e, and where e is only where the band ends, the turn inside it
// that people look for.
func (e extreme) text(turn string, inside *extreme) string {
	s := fmt.Sprintf("%s at %s", quantity.Of(e.Ohm, e.U).In("ohm"), quantity.Hz(e.Hz))
	if !e.edge {
		return s
	}
	s += " (band's end)"
	if inside != nil {
		s += fmt.Sprintf("; %s %s at %s", turn, quantity.Of(inside.Ohm, inside.U).In("ohm"), quantity.Hz(inside.Hz))
	}
	return s
}
