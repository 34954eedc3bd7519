package report

import (
	"strings"
	"time"

	"tapload/fixtures/job/findings"
	"tapload/measure/quantity"
)

// JobStatus is the page of what a job has and lacks. The file is that of the job,
// and next the command that comes next.
func JobStatus(s findings.Status, file, next string) Document {
	j := s.Job
	d := Document{Title: "Job " + j.Reference, Lead: "Job " + j.Reference}
	if j.Asked != "" {
		d.Lead += ": " + j.Asked
	}
	missing := "nothing is missing"
	if len(s.Missing) > 0 {
		missing = "still missing: " + quantity.List(s.Missing)
	}
	d.Lead += "; " + missing
	if dead := s.Dead.Words(); dead != "" {
		d.Lead = dead + "; " + d.Lead
	}
	var with, without Table // notes
	row := func(name, text string) {
		with.add(name, text)
		without.add(name, text)
	}
	note := func(text string) {
		if text != "" {
			with.add("", text)
		}
	}
	row("file", file)
	if j.Amplifier != nil {
		row("amplifier", j.Amplifier.String())
	}
	if j.Jig != "" {
		row("jig", j.Jig)
	}
	for i, cab := range j.Cabinets {
		text := cab.Label + ": " + quantity.Ohms(s.Cabinets.Loads[i].RatedOhm) + " ohm"
		switch {
		case cab.Record == "":
			text += " as marked, not measured"
		case cab.Overrules() > 0:
			text += " as decided"
		default:
			text += " as measured"
		}
		text += ofWatts(cab.Watts)
		if cab.Record != "" {
			text += "; " + cab.Record
		}
		if on := s.Cabinets.On[i]; on != nil && on.Record != nil && !on.Record.Taken.IsZero() {
			text += " of " + on.Record.Taken.Format(time.DateOnly)
		}
		row("cabinet", text)
		note(cab.Notes)
	}
	if h := j.Hookup; h != nil {
		text := h.Formula
		if h.TapOhm > 0 {
			text += " on the " + quantity.Ohms(h.TapOhm) + " ohm tap"
		}
		row("hookup", text)
		note(h.Why)
	}
	for _, p := range j.Proofs {
		row("proof", p.Label+": "+p.Seen)
		note(p.Notes)
	}
	for _, v := range j.Drivers {
		row("driver", v.Label+": "+strings.Join([]string{v.Before, v.After}, ", "))
		note(v.Notes)
	}
	for _, text := range j.Notes {
		with.add("note", text)
	}
	const room = 16 // for rows on one screen
	whole := Section{Pieces: []Piece{with}}
	if len(with.Rows) > room && len(with.Rows) > len(without.Rows) {
		whole.Heading, whole.Details = "Notes", true
		d.Sections = append(d.Sections, Section{Brief: true, Pieces: []Piece{without}})
	}
	d.Sections = append(d.Sections, whole, Section{Pieces: []Piece{Lines{"next       " + next}}})
	return d
}
