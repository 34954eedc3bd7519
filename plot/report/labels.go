package report

import (
	"bytes"
	"errors"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"tapload/fit/identify"
	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
	"tapload/fixtures/job/findings"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot"
)

// Labels are labels to stick on, on as many sheets of paper as they take.
type Labels struct {
	Labels []plot.Label `json:"labels"`
	Paper  Paper        `json:"-"`
	By     Imprint      `json:"-"`
}

// JobLabels are those of a job's cabinets and boxes.
func JobLabels(f findings.Findings, by Imprint, paper Paper) Labels {
	l := Labels{Paper: paper, By: by}
	for _, c := range f.Cabinets {
		l.Labels = append(l.Labels, cabinetLabel(c.Load, c.Found, c.Record, by))
	}
	if f.Sheet != nil {
		l.addBoxes(*f.Sheet)
	}
	return l
}

// CabinetLabels are those of loads: what was found of each and the record that it
// stands on, nil where there is none.
func CabinetLabels(loads []hookup.Load, found []*identify.Result, records []*record.Record, by Imprint, paper Paper) Labels {
	l := Labels{Paper: paper, By: by}
	for i, load := range loads {
		l.Labels = append(l.Labels, cabinetLabel(load, found[i], records[i], by))
	}
	return l
}

func (l *Labels) addBoxes(s box.Sheet) {
	p := boxPage{s}
	for _, b := range p.Parts {
		label := p.label(b)
		label.Foot = l.By.foot("labelled", l.By.Made)
		l.Labels = append(l.Labels, label)
	}
}

// cabinetLabel says what a cabinet is, and how well that is known.
func cabinetLabel(load hookup.Load, found *identify.Result, rec *record.Record, by Imprint) plot.Label {
	l := plot.Label{Name: load.Name, What: quantity.Ohms(load.RatedOhm) + " ohm" + ofWatts(load.Watts), Invented: load.Invented}
	switch {
	case rec == nil && found == nil:
		l.Lines = []string{"As marked; not measured."}
		l.Foot = by.foot("labelled", by.Made)
		return l
	case load.MeasuredOhm > 0 && load.MeasuredOhm != load.RatedOhm:
		l.Lines = append(l.Lines, "As decided; measured as "+quantity.Ohms(load.MeasuredOhm)+" ohm.")
	default:
		l.Lines = append(l.Lines, "Rated by measurement.")
	}
	if load.Dead != nil {
		l.Never = "CHECK EVERY DRIVER FIRST: one is most likely dead"
	}
	if found != nil {
		l.Lines = append(l.Lines, "Lowest |Z| "+found.Rating.MinOhm.In("ohm"), "at "+quantity.Hz(found.Rating.MinHz)+" (± is k = 2).")
		if found.Fits() {
			l.Lines = append(l.Lines, "Re "+found.Load.Re.In("ohm")+".")
			if main := found.Load.Main(); len(main) > 0 {
				l.Lines = append(l.Lines, "Resonance "+main[0].Hz.In("Hz")+".")
			}
		}
	}
	l.Foot = by.foot("measured", time.Time{})
	if rec != nil {
		l.Curve, l.Foot = rec.Curve, by.foot("measured", rec.Taken)
	}
	return l
}

// foot is when something was done and by whom, with a line to write on where that
// is not known.
func (m Imprint) foot(done string, at time.Time) string {
	day, by := "________", "____________"
	if !at.IsZero() {
		day = at.Format(time.DateOnly)
	}
	if m.By != "" {
		by = m.By
	}
	text := done + " " + day + " by " + by
	if m.Shop != "" {
		text += ", " + m.Shop
	}
	return text
}

// Sheets are the sheets of l, in the order of its labels.
func (l Labels) Sheets() []plot.LabelSheet {
	width, height := l.Paper.mm()
	columns, rows := plot.LabelGrid(width, height)
	var all []plot.LabelSheet
	for i := 0; i < len(l.Labels); i += columns * rows {
		all = append(all, plot.LabelSheet{Labels: l.Labels[i:min(i+columns*rows, len(l.Labels))], WidthMM: width, HeightMM: height})
	}
	return all
}

// PDF writes l at its size, a sheet a page. Nothing is written if there is an
// error.
func (l Labels) PDF(w io.Writer) error {
	width, height := l.Paper.points()
	doc := plot.NewPDF(width, height, "Labels")
	if m := l.By.Made; !m.IsZero() {
		doc.SetCreationDate(m)
		doc.SetModificationDate(m)
	}
	for _, sheet := range l.Sheets() {
		p, err := sheet.OnPage()
		if err != nil {
			return err
		}
		doc.AddPage()
		if err := p.Place(doc, 0, 0, 1); err != nil {
			return err
		}
	}
	return written(w, "PDF", doc.Output)
}

// written writes what make makes, in one piece.
func written(w io.Writer, what string, make func(io.Writer) error) error {
	var buf bytes.Buffer
	if err := make(&buf); err != nil {
		return fmt.Errorf("making the %s: %w", what, err)
	}
	if _, err := w.Write(buf.Bytes()); err != nil {
		return fmt.Errorf("writing the %s: %w", what, err)
	}
	return nil
}

// SVG writes l as one picture, which holds one sheet. Nothing is written if there
// is an error.
func (l Labels) SVG(w io.Writer) error {
	sheets := l.Sheets()
	if len(sheets) != 1 {
		return fmt.Errorf("%d labels take %d sheets, and an .svg holds one; write a .pdf or an .html", len(l.Labels), len(sheets))
	}
	return plot.Write(w, plot.SVG, sheets[0])
}

// HTML writes l as one file that prints at its size, a sheet a page. Nothing is
// written if there is an error.
func (l Labels) HTML(w io.Writer) error {
	var svgs []template.HTML
	for _, sheet := range l.Sheets() {
		svg, err := svgHTML(sheet)
		if err != nil {
			return err
		}
		svgs = append(svgs, svg)
	}
	if len(svgs) == 0 {
		return errors.New("there is no label to write")
	}
	return written(w, "HTML", func(w io.Writer) error {
		return labelsTemplate.Execute(w, struct {
			Paper  template.CSS
			Sheets []template.HTML
		}{template.CSS(l.Paper.String()), svgs})
	})
}

var labelsTemplate = template.Must(template.New("labels").Parse(strings.TrimSpace(`
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Labels</title>
<style>
body { margin: 0; background: #ddd; font: 1rem/1.4 "Liberation Sans", Arial, Helvetica, sans-serif; color: #1b1b1b; }
p { margin: 0; padding: .8rem 1rem; }
svg { display: block; margin: 0 auto 1rem; max-width: 100%; height: auto; background: #fff; }
@page { size: {{.Paper}}; margin: 0; }
@media print {
  p { display: none; }
  body { background: none; }
  svg { margin: 0; break-after: page; }
  svg:last-child { break-after: auto; }
}
</style>
</head>
<body>
<p>Print at 100 %, without margins and without fitting to the page; cut through the crosses.</p>
{{range .Sheets}}{{.}}
{{end}}</body>
</html>
`) + "\n"))

// Document is the page that says what was written.
func (l Labels) Document(files []string) Document {
	sheets := len(l.Sheets())
	d := Document{Title: "Labels", Lead: fmt.Sprintf("%s on %s", count(len(l.Labels), "label", "labels"), count(sheets, "sheet", "sheets"))}
	d.Lead += fmt.Sprintf(", each %g x %g mm: print at 100 %%, cut through the crosses", plot.LabelWideMM, plot.LabelHighMM)
	t := Table{Head: []string{"label", "what it is"}}
	for _, one := range l.Labels {
		t.add(one.Name, one.What)
	}
	const most = 12
	if len(t.Rows) > most {
		d.section(Section{Brief: true, Pieces: []Piece{Table{Head: t.Head, Rows: append(t.Rows[:most:most], []string{fmt.Sprintf("%d more", len(t.Rows)-most), ""})}}})
		d.behind("all labels", t)
	} else {
		d.add(t)
	}
	d.add(Table{Rows: [][]string{{"written", strings.Join(files, ", ")}}})
	return d
}
