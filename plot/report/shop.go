package report

import (
	"fmt"
	"time"

	"tapload/fixtures/job/shop"
	"tapload/measure/quantity"
)

// Shop is the page of the jobs below a folder, or of what is like a measurement.
func Shop(s shop.Shop) Document {
	d := Document{Title: "Jobs in " + s.Folder, Lead: count(len(s.Jobs), "job", "jobs") + " with " + count(s.Cabinets(), "cabinet", "cabinets") + " in " + s.Folder}
	if s.Like == nil {
		d.Sections = append(d.Sections, shopJobs(s)...)
		return d
	}
	d.Title, d.Lead = "What is like "+s.Like.Record, s.Like.Answer
	if len(s.Like.Nearest) == 0 {
		return d
	}
	t := Table{Head: []string{"apart, %", "±", "which", "job", "what", "taken", "says"}}
	for _, n := range s.Like.Nearest {
		t.add(shop.Percent(n.Percent), shop.Percent(2*n.U), n.Label, n.Of(), n.Role.String(), day(n.Taken), n.Likely.String())
	}
	d.add(t, Words(fmt.Sprintf("Apart is the root mean square, over log frequency, of the ratio of both curves, in the band that both have; ± is what the measurements themselves are unsure of (k = 2). "+
		"One cabinet repeats to %d %% from day to day, as its coil is 5 K warmer or its resonance 2 %% elsewhere; up to four times that is of its kind: another of the same make, or this one after something was done to it (common practice, no source). A serial number says more.", shop.RepeatsPercent)))
	d.Sections = append(d.Sections, shopJobs(s)...)
	for i := range d.Sections[1:] {
		d.Sections[1+i].Details = true
	}
	return d
}

// What a screen has room for: jobs, and the labels of one.
const (
	mostJobs   = 12
	mostLabels = 5
)

func shopJobs(s shop.Shop) []Section {
	if len(s.Jobs) == 0 {
		return nil
	}
	short, long := Table{Head: []string{"measured", "job", "folder", "cabinets"}}, Table{Head: []string{"job", "which", "what", "taken", "lowest |Z|", "highest at"}}
	for i, j := range s.Jobs {
		var labels []string
		for n, m := range j.Measured {
			name := j.Reference
			if n > 0 {
				name = ""
			}
			lowest, peak := "", ""
			if m.Lowest != nil {
				lowest = quantity.Digits(m.Lowest.Ohm, 3) + " ohm"
			}
			if m.Resonant != nil {
				peak = quantity.Hz(*m.Resonant)
			}
			long.add(name, m.Label, m.Role.String(), day(m.Taken), lowest, peak)
			if m.Role == shop.Cabinet {
				labels = append(labels, m.Label)
			}
		}
		for _, label := range j.Rated {
			labels = append(labels, label+" (not measured)")
		}
		if more := len(labels) - mostLabels; more > 0 {
			labels = append(labels[:mostLabels], fmt.Sprint(more, " more"))
		}
		if i < mostJobs {
			short.add(day(j.Newest), j.Reference, j.Folder, quantity.List(labels))
		}
	}
	first := Section{Pieces: []Piece{short}}
	if more := len(s.Jobs) - mostJobs; more > 0 {
		first.Pieces = append(first.Pieces, Words(fmt.Sprintf("and %d more, older; --json lists them all", more)))
	}
	all := []Section{first}
	if len(long.Rows) > 0 {
		all = append(all, Section{Heading: "What was measured", Details: true, Pieces: []Piece{long}})
	}
	return all
}

func day(t *time.Time) string {
	if t == nil {
		return "never"
	}
	return t.Format(time.DateOnly)
}
