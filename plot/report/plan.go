package report

import (
	"fmt"
	"strings"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/fixtures/plan"
	"tapload/measure/quantity"
	"tapload/plot"
)

// Plan is the page of a search: the best hookups, as many as one screen has room
// for, and those not to be tried.
func Plan(r plan.Result) Document {
	return onOneScreen(3, func(rows int) Document { return planPage(r, rows) })
}

// planPage has so many hookups before its details.
func planPage(r plan.Result, rows int) Document {
	d := Document{Title: marked("Hookups of "+counts(r.Loads), hookup.Invented(r.Loads)), Lead: r.Headline()}
	with := "With " + counts(r.Loads)
	measured := false
	var good, avoid []plan.Choice
	for _, c := range r.Hookups {
		measured = measured || c.Measured
		if c.Avoid {
			avoid = append(avoid, c)
		} else {
			good = append(good, c)
		}
	}
	if measured {
		with += " (± is k = 2)"
	}
	first := Section{Pieces: []Piece{Words(with)}}
	if len(r.Advice) > 1 { // the first says that none is safe
		first.Pieces = append(first.Pieces, Points(r.Advice[1:]))
	}
	d.Sections = append(d.Sections, first)
	if n := min(rows, len(good)); n > 0 {
		d.Sections = append(d.Sections, Section{Pieces: []Piece{choices(good[:n], 1)}})
	}
	if len(avoid) > 0 {
		d.Sections = append(d.Sections, Section{Brief: true, Pieces: []Piece{avoided(avoid)}})
	}
	cautions := r.Amplifier.Cautions()
	if len(good) > 0 {
		cautions = good[0].Cautions()
	}
	d.Sections = append(d.Sections, Section{Pieces: []Piece{Caution(strings.Join(cautions, " "))}})
	if len(good) > rows {
		d.Sections = append(d.Sections, Section{Heading: "More hookups", Details: true, Pieces: []Piece{choices(good[rows:], rows+1)}})
	}
	if len(avoid) > 0 {
		t := Table{}
		for _, c := range avoid {
			t.Rows = append(t.Rows, []string{"-", onTap(c)}, []string{"", c.Why})
		}
		d.Sections = append(d.Sections, Section{Heading: "Not to be used", Details: true, Pieces: []Piece{t}})
	}
	d.Sections = append(d.Sections, Section{Heading: "Sources", Details: true, Pieces: []Piece{Points(r.Amplifier.Basis())}})
	return d
}

// choices are hookups by rank, from that of the first on.
func choices(all []plan.Choice, rank int) Table {
	t := Table{}
	for i, c := range all {
		t.Rows = append(t.Rows, []string{fmt.Sprintf("%d.", rank+i), onTap(c)}, []string{"", c.Why})
	}
	return t
}

// avoided are hookups that people try first but should not.
func avoided(all []plan.Choice) Table {
	const most = 3
	t := Table{Caption: "Do not use:"}
	for _, c := range all[max(0, len(all)-most):] { // the last are those that people try first
		t.Rows = append(t.Rows, []string{"-", fmt.Sprintf("%s, %s: %s", c.Tree, tapName(c.Assessment), c.Reason)})
	}
	return t
}

// onTap says in a line what a hookup is on its tap.
func onTap(c plan.Choice) string {
	text := fmt.Sprintf("%s, %s: %s", c.Tree, tapName(c.Assessment), c.Verdict())
	if over := c.Overdrives(); over != "" {
		text += ", but " + over
	}
	if c.Measured {
		return text + "; lowest |Z| " + c.Lowest.In("ohm")
	}
	return text + "; rated " + quantity.Ohms(c.RatedOhm) + " ohm"
}

func tapName(s amp.Assessment) string {
	if s.Amplifier.Kind == amp.SolidState {
		return quantity.Ohms(s.TapOhm) + " ohm or more"
	}
	return quantity.Ohms(s.TapOhm) + " ohm tap"
}

// PlanChart is the best hookups of a search over their taps.
func PlanChart(r plan.Result) plot.MatchChart {
	const most = 5
	title := "Hookups, best first"
	if len(r.Hookups) > 0 {
		title = "Best: " + suiting(r.Hookups[0].Assessment)
	}
	c := plot.MatchChart{Title: marked(title, hookup.Invented(r.Loads)), Least: r.Amplifier.Kind == amp.SolidState}
	for _, h := range r.Hookups {
		if len(c.Hookups) == most || h.Avoid && !r.Hookups[0].Avoid {
			break
		}
		c.Hookups = append(c.Hookups, plot.OnTap{Label: h.Tree.String() + ", " + tapName(h.Assessment), Curve: h.Combined.Curve, TapOhm: h.TapOhm})
	}
	if len(c.Hookups) > 0 {
		c.LowHz, c.HighHz = plot.UsualBand(c.Hookups[0].Curve)
	}
	return c
}
