package main

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"
	"unicode"
	"unicode/utf8"

	"tapload/fixtures/amp"
	"tapload/fixtures/jig"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/signal"
	"tapload/measure/verdict"
	"tapload/plot"
	"tapload/plot/report"
)

// document lays the findings out: the customer's page, then the bench record.
func (r jobFindings) document(now time.Time) (report.Document, error) {
	d := report.Document{Title: "Job " + r.job.Reference, Lead: r.answer()}
	d.Sections = append(d.Sections, r.asked(), r.loadsInWords())
	if r.sheet != nil {
		d.Sections = append(d.Sections, r.plugging())
	}
	d.Sections = append(d.Sections, r.safety())
	if len(r.drivers) > 0 {
		d.Sections = append(d.Sections, r.driversInWords())
	}
	record := report.Section{Heading: "Bench record", NewPage: true, Pieces: []report.Piece{report.Words(fmt.Sprintf(
		"What follows is for the workshop. An uncertainty (±) is k = 2: about 95 of 100 such intervals hold the value. Made on %s.", now.Format("2006-01-02")))}}
	d.Sections = append(d.Sections, record)
	for _, make := range []func() ([]report.Section, error){r.measured, r.onAmplifier, r.boxes, r.proved, r.compared} {
		s, err := make()
		if err != nil {
			return d, err
		}
		d.Sections = append(d.Sections, s...)
	}
	d.Sections = append(d.Sections, r.instruments(), r.warned())
	return d, nil
}

func (r jobFindings) asked() report.Section {
	s := report.Section{Heading: "What was asked"}
	asked := r.job.Asked
	if asked == "" {
		asked = "Nothing is noted."
	}
	s.Pieces = append(s.Pieces, report.Words(asked))
	if r.job.Amplifier != nil {
		s.Pieces = append(s.Pieces, report.Words("Amplifier: "+amplifierWords(*r.job.Amplifier)+"."))
	}
	if len(r.job.Notes) > 0 {
		s.Pieces = append(s.Pieces, report.Points(r.job.Notes))
	}
	return s
}

// loadsInWords is the customer's table of cabinets.
func (r jobFindings) loadsInWords() report.Section {
	s := report.Section{Heading: "Your cabinets"}
	if len(r.cabinets) == 0 {
		s.Pieces = append(s.Pieces, report.Words("None is noted yet."))
		return s
	}
	t := report.Table{Head: []string{"cabinet", "what it is", "its part of the power"}}
	for _, c := range r.cabinets {
		what := quantity.Ohms(c.ohm) + " ohm"
		switch {
		case c.Record == "":
			what += " as marked, not measured"
		case c.RatedOhm > 0:
			what += " as marked"
		default:
			what += ", measured"
		}
		if c.dead != nil {
			what += "; most likely one of its drivers is dead, which is to be checked"
		}
		t.Rows = append(t.Rows, []string{c.Label, what + ofWatts(c.Watts), r.partOf(c.Label)})
	}
	s.Pieces = append(s.Pieces, t)
	return s
}

// partOf says how much of the power a cabinet gets.
func (r jobFindings) partOf(label string) string {
	if r.whole == nil {
		return "not known yet"
	}
	for _, p := range r.whole.Parts {
		if p.Load.Name != label {
			continue
		}
		text := quantity.Percent(p.Share.Value)
		if r.amp.Watts > 0 {
			text += ", up to " + quantity.Digits(p.Watts.Value, 3) + " W"
		}
		if p.Overdriven() {
			text += ": TOO MUCH for it when the amplifier plays at full power"
		} else if p.Load.Watts > 0 && r.amp.Watts > 0 {
			text += ", which it can take"
		}
		return text
	}
	return "not in use"
}

func (r jobFindings) plugging() report.Section {
	s := report.Section{Heading: "How to plug it together"}
	s.Pieces = append(s.Pieces, report.Figure{
		Picture: plot.Schematic{Set: r.sheet.Set, RatedOhm: r.sheet.Plan.RatedOhm},
		Plain:   plot.SetText(r.sheet.Set, textColumns, func(load string) string { return quantity.Ohms(r.sheet.Plan.RatedOhm(load)) + " ohm" }),
	})
	if r.whole != nil && r.whole.Amplifier.Kind == amp.Valve {
		s.Pieces = append(s.Pieces, report.Words(fmt.Sprintf("Use the %s ohm tap of the amplifier, and no other.", quantity.Ohms(r.whole.TapOhm))))
	}
	if r.job.Hookup.Why != "" {
		s.Pieces = append(s.Pieces, report.Words("Why this one: "+r.job.Hookup.Why+"."))
	}
	return s
}

// The cautions are common practice, no source, but for the last.
func (r jobFindings) safety() report.Section {
	points := report.Points{
		"Switch the amplifier off before you plug or pull anything.",
		"Use the cabinets and boxes together as drawn; with one of them missing the amplifier sees another load.",
	}
	if r.amp == nil || r.amp.Kind == amp.Valve {
		points = append(points, "Never run a valve amplifier without its load: that CAN damage it, and it holds lethal voltage after it is switched off.")
	}
	return report.Section{Heading: "Keep it safe", Pieces: []report.Piece{points,
		report.Caution("The instructions of the amplifier's maker, local codes and licensed practice come before this sheet.")}}
}

func (r jobFindings) driversInWords() report.Section {
	t := report.Table{Head: []string{"driver", "result"}}
	for _, d := range r.drivers {
		text := map[verdict.Verdict]string{
			verdict.Pass: "Like before the work, within the limits.", verdict.Fail: "Not like before the work.",
			verdict.Undecided: "Not decided by this measurement.",
		}[d.Verdict]
		if c := d.Likeliest(); c != nil {
			text += " Most likely " + c.Words + "."
		}
		t.Rows = append(t.Rows, []string{d.Label, text})
	}
	return report.Section{Heading: "Reconed drivers", Pieces: []report.Piece{t}}
}

// figure is a chart on a page.
func figure(c interface {
	OnPage() (plot.PagePicture, error)
}, plain string) (report.Figure, error) {
	p, err := c.OnPage()
	return report.Figure{Picture: p, Plain: plain}, err
}

// Charts on a page are lower than by themselves.
const reportChartMM = 105

// measured is each cabinet by itself.
func (r jobFindings) measured() ([]report.Section, error) {
	var all []report.Section
	for i, c := range r.cabinets {
		// A chart and its table fill most of a sheet.
		s := report.Section{Heading: "Cabinet " + c.Label, NewPage: i > 0 && c.rec != nil}
		if c.Notes != "" {
			s.Pieces = append(s.Pieces, report.Words(c.Notes))
		}
		switch {
		case c.Record == "":
			s.Pieces = append(s.Pieces, report.Words(fmt.Sprintf("Known by its rating of %s ohm alone; a label is no measurement.", quantity.Ohms(c.ohm))))
		case c.rec == nil:
			s.Pieces = append(s.Pieces, report.Words(fmt.Sprintf("Counts as %s ohm, by the fit kept in %s.", quantity.Ohms(c.ohm), c.Record)))
		default:
			if err := c.pieces(&s, r.amp); err != nil {
				return nil, err
			}
		}
		all = append(all, s)
	}
	return all, nil
}

func (c cabinetFinding) pieces(s *report.Section, a *amp.Amplifier) error {
	chart := plot.ImpedanceChart{Title: c.Label, Traces: []plot.Trace{{Label: c.Label, Curve: c.rec.Curve}}, HeightMM: reportChartMM}
	if a != nil {
		chart.TapOhm, chart.LeastOhm = a.TapOhm, a.MinOhm
	}
	chart.LowHz, chart.HighHz = plot.UsualBand(c.rec.Curve)
	low, high := c.rec.Curve.Extremes()
	lowest, highest := extremeAt(c.rec.Curve, low), extremeAt(c.rec.Curve, high)
	f, err := figure(chart, fmt.Sprintf("(picture: |Z| from %s at %s to %s at %s)", quantity.Of(lowest.Ohm, lowest.U).In("ohm"), quantity.Hz(lowest.Hz), quantity.Of(highest.Ohm, highest.U).In("ohm"), quantity.Hz(highest.Hz)))
	if err != nil {
		return fmt.Errorf("cabinet %s: %w", c.Label, err)
	}
	s.Pieces = append(s.Pieces, f)
	if c.fit == nil {
		s.Pieces = append(s.Pieces, report.Words(fmt.Sprintf("No loudspeaker fits the curve, which counts as %s ohm.", quantity.Ohms(c.ohm))))
		return nil
	}
	s.Pieces = append(s.Pieces, report.Words(c.fit.Headline()+"."))
	if c.fit.Dead != nil {
		s.Pieces = append(s.Pieces, report.Caution(capital(c.fit.Dead.Check)+"."))
	}
	known := report.Table{}
	add := func(name, text string) { known.Rows = append(known.Rows, []string{name, text}) }
	if c.RatedOhm > 0 {
		add("marked", quantity.Ohms(c.RatedOhm)+" ohm, which counts")
	}
	if c.MarkedOhm > 0 {
		add("marked", quantity.Ohms(c.MarkedOhm)+" ohm, to find a dead driver")
	}
	if c.Drivers > 0 {
		add("drivers", fmt.Sprint(c.Drivers))
	}
	if c.DCOhm > 0 {
		add("DC meter", quantity.Plain(c.DCOhm)+" ohm")
	}
	if len(known.Rows) > 0 {
		s.Pieces = append(s.Pieces, known)
	}
	s.Pieces = append(s.Pieces, pieces(report.Fit(*c.fit), "Models tried", "What might read so")...)
	return nil
}

// pieces are those of another page, but for its cautions, which the report gives
// once, and the sections of the headings that it leaves out.
func pieces(d report.Document, but ...string) (all []report.Piece) {
	for _, s := range d.Sections {
		if !s.Brief && !slices.Contains(but, s.Heading) {
			all = append(all, slices.DeleteFunc(s.Pieces, given)...)
		}
	}
	return all
}

// given tells what the report gives once, in words of its own.
func given(p report.Piece) bool {
	_, is := p.(report.Caution)
	return is
}

// onAmplifier is the chosen hookup against the amplifier.
func (r jobFindings) onAmplifier() ([]report.Section, error) {
	s := report.Section{Heading: "The hookup on the amplifier", NewPage: r.whole != nil && r.whole.Measured}
	if r.whole == nil {
		lack := "No hookup is chosen yet."
		if r.job.Hookup != nil {
			lack = "No amplifier is named, so the hookup is held against none."
		}
		s.Pieces = append(s.Pieces, report.Words(lack))
		return []report.Section{s}, nil
	}
	w := r.whole
	s.Pieces = append(s.Pieces, report.Words(w.Headline()+"."))
	if w.Measured {
		chart := report.HookupChart(*w)
		chart.HeightMM = reportChartMM
		f, err := figure(chart, fmt.Sprintf("(picture: |Z| from %s at %s to %s at %s)",
			w.Lowest.In("ohm"), quantity.Hz(w.LowestHz), w.Highest.In("ohm"), quantity.Hz(w.HighestHz)))
		if err != nil {
			return nil, err
		}
		s.Pieces = append(s.Pieces, f)
	}
	s.Pieces = append(s.Pieces, pieces(report.Hookup(*w))...)
	if r.others != nil {
		s.Pieces = append(s.Pieces, report.Words("All hookups of these cabinets: "+r.others.Headline()+"."))
		s.Pieces = append(s.Pieces, pieces(report.Plan(*r.others), "Sources")...)
	}
	return []report.Section{s}, nil
}

// boxes are the sections of the build sheet, but for the caution that it begins
// with, which has been given.
func (r jobFindings) boxes() ([]report.Section, error) {
	if r.sheet == nil || len(r.sheet.Parts) == 0 {
		return nil, nil
	}
	d := report.BoxSheet(*r.sheet)
	first := &d.Sections[0]
	first.Heading, first.NewPage = "Build sheet", true
	first.Pieces = slices.Concat([]report.Piece{report.Words(d.Lead + ".")}, slices.DeleteFunc(first.Pieces, given))
	return d.Sections, nil
}

func (r jobFindings) proved() ([]report.Section, error) {
	if len(r.proofs) == 0 {
		if r.sheet == nil || len(r.sheet.Parts) == 0 {
			return nil, nil
		}
		return []report.Section{{Heading: "Proof of the boxes", Pieces: []report.Piece{report.Words("Nobody has measured through the finished boxes yet.")}}}, nil
	}
	var all []report.Section
	for _, p := range r.proofs {
		page := report.BoxProof(p.found)
		s := report.Section{Heading: "Proof: " + p.Label + ": " + p.found.Verdict.String(), NewPage: true}
		chart := proofChart(p.found)
		chart.HeightMM = reportChartMM
		f, err := figure(chart, "(picture: measured through the boxes, and what the cabinets make)")
		if err != nil {
			return nil, err
		}
		s.Pieces = append(s.Pieces, report.Words(page.Lead), f)
		all = append(append(all, s), page.Sections...)
		if p.Notes != "" {
			all = append(all, report.Section{Pieces: []report.Piece{report.Words(p.Notes)}})
		}
	}
	return all, nil
}

func (r jobFindings) compared() ([]report.Section, error) {
	var all []report.Section
	for _, d := range r.drivers {
		page := report.Compare(d.Comparison)
		first := report.Section{Heading: "Driver " + d.Label + ": " + d.Verdict.String(), NewPage: true}
		f, err := figure(report.ChangeChart(d.Comparison), "(picture: each change against its limits)")
		if err != nil {
			return nil, err
		}
		first.Pieces = append(first.Pieces, report.Words(page.Lead), f)
		all = append(all, first)
		all = append(all, page.Sections...)
		if d.Notes != "" {
			all = append(all, report.Section{Pieces: []report.Piece{report.Words(d.Notes)}})
		}
	}
	return all, nil
}

// instruments says what was measured with what.
func (r jobFindings) instruments() report.Section {
	s := report.Section{Heading: "Instruments"}
	if r.jig != nil {
		text := fmt.Sprintf("Jig %s: sense resistor of %s ohm", r.jig.Name, quantity.Plain(r.jig.SenseOhm))
		if r.jig.Card != "" {
			text += ", on card " + r.jig.Card
		}
		var standards []string
		for kind, one := range r.jig.Standards {
			if one != nil {
				name := jig.Kind(kind).String()
				if one.Resistor.Ohm > 0 {
					name = quantity.Plain(one.Resistor.Ohm) + " ohm known to " + quantity.Digits(100*one.Resistor.Tolerance, 2) + " %"
				}
				standards = append(standards, name+" on "+one.Taken.Format("2006-01-02"))
			}
		}
		s.Pieces = append(s.Pieces, report.Words(text+"; calibrated with "+quantity.List(standards)+"."))
	} else {
		s.Pieces = append(s.Pieces, report.Words("The job names no calibration of the jig."))
	}
	t := report.Table{Head: []string{"record", "taken", "sense resistor", "signal"}}
	add := func(name string, rec record.Record) {
		corrected := "uncalibrated"
		if rec.Jig != nil {
			corrected = "calibrated"
		}
		ohm := "unknown"
		if rec.SenseOhm > 0 {
			ohm = quantity.Plain(rec.SenseOhm) + " ohm, " + corrected
		}
		t.Rows = append(t.Rows, []string{name, rec.Taken.Format("2006-01-02 15:04"), ohm, signalWords(rec.Signal)})
	}
	for _, c := range r.cabinets {
		if c.rec != nil {
			add(c.Record, *c.rec)
		}
	}
	for _, p := range r.proofs {
		add(p.Proof.Seen, p.record)
	}
	for _, d := range r.drivers {
		add(d.Driver.Before, *d.sides[0].Record)
		add(d.Driver.After, *d.sides[1].Record)
	}
	if len(t.Rows) > 0 {
		s.Pieces = append(s.Pieces, t)
	}
	v := readVersion()
	s.Pieces = append(s.Pieces, report.Words(fmt.Sprintf("tapload %s, commit %s.", v.Version, v.Commit)))
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
		kind = chirp
	case signal.Multitone:
		kind = multitone
	case signal.Tones:
		kind = "stepped tones"
	}
	return fmt.Sprintf("%s of %s s at %d Hz", kind, quantity.Plain(seconds), sig.Rate())
}

func (r jobFindings) warned() report.Section {
	s := report.Section{Heading: "Warnings"}
	all := warningTexts(r.warnings)
	for _, p := range r.proofs {
		for _, w := range p.found.Warnings {
			all = append(all, "proof "+p.Label+": "+w.Text)
		}
	}
	for _, d := range r.drivers {
		for _, w := range d.Warnings {
			all = append(all, "driver "+d.Label+": "+w.Text)
		}
	}
	if len(all) == 0 {
		s.Pieces = append(s.Pieces, report.Words("None."))
		return s
	}
	s.Pieces = append(s.Pieces, report.Points(all))
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
