package report

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/fixtures/jig"
	"tapload/fixtures/job/findings"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/signal"
	"tapload/plot"
)

// Job is the sheet of a job: the customer's page, then the bench record, made by
// a version of the program. The job's reference and whether its data are invented
// are put into the imprint.
func Job(f findings.Findings, by Imprint, program string) Document {
	r := jobPage{f}
	by.Job, by.Invented = r.Job.Reference, by.Invented || r.invented()
	d := Document{Title: "Job " + r.Job.Reference, Lead: r.Answer(), Imprint: by}
	d.Sections = append(d.Sections, r.asked(), r.loadsInWords())
	if r.Tree != nil {
		d.Sections = append(d.Sections, r.plugging())
	}
	d.Sections = append(d.Sections, r.safety())
	if len(r.Drivers) > 0 {
		d.Sections = append(d.Sections, r.driversInWords())
	}
	d.add(Blanks{"tested and explained by", "received by, date"})
	for i := range d.Sections {
		d.Sections[i].Large = true
	}
	d.Sections = append(d.Sections, Section{Heading: "Bench record", NewPage: true, Pieces: []Piece{Words(
		"What follows is for the workshop. An uncertainty (±) is k = 2: about 95 of 100 such intervals hold the value. " + safeMeans)}}, r.warned(), r.instruments(program))
	d.Sections = slices.Concat(d.Sections, r.measured(), r.onAmplifier(), r.boxes(), r.proved(), r.compared())
	return d
}

type jobPage struct{ findings.Findings }

// invented tells whether anything on the sheet was never measured.
func (r jobPage) invented() bool {
	for _, c := range r.Cabinets {
		if c.Load.Invented {
			return true
		}
	}
	for _, p := range r.Proofs {
		if p.Record.Invented() {
			return true
		}
	}
	for _, d := range r.Drivers {
		if d.Sides[0].Invented() || d.Sides[1].Invented() {
			return true
		}
	}
	return record.Invented(r.Job.Reference)
}

// Charts stand beside a table, so that two cabinets or proofs stand on a page.
const (
	besidePart                 = 0.6
	besideWideMM, besideHighMM = 110, 50
	cabinetHighMM              = 62 // of a chart with taps beside it
	changesPart, changesWideMM = 0.39, 72
)

// measured is each cabinet by itself.
func (r jobPage) measured() []Section {
	var all []Section
	for _, c := range r.Cabinets {
		s := Section{Heading: capital(target(box.Jack{Load: c.Label})), Whole: true}
		if c.Notes != "" {
			s.Pieces = append(s.Pieces, Words(sentence(c.Notes)))
		}
		switch {
		case c.Cabinet.Record == "":
			s.Pieces = append(s.Pieces, Words(fmt.Sprintf("Known by its rating of %s ohm alone; a label is no measurement.", quantity.Ohms(c.Load.RatedOhm))))
		case c.Record == nil:
			s.Pieces = append(s.Pieces, Words(fmt.Sprintf("Counts as %s ohm, by the fit kept in %s.", quantity.Ohms(c.Load.RatedOhm), c.Cabinet.Record)))
		default:
			s.Pieces = append(s.Pieces, cabinetPieces(c, r.Amplifier)...)
		}
		all = append(all, s)
	}
	return all
}

func cabinetPieces(c findings.Cabinet, a *amp.Amplifier) []Piece {
	chart := CurveChart(c.Label, *c.Record, c.Found)
	chart.WidthMM, chart.HeightMM = besideWideMM, cabinetHighMM
	if a != nil {
		chart.TapOhm, chart.LeastOhm = a.TapOhm, a.MinOhm
	}
	low, high := c.Record.Curve.Extremes()
	lowest, highest := measure.ExtremeAt(c.Record.Curve, low), measure.ExtremeAt(c.Record.Curve, high)
	picture := Figure{Picture: chart, Plain: fmt.Sprintf("(picture: |Z| from %s to %s)", extremeText(lowest), extremeText(highest))}
	if c.Found == nil {
		return []Piece{picture, Words(fmt.Sprintf("No loudspeaker fits the curve, which counts as %s ohm.", quantity.Ohms(c.Load.RatedOhm)))}
	}
	all := []Piece{Words(c.Found.Headline() + ".")}
	if c.Found.Dead != nil {
		all = append(all, Caution(capital(c.Found.Dead.Check)+"."))
	}
	said := pieces(Fit(*c.Found), "Models tried", "What might read so")
	known := Table{}
	if ohm := c.Overrules(); ohm > 0 {
		text := quantity.Ohms(ohm) + " ohm, which counts in place of what it measures as"
		if c.DecidedWhy != "" {
			text += ": " + c.DecidedWhy
		}
		known.add("decided", text)
	}
	if c.MarkedOhm > 0 {
		known.add("label", quantity.Ohms(c.MarkedOhm)+" ohm")
	}
	if c.Drivers > 0 {
		known.add("drivers", fmt.Sprint(c.Drivers))
	}
	if c.Serial != "" {
		known.add("serial number", c.Serial)
	}
	if c.DCOhm > 0 {
		known.add("DC meter", quantity.Plain(c.DCOhm)+" ohm")
	}
	right := said[:1:1]
	if c.Photo != nil {
		right = append(right, Photo{c.Photo.Format, c.Photo.Data, c.Label})
	}
	if len(known.Rows) > 0 {
		right = append(right, known)
	}
	if asked(*c.Found) {
		right = append(right, readsSo(*c.Found, 3)[:1]...)
	}
	return append(append(all, Beside{besidePart, []Piece{picture}, right}), said[1:]...)
}

// pieces are those of another page, but for its cautions, which the report gives
// once, and the sections of the headings that it leaves out.
func pieces(d Document, but ...string) (all []Piece) {
	for _, s := range d.whole() {
		if !slices.Contains(but, s.Heading) {
			all = append(all, slices.DeleteFunc(s.Pieces, given)...)
		}
	}
	return all
}

// given tells what the report gives once, in words of its own.
func given(p Piece) bool {
	_, is := p.(Caution)
	return is
}

// onAmplifier is the chosen hookup against the amplifier.
func (r jobPage) onAmplifier() []Section {
	s := Section{Heading: "The hookup on the amplifier"}
	if r.Hookup == nil {
		lack := "No hookup is chosen yet."
		if r.Job.Hookup != nil {
			lack = "No amplifier is named, so the hookup is held against none."
		}
		s.Pieces = append(s.Pieces, Words(lack))
		return []Section{s}
	}
	w := r.Hookup
	s.Pieces = append(s.Pieces, Words(w.Headline()+"."))
	said := pieces(Hookup(*w))
	if w.Measured {
		chart := HookupChart(*w)
		chart.WidthMM, chart.HeightMM = besideWideMM, cabinetHighMM
		picture := Figure{Picture: chart, Plain: fmt.Sprintf("(picture: |Z| from %s at %s to %s at %s)",
			w.Lowest.In("ohm"), quantity.Hz(w.LowestHz), w.Highest.In("ohm"), quantity.Hz(w.HighestHz))}
		said = append([]Piece{Beside{besidePart, []Piece{picture}, said[:2]}}, said[2:]...)
	}
	s.Pieces = append(s.Pieces, said...)
	if r.Others != nil {
		s.Pieces = append(s.Pieces, Words("All hookups of these cabinets: "+strings.TrimPrefix(r.Others.Headline(), amp.Doubts(r.Others.Loads)+"; ")+"."))
		s.Pieces = append(s.Pieces, pieces(Plan(*r.Others), "Sources")[1:]...) // the first says the loads, which stand above
	}
	return []Section{s}
}

// boxes are the sections of the build sheet, but for the caution that it begins
// with, which has been given.
func (r jobPage) boxes() []Section {
	if r.Sheet == nil || len(r.Sheet.Parts) == 0 {
		return nil
	}
	d := BoxSheet(*r.Sheet)
	first := &d.Sections[0]
	first.Heading = "Build sheet"
	p := boxPage{*r.Sheet}
	var used []string // in the order of the job
	for _, c := range r.Cabinets {
		if slices.Contains(r.Sheet.Set.Tree.Leaves(), c.Label) {
			used = append(used, c.Label)
		}
	}
	first.Pieces = []Piece{Words(d.Lead + ". " + string(p.sources())), p.plugs(used)} // page 1 has the picture
	for i := range d.Sections[1:] {
		d.Sections[1+i].Sub = true
	}
	return slices.DeleteFunc(d.Sections, func(s Section) bool {
		// The hookup's part says it of this amplifier; holes and labels are for the box's own sheet.
		return s.Heading == pulledHeading && r.Hookup != nil || s.Heading == labelsHeading || s.Heading == drillingHeading
	})
}

func (r jobPage) proved() []Section {
	if len(r.Proofs) == 0 {
		if r.Sheet == nil || len(r.Sheet.Parts) == 0 {
			return nil
		}
		return []Section{{Heading: "Proof of the boxes", Pieces: []Piece{Words("Nobody has measured through the finished boxes yet.")}}}
	}
	var all []Section
	var blind []string
	of := map[string][]string{} // the proofs that each is said of
	for _, p := range r.Proofs {
		page := BoxProof(p.Found)
		chart := ProofChart(p.Found)
		chart.WidthMM, chart.HeightMM = besideWideMM, besideHighMM
		picture := Figure{Picture: chart, Plain: "(picture: measured through the boxes, and what the cabinets make)"}
		s := Section{Heading: "Proof: " + p.Of.Label + ": " + p.Found.Verdict.String(), Whole: true}
		all = append(all, nested(s, page, p.Of.Notes, picture, besidePart, 3, blindHeading)...)
		for _, text := range page.under(blindHeading) {
			if text == polarity && len(r.boxes()) > 0 { // the build sheet says it
				continue
			}
			if of[text] == nil {
				blind = append(blind, text)
			}
			of[text] = append(of[text], p.Of.Label)
		}
	}
	slices.SortStableFunc(blind, func(a, b string) int { return len(of[b]) - len(of[a]) })
	points := make(Points, len(blind))
	for i, text := range blind {
		if points[i] = text; len(of[text]) < len(r.Proofs) {
			points[i] = quantity.List(of[text]) + ": " + text
		}
	}
	return append(all, Section{Heading: "What these proofs cannot show", Sub: true, Pieces: []Piece{points, Caution(unplug)}})
}

// under are the points that stand under a heading.
func (d Document) under(heading string) (all Points) {
	for _, s := range d.Sections {
		for _, p := range s.Pieces {
			if points, is := p.(Points); is && s.Heading == heading {
				all = append(all, points...)
			}
		}
	}
	return all
}

// nested is s with what a page says without a heading, as many pieces of it as are
// asked for beside its picture, and the page's other sections below it but for
// those of some headings. Cautions are given elsewhere.
func nested(s Section, page Document, notes string, picture Figure, part float64, beside int, but ...string) []Section {
	s.Pieces = append(s.Pieces, Words(page.Lead))
	if notes != "" {
		s.Pieces = append(s.Pieces, Words(sentence(notes)))
	}
	var body []Piece
	var subs []Section
	for _, sub := range page.whole() {
		sub.Pieces = slices.DeleteFunc(slices.Clone(sub.Pieces), given)
		switch {
		case len(sub.Pieces) == 0 || slices.Contains(but, sub.Heading):
		case sub.Heading == "":
			body = append(body, sub.Pieces...)
		default:
			sub.Heading, sub.Sub = capital(sub.Heading), true
			subs = append(subs, sub)
		}
	}
	beside = min(beside, len(body))
	s.Pieces = append(append(s.Pieces, Beside{part, []Piece{picture}, body[:beside]}), body[beside:]...)
	return append([]Section{s}, subs...)
}

func (r jobPage) compared() []Section {
	var all []Section
	for _, d := range r.Drivers {
		page := Compare(d.Comparison)
		chart := ChangeChart(d.Comparison)
		picture := Figure{Plain: "(picture: each change against its limits)", Picture: plot.Sized{
			Of: chart, WidthMM: changesWideMM, HeightMM: 17 + 5*float64(len(chart.Changes)), Points: 7}}
		s := Section{Heading: "Driver " + d.Label + ": " + d.Verdict.String()}
		all = append(all, nested(s, page, d.Notes, picture, changesPart, 1)...)
	}
	return all
}

// instruments says what was measured with what.
func (r jobPage) instruments(by string) Section {
	s := Section{Heading: "Instruments"}
	if r.Jig != nil {
		text := "Jig"
		if r.Jig.Name != "jig" {
			text += " " + r.Jig.Name
		}
		text += fmt.Sprintf(": sense resistor of %s ohm", quantity.Plain(r.Jig.SenseOhm))
		if r.Jig.Card != "" {
			text += ", on card " + r.Jig.Card
		}
		var standards []string
		for kind, one := range r.Jig.Standards {
			if one != nil {
				name := jig.Kind(kind).String()
				if one.Resistor.Ohm > 0 {
					name = quantity.Plain(one.Resistor.Ohm) + " ohm known to " + quantity.Digits(100*one.Resistor.Tolerance, 2) + " %"
				}
				standards = append(standards, name+" on "+one.Taken.Format("2006-01-02"))
			}
		}
		s.Pieces = append(s.Pieces, Words(text+"; calibrated with "+quantity.List(standards)+"."))
	} else {
		s.Pieces = append(s.Pieces, Words("The job names no calibration of the jig."))
	}
	t := Table{Head: []string{"record", "taken", "sense resistor", "signal"}}
	add := func(name string, rec record.Record) {
		corrected := "uncalibrated"
		if rec.Jig != nil {
			corrected = "calibrated"
		}
		ohm := "unknown"
		if rec.SenseOhm > 0 {
			ohm = quantity.Plain(rec.SenseOhm) + " ohm, " + corrected
		}
		t.add(name, rec.Taken.Format("2006-01-02 15:04"), ohm, signalWords(rec.Signal))
	}
	for _, c := range r.Cabinets {
		if c.Record != nil {
			add(c.Cabinet.Record, *c.Record)
		}
	}
	for _, p := range r.Proofs {
		add(p.Of.Seen, *p.Record)
	}
	for _, d := range r.Drivers {
		add(d.Driver.Before, *d.Sides[0].Record)
		add(d.Driver.After, *d.Sides[1].Record)
	}
	if len(t.Rows) > 0 {
		s.Pieces = append(s.Pieces, t)
	}
	s.Pieces = append(s.Pieces, Words(by+"."))
	return s
}

// sentence is s with a capital at its start and a stop at its end.
func sentence(s string) string {
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".?!") {
		return capital(s)
	}
	return capital(s) + "."
}

// capital begins s as a sentence.
func capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[size:]
}

// signalWords says what a record was measured with.
func signalWords(law json.RawMessage) string {
	if len(law) == 0 {
		return "imported"
	}
	sig, err := signal.Decode(law)
	if err != nil {
		return "of another kind"
	}
	var samples int
	if p, ok := sig.(signal.Periodic); ok {
		samples = p.Frame().Len() // without making them
	} else {
		samples = len(sig.Samples())
	}
	seconds := math.Round(10*float64(samples)/float64(sig.Rate())) / 10
	kind := "program material"
	switch sig.(type) {
	case signal.Chirp:
		kind = "chirp"
	case signal.Multitone:
		kind = "multitone"
	case signal.Tones:
		kind = "stepped tones"
	}
	return fmt.Sprintf("%s of %s s at %d Hz", kind, quantity.Plain(seconds), sig.Rate())
}

func (r jobPage) warned() Section {
	s := Section{Pieces: []Piece{Words("Warnings: none.")}}
	all := warningTexts(r.Warnings)
	for _, p := range r.Proofs {
		for _, w := range p.Found.Warnings {
			all = append(all, "proof "+p.Of.Label+": "+w.Text)
		}
	}
	for _, d := range r.Drivers {
		for _, w := range d.Warnings {
			all = append(all, "driver "+d.Label+": "+w.Text)
		}
	}
	if len(all) > 0 {
		s = Section{Heading: "Warnings", Pieces: []Piece{Points(all)}}
	}
	return s
}

func warningTexts(all []impedance.Warning) []string {
	var texts []string
	for _, w := range all {
		if !slices.Contains(texts, w.Text) {
			texts = append(texts, w.Text)
		}
	}
	return texts
}

func ofWatts(w float64) string {
	if w == 0 {
		return ""
	}
	return ", " + quantity.Plain(w) + " W"
}
