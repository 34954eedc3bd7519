package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fit"
	"tapload/fit/rating"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

const pageColumns = 80

// page writes lines of at most pageColumns and keeps the first error.
type page struct {
	w   io.Writer
	err error
}

func (p *page) line(s string) {
	if p.err == nil {
		_, p.err = fmt.Fprintln(p.w, strings.TrimRight(s, " "))
	}
}

// words writes a sentence, folded.
func (p *page) words(s string) { p.line(screen.Fold(s, pageColumns)) }

// row writes a named row of the table.
func (p *page) row(name, text string) { p.under(12, name, text) }

// under writes a text behind a name, folded under itself.
func (p *page) under(indent int, name, text string) {
	for i, line := range strings.Split(screen.Fold(text, pageColumns-indent-2), "\n") {
		if i > 0 {
			name = ""
		}
		p.line(fmt.Sprintf("%-*s%s", indent, name, strings.TrimSpace(line)))
	}
}

// headline says in words what the load is.
func (f fitted) headline() string {
	parts := []string{}
	if doubt := f.curveDoubt(); doubt != "" {
		parts = append(parts, doubt)
	}
	if f.dead != nil {
		parts = append(parts, fmt.Sprintf("MOST LIKELY A DEAD DRIVER, %s (%s)", f.dead, quantity.Probability(f.dead.Odds)))
	}
	r := f.rating
	switch r.Verdict {
	case verdict.Pass:
		parts = append(parts, fmt.Sprintf("rated %s ohm", quantity.Ohms(r.Ohm)))
	case verdict.Undecided:
		if len(r.Candidates) == 2 {
			parts = append(parts, fmt.Sprintf("rated %s or %s ohm, undecided", quantity.Ohms(r.Candidates[0]), quantity.Ohms(r.Candidates[1])))
		} else {
			parts = append(parts, fmt.Sprintf("rated %s ohm or too low for any rating, undecided", quantity.Ohms(r.Candidates[0])))
		}
	case verdict.Fail:
		parts = append(parts, "too low for any rating")
	}
	switch tap := r.Tap(); {
	case f.dead != nil:
		parts = append(parts, "not called safe before every driver is checked")
	case f.fault != nil && f.fault.rating:
		parts = append(parts, "not called safe before it is measured again")
	case tap == 8:
		parts = append(parts, "safe on an 8 ohm tap")
	case tap > 0:
		parts = append(parts, fmt.Sprintf("safe on a %g ohm tap", tap))
	default:
		parts = append(parts, "safe on no usual tap")
	}
	if !f.fits() {
		return f.name + ": " + strings.Join(append(parts, "no loudspeaker fits the curve"), "; ")
	}
	var hz []string
	for _, res := range f.load.Main() {
		hz = append(hz, strings.TrimSuffix(quantity.Hz(res.Hz.Value), " Hz"))
	}
	word := "resonance "
	if len(hz) > 1 {
		word = "resonances "
		hz = []string{quantity.List(hz)}
	}
	if !strings.HasSuffix(hz[0], "Hz") {
		hz[0] += " Hz"
	}
	parts = append(parts, word+hz[0])
	return f.name + ": " + strings.Join(parts, "; ")
}

// table writes the numbers.
func (f fitted) table(p *page) {
	const column = 22
	across := func(name string, of func(fit.Resonance) string) {
		s := ""
		for _, r := range f.load.Resonances {
			s += fmt.Sprintf("%-*s", column, of(r))
		}
		p.line(fmt.Sprintf("%-12s%s", name, s))
	}
	re := f.load.Re.In("ohm")
	switch {
	case !f.fits():
		re = "unknown: no loudspeaker fits"
	case f.load.Pinned:
		re += ", as given"
	}
	p.row("Re", re+"   (± is k = 2)")
	if f.fits() {
		across("resonance", func(r fit.Resonance) string { return r.Hz.In("Hz") })
		across("  Qms", func(r fit.Resonance) string { return r.Qms.In("") })
		across("  Qes", func(r fit.Resonance) string { return r.Qes.In("") })
		across("  Qts", func(r fit.Resonance) string { return r.Qts.In("") })
		across("  Res", func(r fit.Resonance) string { return r.Res.In("ohm") })
	}
	p.row("peak", fmt.Sprintf("%s at %s", f.rating.MaxOhm.In("ohm"), quantity.Hz(f.rating.MaxHz)))
	p.row("minimum", fmt.Sprintf("%s at %s", f.rating.MinOhm.In("ohm"), quantity.Hz(f.rating.MinHz)))
	p.row("rating", f.ratingText())
	if len(f.wirings) > 0 {
		var names []string
		for _, w := range f.wirings {
			names = append(names, w.String())
		}
		if f.asWell != nil {
			names = append(names, "or as well, with a dead driver: "+f.asWell.String()+" (--drivers or --marked-ohm tells)")
		}
		p.row("could be", strings.Join(names, "; "))
	}
	if !f.fits() {
		return
	}
	for i, s := range coilText(f.load.Coil) {
		name := "coil"
		if i > 0 {
			name = ""
		}
		p.row(name, s)
	}
	for _, s := range partsText(f.load) {
		p.row("also", s)
	}
	fits := fmt.Sprintf("%s; off by %s of |Z|", modelText(f.load.Model), quantity.Rest((100*f.load.Misfit)/100))
	if f.load.Crossover == fit.Split {
		fits += ", up to " + quantity.Hz(f.load.HighHz)
	}
	if f.kk != nil {
		fits += fmt.Sprintf("; Kramers-Kronig leaves %s", quantity.Rest((f.kk.Percent)/100))
	}
	p.row("model", fits)
}

func (f fitted) ratingText() string {
	r := f.rating
	v := 2. // the least there is
	if n := len(r.Candidates); n > 0 {
		v = r.Candidates[n-1]
	}
	side, margin := "above", r.MarginPercent
	if margin < 0 {
		side, margin = "below", -margin
	}
	s := fmt.Sprintf("the minimum is %s %% %s the %s ohm that %s ohm allows, %s to %s",
		quantity.Digits(margin, 2), side, quantity.Digits(rating.Floor*v, 3), quantity.Ohms(v), quantity.Hz(r.LowHz), strings.Replace(quantity.Hz(r.HighHz), ".0 ", " ", 1))
	if r.Verdict == verdict.Undecided {
		s += "; the limit is within the uncertainty"
	}
	return s
}

func modelText(m fit.Model) string {
	s := "1 resonance"
	if m.Resonances > 1 {
		s = fmt.Sprintf("%d resonances", m.Resonances)
	}
	if m.Coupled {
		s += " that drive each other"
	}
	if m.Coil == fit.NoCoil {
		s += ", no coil"
	} else {
		s += ", " + m.Coil.String() + " coil"
	}
	if m.Suspension != fit.Spring {
		s += ", " + m.Suspension.String()
	}
	if m.Padded {
		s += ", pad"
	}
	return s
}

// coilText says what the coil is in one or two lines.
func coilText(c fit.Coil) []string {
	words := named(c.Kind.Words(), c.Kind.Parameters(), c.Parameter)
	switch c.Kind {
	case fit.NoCoil, fit.Inductor:
		return []string{words}
	}
	return []string{c.LeAt1k.Times(1e3).In("mH") + " at 1 kHz", words}
}

// partsText says what a load has beside resonances and coil.
func partsText(r fit.Result) (lines []string) {
	if s := r.Suspension; s.Kind != fit.Spring {
		lines = append(lines, named(s.Kind.Words(), s.Kind.Parameters(), s.Parameter))
	}
	if r.Capacitor.Value > 0 {
		lines = append(lines, "a capacitor in series, "+r.Capacitor.Times(1e6).In("uF"))
	}
	if r.Pad.Value > 0 {
		lines = append(lines, "a resistance beside the driver, as an L-pad has: "+r.Pad.In("ohm"))
	}
	if n := len(r.Wrinkles); n > 0 {
		lines = append(lines, fmt.Sprintf("%d wrinkles of coil and cone, no resonances of the load", n))
		if n == 1 {
			lines[len(lines)-1] = "a wrinkle of coil and cone, no resonance of the load"
		}
	}
	return lines
}

// named fills in the parameters that stand in braces in words.
func named(words string, names []string, of func(string) (*quantity.Value, string)) string {
	for _, name := range names {
		v, unit := of(name)
		text := (*v).In(unit)
		switch {
		case unit == "H" && 2*v.U > v.Value:
			text = "an inductance not determined"
		case unit == "ohm" && 2*v.U > v.Value:
			text = "a resistance not determined"
		case unit == "H":
			text = (*v).Times(1e3).In("mH")
		case unit == "":
			text = (*v).In("")
		}
		words = strings.ReplaceAll(words, "{"+name+"}", text)
	}
	return words
}

// mechanics writes the driver's constants.
func (f fitted) mechanics(p *page) {
	for _, c := range f.consts {
		p.line("")
		p.line("driver constants by " + c.Method.String())
		for _, r := range []struct {
			name string
			v    quantity.Value
			in   float64
			unit string
		}{
			{"Mms", c.Mms, 1e3, "g"}, {"Cms", c.Cms, 1e3, "mm/N"}, {"Rms", c.Rms, 1, "N s/m"},
			{"Bl", c.Bl, 1, "T m"}, {"Sd", c.Sd, 1e4, "cm2"}, {"Vas", c.Vas, 1e3, "l"},
			{"efficiency", c.Efficiency, 100, "%"}, {"1 W, 1 m", c.Sensitivity, 1, "dB"}, {"2.83 V, 1 m", c.At283V, 1, "dB"},
		} {
			p.row(r.name, r.v.Times(r.in).In(r.unit))
		}
	}
	if len(f.consts) > 0 {
		p.row("with", fmt.Sprintf("%g %% for the mass, %g %% for the volume and %g %% for the diameter, one standard uncertainty each, and room air",
			100*uMass, 100*uVolume, 100*uDiameter))
	}
}

// models writes the table of the models that were tried, best first.
func (f fitted) models(p *page) {
	p.line("")
	p.line(fmt.Sprintf("%-30s %10s  %-12s %12s", "model", "parameters", "off by", "criterion"))
	unsettled := 0
	for i, c := range f.load.Candidates {
		if c.Unsettled() {
			unsettled++
		}
		if c.Err != nil {
			p.line(screen.Fold(fmt.Sprintf("%-30s %10d  %v", modelText(c.Model), c.Parameters, c.Err), pageColumns))
			continue
		}
		chosen := ""
		if i == 0 {
			chosen = "  chosen"
		}
		misfit := strings.Replace(quantity.Rest((100*c.Misfit)/100), "less than ", "< ", 1)
		p.line(fmt.Sprintf("%-30s %10d  %-12s %12.1f%s", modelText(c.Model), c.Parameters, misfit, c.Criterion, chosen))
	}
	p.line(fmt.Sprintf("%d models were tried, %d of them did not settle", len(f.load.Candidates), unsettled))
}

// odd tells whether a dead driver should be thought of unasked.
func (f fitted) odd() bool {
	for _, w := range f.rating.Warnings {
		if w.Code == "re-disagrees" {
			return true
		}
	}
	return false
}

// explanations lists the cabinets that might read so.
func (f fitted) explanations(p *page) {
	const most = 6
	p.line("")
	if len(f.could) == 0 {
		p.words("no cabinet of equal drivers that is marked or filled like this, whole or with one dead, would read so: then the marking is wrong, or the drivers are not alike")
		return
	}
	p.line("odds    rated    DC   min  what might read so; by common practice its rating,")
	p.line("                           DC reading and lowest |Z| are, in ohm")
	var checks []string
	for _, e := range f.could[:min(most, len(f.could))] {
		p.under(27, fmt.Sprintf("%3.0f %%  %6s %5.3g %5.3g", 100*e.Odds, quantity.Ohms(e.Ohm), e.ReOhm, e.MinOhm), e.String())
		if !slices.Contains(checks, e.Check) {
			checks = append(checks, e.Check)
		}
	}
	for _, c := range checks {
		p.row("check", c)
	}
}
