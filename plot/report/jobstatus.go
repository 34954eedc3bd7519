package report

import (
	"strings"
	"time"

	"tapload/fixtures/job"
	"tapload/fixtures/job/findings"
	"tapload/measure/quantity"
)

// JobStatus is the page of what a job has and lacks. The file is that of the job,
// and next the command that comes next.
func JobStatus(s findings.Status, file, next string) Document {
	j := s.Job
	called := strings.TrimSpace("Job " + j.Reference)
	d := Document{Title: called, Lead: called}
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
		if on := s.Cabinets.On[i]; on != nil && on.Record != nil && !on.Record.Taken.IsZero() && !strings.HasPrefix(cab.Record, job.Records+"/") {
			text += " of " + on.Record.Taken.Format(time.DateOnly)
		}
		if cab.Serial != "" {
			text += "; serial " + cab.Serial
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
	for i, p := range j.Proofs {
		row("proof", p.Label+": "+firstSentence(s.Proofs[i].Words))
		note(p.Seen)
		note(p.Notes)
	}
	for i, v := range j.Drivers {
		row("driver", v.Label+": "+firstSentence(s.Drivers[i].Words))
		note(strings.TrimSuffix(v.Before+", "+v.After, ", "))
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
	d.Sections = append(d.Sections, whole)
	if len(s.Earlier) > 0 {
		d.Sections = append(d.Sections, earlier(s.Earlier))
	}
	d.Sections = append(d.Sections, Section{Pieces: []Piece{Lines{"next       " + next}}})
	return d
}

// Swept is the page of a sweep whose record went into the job of a file, as what it
// is there: first what the job says of it, where it says something.
func Swept(sweep, answer Document, file, as string) Document {
	d := Document{Title: sweep.Title, Lead: sweep.Lead}
	rows := Table{Rows: [][]string{{"job", file + ": " + as}}}
	if answer.Lead == "" {
		d.Sections = append([]Section{{Pieces: []Piece{rows}}}, sweep.Sections...)
		return d
	}
	d.Lead = answer.Lead
	d.Sections = append(d.Sections, Section{Pieces: []Piece{rows}})
	d.Sections = append(d.Sections, answer.Sections...)
	first := sweep.Sections[0]
	first.Heading, first.Details = "The measurement", true
	d.Sections = append(append(d.Sections, first), sweep.Sections[1:]...)
	return d
}

// earlier lists measurements that a job keeps and names no more.
func earlier(all []job.Earlier) Section {
	t := Table{Head: []string{"earlier measurement", "taken", "file"}}
	for _, e := range all {
		taken := "not known"
		if e.Taken != nil {
			taken = e.Taken.Format("2006-01-02 15:04")
		}
		t.add(e.Label, taken, e.File)
	}
	return Section{Heading: "Earlier measurements, kept", Details: true, Pieces: []Piece{t}}
}

// firstSentence is s as far as its first sentence goes, without the full stop.
func firstSentence(s string) string {
	first, _, _ := strings.Cut(s, ". ")
	return strings.TrimSuffix(first, ".")
}
