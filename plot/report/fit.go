package report

import (
	"fmt"
	"slices"
	"strings"

	"tapload/fit"
	"tapload/fit/identify"
	"tapload/measure/quantity"
	"tapload/plot"
)

// safeMeans is the rule by which a load is called safe on a tap.
const safeMeans = "Safe means that |Z| stays above 80 % of the tap (IEC 60268-5) from the lowest resonance up, and that neither rating nor lowest |Z| is above twice the tap (common practice, no source)."

// Fit is the page of a load: what it is, and what stands behind that.
func Fit(r identify.Result) Document {
	d := Document{Title: marked("What "+r.Name+" is", r.Record.Invented()), Lead: r.Headline()}
	main := Section{Pieces: []Piece{fitTable(r)}}
	if r.Fits() {
		main.Pieces = append(main.Pieces, resonanceTable("resonance", r.Load.Resonances))
	}
	main.Pieces = append(main.Pieces, before(r)...)
	d.Sections = append(d.Sections, main)
	if len(r.Constants) > 0 {
		d.Sections = append(d.Sections, constants(r)...)
	}
	if !r.Fits() {
		return d
	}
	if asked(r) && !r.Explain {
		d.Sections = append(d.Sections, Section{Brief: true, Pieces: readsSo(r, 3)[:1]})
	}
	d.Sections = append(d.Sections, Section{Heading: "What might read so", Details: !r.Explain, Pieces: readsSo(r, 6)})
	d.Sections = append(d.Sections,
		Section{Heading: "Coil and model", Details: true, Pieces: []Piece{modelTable(r)}},
		Section{Heading: "Models tried", Details: !r.Explain, Pieces: tried(r.Load)},
	)
	return d
}

// before is what to mind before a load is played through.
func before(r identify.Result) []Piece {
	switch {
	case r.Dead != nil:
		return []Piece{Caution("Before anything is played, " + r.Dead.Check + ".")}
	case r.Tap() > 0:
		return []Piece{Caution("The maker's instructions come first. " + safeMeans)}
	}
	return nil
}

// asked tells whether the cabinets that might read so stand on the page unasked:
// one whose driver is likely dead is in its first line.
func asked(r identify.Result) bool {
	return r.Dead == nil && (r.Known.Drivers > 0 || r.Known.MarkedOhm > 0 || r.Odd())
}

// fitTable is what is known of a load in numbers, but for its resonances.
func fitTable(r identify.Result) Table {
	t := Table{}
	switch {
	case !r.Fits():
		t.add("Re", "unknown: no loudspeaker fits")
	case r.Load.Pinned:
		t.add("Re", r.Load.Re.In("ohm")+", as given")
	default:
		t.add("Re", r.Load.Re.In("ohm")+"   (± is k = 2)")
	}
	t.add("minimum", r.Rating.MinOhm.In("ohm")+" at "+quantity.Hz(r.Rating.MinHz))
	t.add("peak", r.Rating.MaxOhm.In("ohm")+" at "+quantity.Hz(r.Rating.MaxHz))
	t.add("rating", r.Rating.Words())
	if len(r.Wirings) > 0 && r.Dead == nil && !asked(r) {
		var names []string
		for _, w := range r.Wirings {
			names = append(names, w.String())
		}
		if r.AsWell != nil {
			names = append(names, "or as well, with a dead driver: "+r.AsWell.String()+" (--drivers or --marked-ohm tells)")
		}
		t.add("could be", strings.Join(names, "; "))
	}
	return t
}

// resonanceTable has one row for each.
func resonanceTable(name string, all []fit.Resonance) Table {
	t := Table{Head: []string{name, "Qms", "Qes", "Qts", "Res, ohm"}}
	for _, r := range all {
		t.add(r.Hz.In("Hz"), r.Qms.In(""), r.Qes.In(""), r.Qts.In(""), r.Res.In(""))
	}
	return t
}

// modelTable is what the load is made of by its model, and how well that fits.
func modelTable(r identify.Result) Table {
	t := Table{}
	c := r.Load.Coil
	if c.Kind != fit.NoCoil && c.Kind != fit.Inductor {
		t.add("coil", c.LeAt1k.Times(1e3).In("mH")+" at 1 kHz")
	}
	t.add("coil", filled(c.Kind.Words(), c.Kind.Parameters(), c.Parameter))
	if s := r.Load.Suspension; s.Kind != fit.Spring {
		t.add("also", filled(s.Kind.Words(), s.Kind.Parameters(), s.Parameter))
	}
	if r.Load.Capacitor.Value > 0 {
		t.add("also", "a capacitor in series, "+r.Load.Capacitor.Times(1e6).In("uF"))
	}
	if r.Load.Pad.Value > 0 {
		t.add("also", "a resistance beside the driver, as an L-pad has: "+r.Load.Pad.In("ohm"))
	}
	switch n := len(r.Load.Wrinkles); n {
	case 0:
	case 1:
		t.add("also", "a wrinkle of coil and cone, no resonance of the load")
	default:
		t.add("also", fmt.Sprintf("%d wrinkles of coil and cone, no resonances of the load", n))
	}
	fits := fmt.Sprintf("%s; off by %s of |Z|", r.Load.Model, quantity.Rest(r.Load.Misfit))
	if r.Load.Crossover == fit.Split {
		fits += ", up to " + quantity.Hz(r.Load.HighHz)
	}
	t.add("model", fits)
	if r.KK != nil {
		t.add("Kramers-Kronig", "a test of whether any linear load could give the curve leaves "+quantity.Rest(r.KK.Percent/100))
	}
	for i := 1; i < len(t.Rows); i++ { // the first of a name names those below it
		if t.Rows[i][0] == t.Rows[i-1][0] {
			t.Rows[i][0] = ""
		}
	}
	return t
}

// filled fills in the parameters that stand in braces in words.
func filled(words string, names []string, of func(string) (*quantity.Value, string)) string {
	for _, name := range names {
		v, unit := of(name)
		text := v.In(unit)
		switch {
		case unit == "H" && 2*v.U > v.Value:
			text = "an inductance not determined"
		case unit == "ohm" && 2*v.U > v.Value:
			text = "a resistance not determined"
		case unit == "H":
			text = v.Times(1e3).In("mH")
		}
		words = strings.ReplaceAll(words, "{"+name+"}", text)
	}
	return words
}

// constants are the driver's, by the method that is right in any case, and
// behind that what else there is of them.
func constants(r identify.Result) []Section {
	by := func(c fit.Constants) Table {
		v := func(q quantity.Value, in float64, unit string) string { return q.Times(in).In(unit) }
		return Table{Caption: "Driver constants by " + c.Method.String(), Rows: [][]string{
			{"Mms", v(c.Mms, 1e3, "g"), "Bl", v(c.Bl, 1, "T m")},
			{"Cms", v(c.Cms, 1e3, "mm/N"), "Vas", v(c.Vas, 1e3, "l")},
			{"Rms", v(c.Rms, 1, "N s/m"), "Sd", v(c.Sd, 1e4, "cm2")},
			{"1 W, 1 m", v(c.Sensitivity, 1, "dB"), "2.83 V, 1 m", v(c.At283V, 1, "dB")},
			{"efficiency", v(c.Efficiency, 100, "%"), "", ""},
		}}
	}
	behind := Section{Heading: "What the constants stand on", Details: true}
	for _, c := range r.Constants[1:] {
		behind.Pieces = append(behind.Pieces, by(c))
	}
	share := func(q quantity.Value) string { return quantity.Digits(100*q.U/q.Value, 2) + " %" }
	added := "the mass to " + share(r.Added.Mass)
	if r.Added.Volume.Value > 0 {
		added = "the volume to " + share(r.Added.Volume)
	}
	behind.Pieces = append(behind.Pieces, Words(fmt.Sprintf("Taken as known: %s and the diameter to %s, one standard uncertainty each, and room air.", added, share(r.Added.Diameter))))
	return []Section{{Pieces: []Piece{by(r.Constants[0])}}, behind}
}

// tried are the models that were tried, best first.
func tried(load fit.Result) []Piece {
	t := Table{Head: []string{"model", "parameters", "off by", "criterion"}}
	unsettled := 0
	for i, c := range load.Candidates {
		if c.Unsettled() {
			unsettled++
		}
		row := []string{c.Model.String(), fmt.Sprint(c.Parameters), "", ""}
		if c.Err != nil {
			row[2] = c.Err.Error()
		} else {
			row[2], row[3] = strings.Replace(quantity.Rest(c.Misfit), "less than ", "< ", 1), fmt.Sprintf("%.1f", c.Criterion)
			if i == 0 {
				row[3] += ", chosen"
			}
		}
		t.Rows = append(t.Rows, row)
	}
	return []Piece{t, Words(fmt.Sprintf("%d models were tried, %d of them did not settle. The least criterion wins.", len(load.Candidates), unsettled))}
}

// readsSo are the likeliest cabinets that might read as the load does, and how to
// tell them apart.
func readsSo(r identify.Result, most int) []Piece {
	if r.Rating.AtMost() {
		return []Piece{Words("What might read so is told by Re and the lowest |Z| together, and the curve leaves out where that may lie: sweep the whole range.")}
	}
	if len(r.Could) == 0 {
		return []Piece{Words("No cabinet of equal drivers that is marked or filled like this, whole or with one dead, would read so: then the marking is wrong, or the drivers are not alike.")}
	}
	t := Table{Caption: "Rating, DC reading and lowest |Z| in ohm: common practice, no source.", Head: []string{"probability", "rated", "DC", "min", "what might read so"}}
	var checks Points
	for _, e := range r.Could[:min(most, len(r.Could))] {
		t.add(quantity.Probability(e.Probability), quantity.Ohms(e.Ohm), quantity.Digits(e.ReOhm, 3), quantity.Digits(e.MinOhm, 3), e.String())
		if check := "Check: " + e.Check; !slices.Contains(checks, check) {
			checks = append(checks, check)
		}
	}
	return []Piece{t, checks}
}

// FitChart is the curve of a load with its fit, or alone where it has none.
func FitChart(r identify.Result) plot.Drawable {
	if !r.Fits() {
		return CurveChart(r.Name, r.Record, &r)
	}
	return plot.FitChart{Title: marked(r.Title(), r.Record.Invented()), Curve: r.Record.Curve, Load: r.Load, Rating: r.Rating}
}
