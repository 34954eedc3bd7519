package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// print writes what a technician reads: the answer in words, then the numbers,
// then what can go wrong.
func (s assessed) print(w io.Writer) error {
	p := page{w: w}
	p.words(s.headline())
	p.words(s.amp.Explain(s.EffectiveOhm, s.TapOhm))
	p.words("with " + loadList(s.Combined.Loads))
	p.line("")
	s.loadTable(&p)
	p.line("")
	s.shareTable(&p)
	p.line("")
	s.failureTable(&p)
	p.line("")
	for _, c := range s.amp.Cautions() {
		p.under(2, "-", c)
	}
	return p.err
}

// loadList says what each load counts as, those alike together.
func loadList(loads []hookup.Load) string {
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
		kinds[i] = strings.Join(names[kind], ", ") + " " + kind
	}
	return strings.Join(kinds, "; ")
}

// onTap names where the load is.
func (s assessed) onTap() string {
	if s.amp.Kind == amp.SolidState {
		return fmt.Sprintf("against the lowest load of %s ohm", quantity.Ohms(s.TapOhm))
	}
	return fmt.Sprintf("on the %s ohm tap", quantity.Ohms(s.TapOhm))
}

// gradeWords is the grade in words.
func gradeWords(g amp.Grade, safe bool) string {
	switch {
	case safe && g != amp.Matched:
		return g.String() + ", safe"
	case safe:
		return g.String()
	}
	return strings.ToUpper(g.String()) + ", not safe"
}

// safe reports whether the hookup may be called so.
func (s assessed) safe() bool { return s.Safe && len(s.dead) == 0 }

// verdict is that of a grade; where a driver of a load may be dead, nothing is
// called safe.
func (s assessed) verdict(g amp.Grade, safe bool) string {
	if safe && len(s.dead) > 0 {
		return g.String()
	}
	return gradeWords(g, safe)
}

func (s assessed) headline() string {
	boxes := "no box to build"
	switch s.Boxes {
	case 0:
	case 1:
		boxes = "one box to build"
	default:
		boxes = fmt.Sprintf("%d boxes to build", s.Boxes)
	}
	text := fmt.Sprintf("%s %s: %s; %s", s.Tree, s.onTap(), s.verdict(s.Grade, s.Safe), boxes)
	if dead := s.dead.words(); dead != "" {
		text = dead + "; " + text
	}
	for _, part := range s.Parts {
		if overdriven(part) {
			text += fmt.Sprintf("; OVERDRIVES %s at %s W", part.Load.Name, quantity.Plain(s.amp.Watts))
		}
	}
	return text
}

// loadTable writes what the load is, by its ratings and as measured.
func (s assessed) loadTable(p *page) {
	const name, column = 14, 16
	row := func(title, rated, measured string) {
		p.under(name+column, fmt.Sprintf("%-*s%-*s", name, title, column, rated), measured)
	}
	measured := "nothing is measured"
	if s.Measured {
		measured = "as measured (± is k = 2)"
	}
	row("", "by rated ohms", measured)
	rated := quantity.Ohms(s.RatedOhm) + " ohm"
	if s.Measured {
		row("load", rated, fmt.Sprintf("lowest |Z| %s at %s, which counts as a load of %s ohm; highest %s at %s; all this from %s to %s",
			quantity.Of(s.Lowest.Value, s.Lowest.U).In("ohm"), quantity.Hz(s.LowestHz), quantity.Digits(s.Lowest.Value/amp.MatchLow, 3),
			quantity.Of(s.Highest.Value, s.Highest.U).In("ohm"), quantity.Hz(s.HighestHz), quantity.LimitHz(s.LowHz), quantity.LimitHz(s.HighHz)))
	} else {
		row("load", rated, "")
	}
	for _, level := range s.amp.Levels() {
		title := quantity.Ohms(level) + " ohm tap"
		if s.amp.Kind == amp.SolidState {
			title = "lowest " + quantity.Ohms(level)
		}
		ratio := fmt.Sprintf("%s of it", quantity.Digits(s.RatedOhm/level, 3))
		text := ""
		if s.Measured {
			text = fmt.Sprintf("lowest |Z| %s of it; ", quantity.Digits(s.Lowest.Value/level, 3))
		}
		text += s.verdict(s.amp.Grade(s.EffectiveOhm, level), s.amp.Safe(s.EffectiveOhm, level))
		if level == s.TapOhm && len(s.amp.Levels()) > 1 {
			text += "  <- in use"
		}
		row(title, ratio, text)
	}
	if s.ReflectedOhm > 0 {
		text := ""
		if s.Measured {
			text = fmt.Sprintf("%s ohm at the lowest |Z|", quantity.Digits(s.amp.Reflect(s.Lowest.Value, s.TapOhm), 3))
		}
		row("primary sees", quantity.Digits(s.ReflectedOhm, 4)+" ohm", text)
	}
	if s.amp.Watts > 0 {
		text := ""
		if s.Measured {
			text = fmt.Sprintf("up to %s V and %s A rms for %s W at one frequency", quantity.Digits(s.Drive.MaxVolt, 3), quantity.Digits(s.Drive.MaxAmp, 3), quantity.Plain(s.amp.Watts))
		}
		row("at "+quantity.Plain(s.amp.Watts)+" W", fmt.Sprintf("%s V, %s A", quantity.Digits(s.Drive.Volt, 3), quantity.Digits(s.Drive.Amp, 3)), text)
	}
	if s.amp.OutputOhm == nil {
		p.under(name, "output", "its resistance is not known, so nothing here depends on it")
	} else {
		p.under(name, "output", fmt.Sprintf("%s ohm, a damping factor of %s on this tap", quantity.Digits(*s.amp.OutputOhm, 3), quantity.Digits(s.TapOhm / *s.amp.OutputOhm, 3)))
	}
}

// shareTable writes what goes into each load.
func (s assessed) shareTable(p *page) {
	const width = len("share of the power") + 2
	head := fmt.Sprintf("%-*s%-9s", width, "share of the power", "by rated")
	if s.Measured {
		head += fmt.Sprintf("%-16s", "over the band")
	}
	if s.amp.Watts > 0 {
		head += fmt.Sprintf("%-17s", "at "+quantity.Plain(s.amp.Watts)+" W")
	}
	if s.wattsKnown() {
		head += "rated for"
	}
	p.line(head)
	for _, part := range s.Parts {
		line := fmt.Sprintf("%-*s%-9s", width, cutName(part.Load.Name, width-2), sharePercent(part.RatedShare, 0))
		if s.Measured {
			line += fmt.Sprintf("%-16s", sharePercent(part.Share.Value, part.Share.U))
		}
		if s.amp.Watts > 0 {
			line += fmt.Sprintf("%-17s", formatWatts(part.Watts))
		}
		switch {
		case part.Load.Watts == 0 && s.wattsKnown():
			line += "not known"
		case part.Load.Watts == 0:
		case overdriven(part):
			line += quantity.Plain(part.Load.Watts) + " W: OVERDRIVEN"
		default:
			line += quantity.Plain(part.Load.Watts) + " W"
		}
		p.line(line)
	}
	if s.Lost > 0 {
		line := fmt.Sprintf("%-*s%-9s", width, "lost in the cables", quantity.Digits(100*s.Lost, 2)+" %")
		if s.Measured {
			line = fmt.Sprintf("%-*s%-16s", width+9, "lost in the cables", quantity.Digits(100*s.Lost, 2)+" %")
		}
		if s.amp.Watts > 0 {
			line += quantity.Digits(s.Lost*s.amp.Watts, 2) + " W"
		}
		p.line(line)
	}
	if f := s.Overdriven; f != nil {
		text := fmt.Sprintf("%s, when the amplifier gives %s", f.Load, formatWatts(f.AmpWatts))
		if f.WorstHz > 0 {
			text += fmt.Sprintf("; a tone at %s does it with %s W", quantity.Hz(f.WorstHz), quantity.Digits(f.WorstW, 3))
		}
		p.under(width, "first overdriven", text)
	}
	for k, text := range s.driven() {
		name := ""
		if k == 0 {
			name = "a flat signal"
		}
		p.under(width, name, text)
	}
}

// overdriven tells whether a load gets more than its rating at the
// amplifier's rated power.
func overdriven(p amp.Part) bool {
	return p.Load.Watts > 0 && p.Watts.Value > p.Load.Watts*(1+1e-9)
}

func (s assessed) wattsKnown() bool {
	return slices.ContainsFunc(s.Parts, func(p amp.Part) bool { return p.Load.Watts > 0 })
}

// driven says what each load gets over frequency from an amplifier whose
// output resistance is known.
func (s assessed) driven() []string {
	mean, ok := s.BandPower(s.amp)
	if !ok {
		return nil
	}
	watts, measured := s.Power(s.amp)
	var out []string
	for k, part := range s.Parts {
		text := fmt.Sprintf("gives %s %s W", part.Load.Name, quantity.Digits(mean[k], 3))
		if measured {
			low, high := -1, -1
			for i, pt := range s.Combined.Curve.Points {
				if !impedance.InBand(pt.Hz, s.LowHz, s.HighHz) {
					continue
				}
				if low < 0 || watts[k][i] < watts[k][low] {
					low = i
				}
				if high < 0 || watts[k][i] > watts[k][high] {
					high = i
				}
			}
			text += fmt.Sprintf(" in the mean, %s at %s to %s at %s",
				quantity.Digits(watts[k][low], 3), quantity.Hz(s.Combined.Curve.Points[low].Hz),
				quantity.Digits(watts[k][high], 3), quantity.Hz(s.Combined.Curve.Points[high].Hz))
		}
		out = append(out, text)
	}
	return out
}

func formatWatts(v quantity.Value) string {
	if v.U > 0 {
		return quantity.Of(v.Value, v.U).In("W")
	}
	return quantity.Digits(v.Value, 3) + " W"
}

func sharePercent(part, u float64) string {
	if u > 0 {
		return quantity.Of(100*part, 100*u).In("%")
	}
	return quantity.Percent(part)
}

// cutName shortens a name in its middle to n characters.
func cutName(name string, n int) string {
	r := []rune(name)
	if len(r) <= n {
		return name
	}
	return string(r[:n/2-1]) + ".." + string(r[len(r)-(n-n/2-1):])
}

// failureRow is one or more failures that come to the same.
type failureRow struct {
	what []string
	of   amp.Failure
}

// failureRows are what can go wrong, what comes to the same in one row.
func (s assessed) failureRows() []failureRow {
	var rows []failureRow
	for _, f := range s.Failures {
		i := slices.IndexFunc(rows, func(o failureRow) bool {
			return o.of.Grade == f.Grade && o.of.Safe == f.Safe && (o.of.RatedOhm == f.RatedOhm || math.Abs(o.of.RatedOhm-f.RatedOhm) < 1e-9*f.RatedOhm) && slices.Equal(o.of.Plays, f.Plays)
		})
		if i < 0 {
			rows = append(rows, failureRow{of: f})
			i = len(rows) - 1
		}
		rows[i].what = append(rows[i].what, f.What)
	}
	return rows
}

// left is the load that a failure leaves.
func (o failureRow) left() string {
	switch {
	case math.IsInf(o.of.RatedOhm, 1):
		return "no load"
	case o.of.RatedOhm == 0:
		return "0 ohm"
	}
	return quantity.Ohms(o.of.RatedOhm) + " ohm"
}

// text says what fails, and who of all still plays.
func (o failureRow) text(all int) string {
	text := strings.Join(o.what, ", ") + ": "
	switch {
	case len(o.of.Plays) == 0:
		text += "nothing plays"
	case o.of.Alone:
		text += o.of.Plays[0] + " plays alone, with all the power"
	case len(o.of.Plays) == all:
		text += "all play"
	default:
		text += strings.Join(o.of.Plays, ", ") + " play"
	}
	if len(o.of.Overdriven) > 0 {
		text += "; OVERDRIVEN: " + strings.Join(o.of.Overdriven, ", ")
	}
	return text
}

// failureTable writes what can go wrong.
func (s assessed) failureTable(p *page) {
	const ohms, grade = 11, 19
	p.line(fmt.Sprintf("%-*s%-*s%s", ohms, "leaves", grade, "grade", "what goes wrong, and who still plays"))
	for _, o := range s.failureRows() {
		p.under(ohms+grade, fmt.Sprintf("%-*s%-*s", ohms, o.left(), grade, s.verdict(o.of.Grade, o.of.Safe)), o.text(len(s.Parts)))
	}
	p.words("(with plain boxes, whose jacks do not switch; boxes are numbered from the amplifier)")
}
