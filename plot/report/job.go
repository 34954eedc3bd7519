package report

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tapload/fixtures/amp"
	"tapload/fixtures/jig"
	"tapload/fixtures/job/findings"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/signal"
	"tapload/measure/verdict"
	"tapload/plot"
)

// Job is the sheet of a job: the customer's page, then the bench record, made by
// a version of the program.
func Job(f findings.Findings, made time.Time, by string) Document {
	r := jobPage{f}
	d := Document{Title: "Job " + r.Job.Reference, Lead: r.Answer()}
	d.Sections = append(d.Sections, r.asked(), r.loadsInWords())
	if r.Sheet != nil {
		d.Sections = append(d.Sections, r.plugging())
	}
	d.Sections = append(d.Sections, r.safety())
	if len(r.Drivers) > 0 {
		d.Sections = append(d.Sections, r.driversInWords())
	}
	record := Section{Heading: "Bench record", NewPage: true, Pieces: []Piece{Words(fmt.Sprintf(
		"What follows is for the workshop. An uncertainty (±) is k = 2: about 95 of 100 such intervals hold the value. %s Made on %s.", safeMeans, made.Format(time.DateOnly)))}}
	d.Sections = append(d.Sections, record)
	d.Sections = slices.Concat(d.Sections, r.measured(), r.onAmplifier(), r.boxes(), r.proved(), r.compared(), []Section{r.instruments(by), r.warned()})
	return d
}

type jobPage struct{ findings.Findings }

func (r jobPage) asked() Section {
	s := Section{Heading: "What was asked"}
	asked := r.Job.Asked
	if asked == "" {
		asked = "Nothing is noted."
	}
	s.Pieces = append(s.Pieces, Words(asked))
	if r.Job.Amplifier != nil {
		s.Pieces = append(s.Pieces, Words("Amplifier: "+r.Job.Amplifier.String()+"."))
	}
	if len(r.Job.Notes) > 0 {
		s.Pieces = append(s.Pieces, Points(r.Job.Notes))
	}
	return s
}

// loadsInWords is the customer's table of cabinets.
func (r jobPage) loadsInWords() Section {
	s := Section{Heading: "Your cabinets"}
	if len(r.Cabinets) == 0 {
		s.Pieces = append(s.Pieces, Words("None is noted yet."))
		return s
	}
	t := Table{Head: []string{"cabinet", "what it is", "its part of the power"}}
	for _, c := range r.Cabinets {
		what := quantity.Ohms(c.Load.RatedOhm) + " ohm"
		switch {
		case c.Cabinet.Record == "":
			what += " as marked, not measured"
		case c.Overrules() > 0:
			what += " as decided"
		default:
			what += ", measured"
		}
		if c.Load.Dead != nil {
			what += "; most likely one of its drivers is dead, which is to be checked"
		}
		t.add(c.Label, what+ofWatts(c.Watts), r.partOf(c.Label))
	}
	s.Pieces = append(s.Pieces, t)
	return s
}

// partOf says how much of the power a cabinet gets.
func (r jobPage) partOf(label string) string {
	if r.Hookup == nil {
		return "not known yet"
	}
	for _, p := range r.Hookup.Parts {
		if p.Load.Name != label {
			continue
		}
		text := quantity.Percent(p.Share.Value)
		if r.Amplifier.Watts > 0 {
			text += ", up to " + quantity.Digits(p.Watts.Value, 3) + " W"
		}
		if p.Overdriven() {
			text += ": TOO MUCH for it when the amplifier plays at full power"
		} else if p.Load.Watts > 0 && r.Amplifier.Watts > 0 {
			text += ", which it can take"
		}
		return text
	}
	return "not in use"
}

func (r jobPage) plugging() Section {
	s := Section{Heading: "How to plug it together"}
	s.Pieces = append(s.Pieces, Figure{
		Picture: plot.Schematic{Set: r.Sheet.Set, RatedOhm: r.Sheet.Plan.RatedOhm},
		Plain:   plot.SetText(r.Sheet.Set, textColumns, func(load string) string { return quantity.Ohms(r.Sheet.Plan.RatedOhm(load)) + " ohm" }),
	})
	if r.Hookup != nil && r.Hookup.Amplifier.Kind == amp.Valve {
		s.Pieces = append(s.Pieces, Words(fmt.Sprintf("Use the %s ohm tap of the amplifier, and no other.", quantity.Ohms(r.Hookup.TapOhm))))
	}
	if r.Job.Hookup.Why != "" {
		s.Pieces = append(s.Pieces, Words("Why this one: "+r.Job.Hookup.Why+"."))
	}
	return s
}

// safety is what the customer must know: what a plug does, and the cautions of
// the amplifier, or of a valve amplifier where nobody says which it is.
func (r jobPage) safety() Section {
	cautions := amp.Amplifier{}.Cautions()
	if r.Hookup != nil {
		cautions = r.Hookup.Cautions()
	} else if r.Amplifier != nil {
		cautions = r.Amplifier.Cautions()
	}
	return Section{Heading: "Keep it safe", Pieces: []Piece{
		Points{
			"Switch the amplifier off before you plug or pull anything.",
			"Use the cabinets and boxes together as drawn; with one of them missing the amplifier sees another load.",
		},
		Caution(strings.Join(append(cautions, "Local codes and licensed practice come first, too."), " ")),
	}}
}

func (r jobPage) driversInWords() Section {
	t := Table{Head: []string{"driver", "result"}}
	for _, d := range r.Drivers {
		text := map[verdict.Verdict]string{
			verdict.Pass: "Like before the work, within the limits.", verdict.Fail: "Not like before the work.",
			verdict.Undecided: "Not decided by this measurement.",
		}[d.Verdict]
		if c := d.Likeliest(); c != nil {
			text += " Most likely " + c.Words + "."
		}
		t.add(d.Label, text)
	}
	return Section{Heading: "Reconed drivers", Pieces: []Piece{t}}
}

// Charts on a page are lower than by themselves.
const reportChartMM = 105

// measured is each cabinet by itself.
func (r jobPage) measured() []Section {
	var all []Section
	for i, c := range r.Cabinets {
		// A chart and its table fill most of a sheet.
		s := Section{Heading: "Cabinet " + c.Label, NewPage: i > 0 && c.Record != nil}
		if c.Notes != "" {
			s.Pieces = append(s.Pieces, Words(c.Notes))
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
	chart.HeightMM = reportChartMM
	if a != nil {
		chart.TapOhm, chart.LeastOhm = a.TapOhm, a.MinOhm
	}
	low, high := c.Record.Curve.Extremes()
	lowest, highest := measure.ExtremeAt(c.Record.Curve, low), measure.ExtremeAt(c.Record.Curve, high)
	all := []Piece{Figure{chart, fmt.Sprintf("(picture: |Z| from %s to %s)", extremeText(lowest), extremeText(highest))}}
	if c.Found == nil {
		return append(all, Words(fmt.Sprintf("No loudspeaker fits the curve, which counts as %s ohm.", quantity.Ohms(c.Load.RatedOhm))))
	}
	all = append(all, Words(c.Found.Headline()+"."))
	if c.Found.Dead != nil {
		all = append(all, Caution(capital(c.Found.Dead.Check)+"."))
	}
	known := Table{}
	if ohm := c.Overrules(); ohm > 0 {
		text := quantity.Ohms(ohm) + " ohm, which counts in place of what it measures as"
		if c.DecidedWhy != "" {
			text += ": " + c.DecidedWhy
		}
		known.add("decided", text)
	}
	if c.MarkedOhm > 0 {
		known.add("marked", quantity.Ohms(c.MarkedOhm)+" ohm, to find a dead driver")
	}
	if c.Drivers > 0 {
		known.add("drivers", fmt.Sprint(c.Drivers))
	}
	if c.DCOhm > 0 {
		known.add("DC meter", quantity.Plain(c.DCOhm)+" ohm")
	}
	if len(known.Rows) > 0 {
		all = append(all, known)
	}
	return append(all, pieces(Fit(*c.Found), "Models tried", "What might read so")...)
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
	s := Section{Heading: "The hookup on the amplifier", NewPage: r.Hookup != nil && r.Hookup.Measured}
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
	if w.Measured {
		chart := HookupChart(*w)
		chart.HeightMM = reportChartMM
		s.Pieces = append(s.Pieces, Figure{chart, fmt.Sprintf("(picture: |Z| from %s at %s to %s at %s)",
			w.Lowest.In("ohm"), quantity.Hz(w.LowestHz), w.Highest.In("ohm"), quantity.Hz(w.HighestHz))})
	}
	s.Pieces = append(s.Pieces, pieces(Hookup(*w))...)
	if r.Others != nil {
		s.Pieces = append(s.Pieces, Words("All hookups of these cabinets: "+r.Others.Headline()+"."))
		s.Pieces = append(s.Pieces, pieces(Plan(*r.Others), "Sources")...)
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
	first.Heading, first.NewPage = "Build sheet", true
	first.Pieces = slices.Concat([]Piece{Words(d.Lead + ".")}, slices.DeleteFunc(first.Pieces, given))
	return d.Sections
}

func (r jobPage) proved() []Section {
	if len(r.Proofs) == 0 {
		if r.Sheet == nil || len(r.Sheet.Parts) == 0 {
			return nil
		}
		return []Section{{Heading: "Proof of the boxes", Pieces: []Piece{Words("Nobody has measured through the finished boxes yet.")}}}
	}
	var all []Section
	for _, p := range r.Proofs {
		page := BoxProof(p.Found)
		s := Section{Heading: "Proof: " + p.Of.Label + ": " + p.Found.Verdict.String(), NewPage: true}
		chart := ProofChart(p.Found)
		chart.HeightMM = reportChartMM
		s.Pieces = append(s.Pieces, Words(page.Lead), Figure{chart, "(picture: measured through the boxes, and what the cabinets make)"})
		all = append(append(all, s), page.Sections...)
		if p.Of.Notes != "" {
			all = append(all, Section{Pieces: []Piece{Words(p.Of.Notes)}})
		}
	}
	return all
}

func (r jobPage) compared() []Section {
	var all []Section
	for _, d := range r.Drivers {
		page := Compare(d.Comparison)
		first := Section{Heading: "Driver " + d.Label + ": " + d.Verdict.String(), NewPage: true}
		first.Pieces = append(first.Pieces, Words(page.Lead), Figure{ChangeChart(d.Comparison), "(picture: each change against its limits)"})
		all = append(all, first)
		all = append(all, page.Sections...)
		if d.Notes != "" {
			all = append(all, Section{Pieces: []Piece{Words(d.Notes)}})
		}
	}
	return all
}

// instruments says what was measured with what.
func (r jobPage) instruments(by string) Section {
	s := Section{Heading: "Instruments"}
	if r.Jig != nil {
		text := fmt.Sprintf("Jig %s: sense resistor of %s ohm", r.Jig.Name, quantity.Plain(r.Jig.SenseOhm))
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
	s := Section{Heading: "Warnings"}
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
	if len(all) == 0 {
		s.Pieces = append(s.Pieces, Words("None."))
		return s
	}
	s.Pieces = append(s.Pieces, Points(all))
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
