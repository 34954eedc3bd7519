package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/plot"
)

// Hookup is the page of a hookup on its tap: how it suits, who gets how much, and
// what a pulled plug or a short does: as much of that as one screen has room for.
func Hookup(s amp.Assessment) Document {
	return onOneScreen(4, func(rows int) Document { return hookupPage(s, rows) })
}

// hookupPage has so many rows of what can go wrong before its details.
func hookupPage(s amp.Assessment, rows int) Document {
	shares := shareTable(s)
	allShares := len(shares.Rows) <= mostShares
	if !allShares {
		shares = mostDriven(s, shares)
	}
	worst, all := worstFailures(s, rows)
	d := Document{Title: marked("Hookup "+s.Tree.String(), hookup.Invented(s.Combined.Loads)), Lead: s.Headline(), Sections: []Section{
		{Pieces: []Piece{Words("With " + counts(s.Combined.Loads) + lowest(s) + source(s))}},
		{Pieces: []Piece{levelTable(s)}},
		{Pieces: []Piece{shares}, Brief: !allShares},
		{Pieces: []Piece{worst}, Brief: !all},
		{Pieces: []Piece{Caution(strings.Join(s.Cautions(), " "))}},
	}}
	if !allShares {
		d.Sections = append(d.Sections, Section{Heading: "All shares", Details: true, Pieces: []Piece{shareTable(s)}})
	}
	if !all {
		d.Sections = append(d.Sections, Section{Heading: "All that can go wrong", Details: true, Pieces: []Piece{
			allFailures(s), Words("With plain boxes, whose jacks do not switch; boxes are numbered from the amplifier."),
		}})
	}
	d.Sections = append(d.Sections,
		Section{Heading: "Volts and watts", Details: true, Pieces: []Piece{
			Words(s.Amplifier.Explain(s.Counts, s.TapOhm) + "."), driveTable(s),
		}},
		Section{Heading: "Sources", Details: true, Pieces: []Piece{Points(s.Amplifier.Basis())}})
	return d
}

// mostShares is how many rows of shares a page has before its details.
const mostShares = 4

// mostDriven keeps the rows of the loads that get most for what they are rated
// for, or where that is not known, most.
func mostDriven(s amp.Assessment, t Table) Table {
	order := make([]int, len(s.Parts))
	for i := range order {
		order[i] = i
	}
	strain := func(i int) float64 {
		p := s.Parts[i]
		if p.Load.Watts > 0 && p.Watts.Value > 0 {
			return p.Watts.Value / p.Load.Watts
		}
		return p.Share.Value
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(strain(j), strain(i)) })
	kept := order[:mostShares-1]
	slices.Sort(kept)
	some := Table{Head: t.Head}
	for _, i := range kept {
		some.Rows = append(some.Rows, t.Rows[i])
	}
	rest := make([]string, len(t.Head))
	rest[0] = fmt.Sprintf("%d more", len(s.Parts)-len(kept))
	some.Rows = append(some.Rows, rest)
	return some
}

// lowest says where the load is lowest, and what that counts as.
func lowest(s amp.Assessment) string {
	if !s.Measured {
		return ". Nothing is measured."
	}
	return fmt.Sprintf(". Lowest |Z| %s at %s, which counts as %s ohm (± is k = 2; %s to %s).", s.Lowest.In("ohm"), quantity.Hz(s.LowestHz),
		quantity.Digits(s.Lowest.Value/amp.MatchLow, 3), quantity.LimitHz(s.LowHz), quantity.LimitHz(s.HighHz))
}

// source says what a solid-state amplifier gives into the load.
func source(s amp.Assessment) string {
	if s.Amplifier.Kind != amp.SolidState || s.Amplifier.Watts == 0 {
		return ""
	}
	ohm, assumed := s.Amplifier.RatedInto()
	as := ""
	if assumed {
		as = " (assumed: its lowest load)"
	}
	d := s.Drive
	return fmt.Sprintf(" %s W into %s ohm%s is %s V, which gives %s W by rated ohms and up to %s A.",
		quantity.Plain(s.Amplifier.Watts), quantity.Ohms(ohm), as, quantity.Digits(d.Volt, 3), quantity.Digits(d.Watts, 3), quantity.Digits(d.Ampere(), 3))
}

// counts says what each load counts as, those alike together.
func counts(loads []hookup.Load) string {
	var kinds []string
	names := map[string][]string{}
	for _, l := range loads {
		kind := quantity.Ohms(l.RatedOhm) + " ohm"
		if l.Curve == nil {
			kind += " (rated only)"
		}
		if names[kind] == nil {
			kinds = append(kinds, kind)
		}
		names[kind] = append(names[kind], l.Name)
	}
	for i, kind := range kinds {
		kinds[i] = quantity.List(names[kind]) + " at " + kind
	}
	return strings.Join(kinds, ", ")
}

// levelTable holds the load against every tap.
func levelTable(s amp.Assessment) Table {
	row := func(name, rated, measured, verdict string) []string {
		if !s.Measured {
			return []string{name, rated, verdict}
		}
		return []string{name, rated, measured, verdict}
	}
	t := Table{Head: row("against", "by rated ohms", "lowest |Z|", "verdict")}
	for _, level := range s.Amplifier.Levels() {
		name := quantity.Ohms(level) + " ohm tap"
		if s.Amplifier.Kind == amp.SolidState {
			name = "lowest load, " + quantity.Ohms(level) + " ohm"
		}
		if level == s.TapOhm && len(s.Amplifier.Levels()) > 1 {
			name += ", in use"
		}
		ofIt := func(ohm float64) string { return quantity.Digits(ohm/level, 3) + " of it" }
		t.Rows = append(t.Rows, row(name, ofIt(s.RatedOhm), ofIt(s.Lowest.Value), s.VerdictOn(level)))
	}
	return t
}

// shareTable is what goes into each load.
func shareTable(s amp.Assessment) Table {
	known := slices.ContainsFunc(s.Parts, func(p amp.Part) bool { return p.Load.Watts > 0 })
	row := func(name, rated, measured, watts, own string) []string {
		r := []string{name, rated}
		if s.Measured {
			r = append(r, measured)
		}
		if s.Amplifier.Watts > 0 {
			r = append(r, watts)
		}
		if known {
			r = append(r, own)
		}
		return r
	}
	t := Table{Head: row("power into", "by rated ohms", "over the band", s.Amplifier.AtFull(), "rated for")}
	for _, p := range s.Parts {
		name := p.Load.Name
		if s.Measured && p.Load.Curve == nil {
			name += " (rated only)"
		}
		own := "not known"
		if p.Load.Watts > 0 {
			own = quantity.Plain(p.Load.Watts) + " W"
		}
		if p.Overdriven() {
			own += ": OVERDRIVEN"
		}
		t.Rows = append(t.Rows, row(name, quantity.Percent(p.RatedShare), p.Share.Times(100).In("%"), watts(p.Watts), own))
	}
	return t
}

func watts(v quantity.Value) string {
	if v.U > 0 {
		return v.In("W")
	}
	return quantity.Digits(v.Value, 3) + " W"
}

// allFailures is all that can go wrong, the worst first.
func allFailures(s amp.Assessment) Table {
	t := failureTable()
	for _, c := range s.Consequences() {
		t.Rows = append(t.Rows, []string{c.Left(), s.Judged(c.Grade, c.Suits, len(c.Overdriven) > 0), s.Text(c)})
	}
	return t
}

func failureTable() Table {
	return Table{Head: []string{"leaves", "grade", "what goes wrong, and who still plays"}}
}

// worstFailures is the worst of allFailures, with a few of the causes of each,
// and whether that is all.
func worstFailures(s amp.Assessment, most int) (t Table, all bool) {
	const mostCauses = 2
	t = failureTable()
	rows := s.Consequences()
	all = most >= len(rows)
	for _, c := range rows[:min(most, len(rows))] {
		if n := len(c.Causes); n > mostCauses {
			all = false
			c.Causes = append(slices.Clone(c.Causes[:mostCauses-1]), fmt.Sprintf("or %d more", n-mostCauses+1))
		}
		t.Rows = append(t.Rows, []string{c.Left(), s.Judged(c.Grade, c.Suits, len(c.Overdriven) > 0), s.Text(c)})
	}
	return t, all
}

// driveTable is what stands at the terminals, what the primary sees, and what an
// amplifier gives whose output resistance is known.
func driveTable(s amp.Assessment) Table {
	t := Table{}
	add := func(name, text string) { t.Rows = append(t.Rows, []string{name, text}) }
	if s.Measured {
		add("highest |Z|", s.Highest.In("ohm")+" at "+quantity.Hz(s.HighestHz))
	}
	if s.ReflectedOhm > 0 {
		text := quantity.Digits(s.ReflectedOhm, 4) + " ohm by rated ohms"
		if s.Measured {
			text += fmt.Sprintf(", %s ohm at the lowest |Z|", quantity.Digits(s.Amplifier.Reflect(s.Lowest.Value, s.TapOhm), 3))
		}
		add("primary sees", text)
	}
	if s.Amplifier.Watts > 0 {
		text := fmt.Sprintf("%s V and %s A by rated ohms", quantity.Digits(s.Drive.Volt, 3), quantity.Digits(s.Drive.Amp, 3))
		if s.Measured {
			text += fmt.Sprintf(", up to %s V and %s A rms at one frequency", quantity.Digits(s.Drive.MaxVolt, 3), quantity.Digits(s.Drive.MaxAmp, 3))
		}
		add(s.Amplifier.AtFull(), text)
	}
	if s.Lost > 0 {
		text := quantity.Digits(100*s.Lost, 2) + " % of the power"
		if w := s.Drive.Watts; w > 0 {
			text += ", " + quantity.Digits(s.Lost*w, 2) + " W"
		}
		add("lost in cables", text)
	}
	if f := s.Overdriven; f != nil {
		text := fmt.Sprintf("%s, when the amplifier gives %s", f.Load, watts(f.AmpWatts))
		if f.WorstHz > 0 {
			text += fmt.Sprintf("; a tone at %s does it with %s W", quantity.Hz(f.WorstHz), quantity.Digits(f.WorstW, 3))
		}
		add("first overdriven", text)
	}
	if s.Measured && slices.ContainsFunc(s.Parts, func(p amp.Part) bool { return p.Load.Curve == nil }) {
		add("rated only", "such a load counts as a resistance of its rating, on which the shares of all depend")
	}
	if ohm := s.Amplifier.OutputOhm; ohm == nil {
		add("output", "its resistance is not known, so nothing here depends on it")
	} else {
		add("output", fmt.Sprintf("%s ohm, a damping factor of %s on this tap", quantity.Digits(*ohm, 3), quantity.Digits(s.TapOhm / *ohm, 3)))
	}
	for i, text := range flatSignal(s) {
		name := "a flat signal"
		if i > 0 {
			name = ""
		}
		add(name, text)
	}
	return t
}

// flatSignal says what each load gets of a signal that has the same voltage at all
// frequencies.
func flatSignal(s amp.Assessment) (lines []string) {
	mean, ok := s.BandPower()
	if !ok {
		return nil
	}
	over, measured := s.Power()
	points := s.Combined.Curve.Points
	for k, p := range s.Parts {
		text := fmt.Sprintf("gives %s %s W", p.Load.Name, quantity.Digits(mean[k], 3))
		if measured {
			low, high := -1, -1
			for i, pt := range points {
				if !impedance.InBand(pt.Hz, s.LowHz, s.HighHz) {
					continue
				}
				if low < 0 || over[k][i] < over[k][low] {
					low = i
				}
				if high < 0 || over[k][i] > over[k][high] {
					high = i
				}
			}
			text += fmt.Sprintf(" in the mean, %s at %s to %s at %s",
				quantity.Digits(over[k][low], 3), quantity.Hz(points[low].Hz), quantity.Digits(over[k][high], 3), quantity.Hz(points[high].Hz))
		}
		lines = append(lines, text)
	}
	return lines
}

// HookupChart is the combined load against the taps, its loads behind it. It must
// be measured.
func HookupChart(s amp.Assessment) plot.ImpedanceChart {
	c := plot.ImpedanceChart{Title: marked(suiting(s), hookup.Invented(s.Combined.Loads)), TapOhm: s.Amplifier.TapOhm, LeastOhm: s.Amplifier.MinOhm}
	if s.Amplifier.Kind != amp.SolidState {
		c.InUseOhm = s.TapOhm
	}
	c.InUseLowHz, c.InUseHighHz = s.LowHz, s.HighHz
	c.Lowest, c.Highest = plot.Spot{Hz: s.LowestHz, Ohm: s.Lowest.Value}, plot.Spot{Hz: s.HighestHz, Ohm: s.Highest.Value}
	whole := s.Combined.Curve
	c.Traces = []plot.Trace{{Label: "the whole", Curve: whole}}
	for _, l := range s.Combined.Loads {
		own := plot.Trace{Label: l.Name}
		if l.Curve != nil {
			own.Curve = *l.Curve
		} else {
			own.Label += " (rated only)"
			for _, p := range whole.Points {
				own.Curve.Points = append(own.Curve.Points, impedance.Point{Hz: p.Hz, Z: complex(l.RatedOhm, 0)})
			}
		}
		if len(s.Combined.Loads) > 1 {
			c.Behind = append(c.Behind, own)
		}
	}
	return c
}

// ShareChart is each load's part of the power over frequency.
func ShareChart(s amp.Assessment) plot.ShareChart {
	c := plot.ShareChart{Title: marked("Power in "+s.Tree.String(), hookup.Invented(s.Combined.Loads)), Hz: s.Combined.Curve.Hz()}
	for k, p := range s.Parts {
		label := p.Load.Name
		if p.Load.Curve == nil {
			label += " (rated only)"
		}
		c.Shares = append(c.Shares, plot.Share{Label: label, Part: s.Combined.Share[k], U: s.Combined.U[k], Rated: p.RatedShare})
	}
	c.LowHz, c.HighHz = plot.UsualBand(s.Combined.Curve)
	return c
}
