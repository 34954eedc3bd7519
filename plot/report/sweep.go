package report

import (
	"fmt"
	"strings"

	"tapload/fit/identify"
	"tapload/measure"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// Sweep is the page of a sweep, or of a curve that was measured elsewhere, of
// which nothing is said but its extremes. budget is what makes up its
// uncertainty; it stands under details unless the summary was asked for it.
func Sweep(swept identify.Swept, budget []measure.BudgetAt) Document {
	s := swept.Summary
	low, high := s.Min, s.Max
	if low.Edge && s.Dip != nil {
		low = *s.Dip
	}
	if high.Edge && s.Peak != nil {
		high = *s.Peak
	}
	d := Document{
		Title: marked("Sweep: "+s.Label, s.Invented),
		Lead:  fmt.Sprintf("%s: lowest |Z| %s, highest %s", s.Label, extremeText(low), extremeText(high)),
	}
	var rows [][]string
	if r := swept.Load; r != nil {
		d.Lead = r.Headline()
		rows = [][]string{{"lowest |Z|", extremeText(low)}, {"highest |Z|", extremeText(high)}}
		if r.AsWell != nil {
			rows = append(rows, []string{"reads so too", r.AsWell.String() + "; --drivers or --marked-ohm of \"tapload fit\" tells"})
		}
	}
	rows = append(rows, []string{"record", s.File}, []string{"limited by", s.Limit + " (± is k = 2)"})
	var ends []string
	if low != s.Min {
		ends = append(ends, "down to "+extremeText(s.Min))
	}
	if high != s.Max {
		ends = append(ends, "up to "+extremeText(s.Max))
	}
	if ends != nil && swept.Load == nil {
		rows = append(rows, []string{"band's end", quantity.List(ends)})
	}
	if v := s.Drive; v != nil {
		text := fmt.Sprintf("%s V rms and %s V peak at the load", quantity.Digits(v.RMSVolt, 3), quantity.Digits(v.PeakVolt, 3))
		if v.Watt > 0 {
			text += fmt.Sprintf(", %s W", quantity.Digits(v.Watt, 3))
		}
		rows = append(rows, []string{"level", text})
	}
	if s.Distortion != nil {
		rows = append(rows, distortionRows(*s.Distortion)...)
	}
	d.add(Table{Rows: rows})
	if swept.Load != nil {
		d.add(before(*swept.Load)...)
		if ends != nil {
			d.behind("At the ends of the band", Words(quantity.List(ends)+"."))
		}
	}
	if len(s.Repeats) > 0 {
		d.Sections = append(d.Sections, Section{Heading: "Sweep after sweep", Details: len(s.Repeats) > mostRepeats, Pieces: []Piece{repeatTable(s.Repeats)}})
	}
	if budget != nil {
		d.Sections = append(d.Sections, Section{Heading: "What limits it", Details: s.Budget == nil, Pieces: budgetPieces(budget)})
	}
	return d
}

// mostRepeats is how many sweeps a screen has room for.
const mostRepeats = 12

func extremeText(e measure.Extreme) string {
	return fmt.Sprintf("%s at %s", quantity.Of(e.Ohm, e.U).In("ohm"), quantity.Hz(e.Hz))
}

// distortionRows are the highest two orders, and whether something scrapes.
func distortionRows(d record.Harmonics) [][]string {
	text := "none of the current stands clear of the noise"
	var loudest []string
	for _, o := range d.Loudest() {
		loudest = append(loudest, fmt.Sprintf("order %d at most %.0f dB, at %s", o.Order, o.LevelDB, quantity.Hz(o.Hz)))
	}
	if n := min(2, len(loudest)); n > 0 {
		text = strings.Join(loudest[:n], "; ")
	}
	scrapes := "no sign of it at this level"
	if s := d.Scrapes; s != nil {
		scrapes = fmt.Sprintf("high orders of %.0f dB at %s, where noise has %.0f dB: a scraping coil, something loose, or an amplifier that clips", s.LevelDB, quantity.Hz(s.Hz), s.FloorDB)
	}
	return [][]string{{"harmonics", text}, {"scraping", scrapes}}
}

func repeatTable(repeats []measure.Repeat) Table {
	t := Table{Head: []string{"sweep", "after", "|Z| at the low end", "change since the first"}}
	for i, r := range repeats {
		change := "-"
		if i > 0 {
			change = quantity.Of(100*r.Change, 100*r.ChangeU).Change("%", 0)
		}
		t.add(fmt.Sprint(i+1), fmt.Sprintf("%.1f min", r.Seconds/60), quantity.Digits(r.LowOhm, 4)+" ohm", change)
	}
	return t
}

func budgetPieces(budget []measure.BudgetAt) []Piece {
	places := map[string]string{"minimum": "At the minimum", "low-end": "At the low end, where Re is read", "peak": "At the peak"}
	var pieces []Piece
	for _, b := range budget {
		t := Table{Caption: fmt.Sprintf("%s, %s at %s:", places[b.At], quantity.Of(b.Ohm, b.U).In("ohm"), quantity.Hz(b.Hz))}
		for _, p := range b.Parts {
			t.add(fmt.Sprintf("%.1f %%", p.Percent), "± "+quantity.Digits(2*p.U, 2)+" ohm", measure.SourceText(p.Source))
		}
		if first := b.Parts[0]; first.Advice != "" && first.U > 0 {
			t.add("to do", "", first.Advice)
		}
		pieces = append(pieces, t)
	}
	return pieces
}
