package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"tapload/fit/recone"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
	"tapload/plot"
)

// quantityText is how a quantity is called and shown on a page.
type quantityText struct {
	name  string
	scale float64 // from SI
	unit  string
}

var quantityTexts = map[string]quantityText{
	"re":      {"Re", 1, "ohm"},
	"fs":      {"fs", 1, "Hz"},
	"q_ms":    {"Qms", 1, ""},
	"q_es":    {"Qes", 1, ""},
	"q_ts":    {"Qts", 1, ""},
	"le_1khz": {"Le (1 kHz)", 1e3, "mH"},
	"z_min":   {"lowest |Z|", 1, "ohm"},
	"z_max":   {"highest |Z|", 1, "ohm"},
	"mms":     {"Mms", 1e3, "g"},
	"cms":     {"Cms", 1e6, "um/N"}, // which fits the column, where mm/N does not
	"bl":      {"Bl", 1, "T m"},
	"vas":     {"Vas", 1e3, "L"},
}

// words says the verdict, what speaks for it, and what puts it in doubt.
func (r compared) words() string {
	text := r.verdict()
	if loose(r.Causes) {
		text += " " + capital(r.Causes[0].Words) + "."
	}
	if slices.ContainsFunc(r.warnings, func(w impedance.Warning) bool { return w.Code == recone.WarnExchanged }) {
		text += " Before is younger than after: exchanged?"
	}
	return text
}

// loose reports whether the likeliest of some causes is a part that is loose, or
// was.
func loose(causes []recone.Cause) bool {
	return len(causes) > 0 && causes[0].Loose && causes[0].Odds > 0.5
}

// verdict says the verdict and what speaks for it.
func (r compared) verdict() string {
	var out, near []string
	significant := 0
	for _, c := range r.Changes {
		if c.Significant {
			significant++
		}
		switch c.Verdict {
		case verdict.Fail:
			out = append(out, quantityTexts[c.Name].name)
		case verdict.Undecided:
			near = append(near, quantityTexts[c.Name].name)
		}
	}
	switch r.Worst.Verdict {
	case verdict.Fail:
		out = append(out, "the curves")
	case verdict.Undecided:
		near = append(near, "the curves")
	}
	switch r.Verdict {
	case verdict.Fail:
		var why []string
		if r.scrapes {
			why = append(why, "something scrapes or knocks")
		}
		if len(out) > 0 {
			why = append(why, "outside the limits: "+strings.Join(out, ", "))
		}
		return "Fail: " + strings.Join(why, "; ") + "."
	case verdict.Undecided:
		return fmt.Sprintf("Undecided: a limit lies inside the uncertainty of %s; measure with a calibrated jig.", strings.Join(near, ", "))
	}
	if significant == 0 {
		return "Pass: no change that the measurements could tell."
	}
	return "Pass: what has changed lies inside the limits."
}

func (r compared) print(w io.Writer) error {
	p := page{w: w}
	p.words(r.words())
	p.line("")
	p.words(fmt.Sprintf("before: %s; after: %s", r.labels[0], r.labels[1]))
	changed := r.table(&p)
	if changed {
		p.words(fmt.Sprintf("* beyond doubt; of comparisons where nothing changed, at most one in %.0f has a *", 1/recone.FamilyRate))
	}
	p.line("")
	p.line("what would explain all changes together:")
	for _, c := range r.Causes {
		if c.Odds < leastShownCause {
			break
		}
		text := c.Name
		if c.Words != "" {
			text += ": " + c.Words
		}
		p.under(9, quantity.Probability(c.Odds), text)
	}
	r.distortion(&p)
	whose := "limits are a starting point of ours, not a standard; --limits reads yours"
	if r.own {
		whose = "limits from the file given"
	}
	p.under(2, "-", whose)
	from := "the electrical side alone"
	if r.added.any() {
		p.under(2, "-", r.added.cancels())
		from = "the electrical side and the moving mass"
	}
	p.under(2, "-", "a cause is named from "+from+"; a cone, a glue joint or a spider is judged by eye and hand")
	p.under(2, "-", unheard)
	return p.err
}

// table writes what has changed, and reports whether anything has beyond doubt.
// Its columns are as wide as what is in them.
func (r compared) table(p *page) (changed bool) {
	const usual, limits = 16, 4 // least width of a column, and which has the limits
	rows := [][limits + 1]string{{"± is k = 2", "before", "after", "change", "limits, %"}}
	mark := func(significant bool) string {
		changed = changed || significant
		if significant {
			return " *"
		}
		return ""
	}
	for _, c := range r.Changes {
		t := quantityTexts[c.Name]
		show := func(v quantity.Value) string { return quantity.Of(t.scale*v.Value, t.scale*v.U).In(t.unit) }
		rows = append(rows, [limits + 1]string{t.name, show(c.Before), show(c.After), signedPercent(c.Percent) + mark(c.Significant), limitsText(c.Limit, c.Verdict)})
	}
	width := [limits]int{12, usual, usual, usual}
	for _, row := range rows {
		for i, cell := range row[:limits] {
			width[i] = max(width[i], len([]rune(cell))+2)
		}
	}
	apart := ""
	if w := r.Worst; w.Hz > 0 {
		apart = strings.TrimPrefix(signedPercent(w.Percent), "+") + mark(w.Significant)
		width[limits-1] = max(width[limits-1], len([]rune(apart))+2)
	}
	line := func(row [limits + 1]string) {
		text := ""
		for i, cell := range row[:limits] {
			text += fmt.Sprintf("%-*s", width[i], cell)
		}
		p.line(strings.TrimRight(text+row[limits], " "))
	}
	for _, row := range rows {
		line(row)
	}
	if w := r.Worst; w.Hz > 0 {
		before := width[0] + width[1] + width[2]
		p.line(strings.TrimRight(fmt.Sprintf("%-*s%-*s%s", before, "curves apart beside fs, at "+quantity.Hz(w.Hz), width[limits-1], apart, limitsText(w.Limit, w.Verdict)), " "))
	}
	return changed
}

// distortion writes the harmonics of the current of both, where both records
// have them: each order where it is loudest.
func (r compared) distortion(p *page) {
	if r.bends[0] == nil || r.bends[1] == nil {
		return
	}
	p.line("")
	const format = "%-14s%-26s%s"
	p.line(fmt.Sprintf(format, "harmonics", "before", "after"))
	loudest := func(e *distortionEntry, order int) string {
		for _, o := range e.Orders {
			if o.Order == order {
				return fmt.Sprintf("%.0f dB at %s", o.LevelDB, quantity.Hz(o.Hz))
			}
		}
		return "in the noise"
	}
	for order := 2; order <= mostOrder; order++ {
		before, after := loudest(r.bends[0], order), loudest(r.bends[1], order)
		if before == after && before == "in the noise" {
			continue
		}
		p.line(fmt.Sprintf(format, fmt.Sprint("order ", order), before, after))
	}
	scrapes := func(e *distortionEntry) string {
		if e.Scrapes == nil {
			return "no sign of it"
		}
		return fmt.Sprintf("%.0f dB at %s", e.Scrapes.LevelDB, quantity.Hz(e.Scrapes.Hz))
	}
	p.line(fmt.Sprintf(format, "scrapes", scrapes(r.bends[0]), scrapes(r.bends[1])))
}

// mostOrder is the highest order of harmonics on the page.
const mostOrder = 8

// chart is each change that has a limit.
func (r compared) chart() plot.ChangeChart {
	c := plot.ChangeChart{Title: "Changes against their limits"}
	for _, ch := range r.Changes {
		if ch.Limit != (recone.Limit{}) {
			c.Changes = append(c.Changes, plot.Change{Label: quantityTexts[ch.Name].name, Percent: ch.Percent.Value, U: ch.Percent.U, Low: ch.Limit.Low, High: ch.Limit.High})
		}
	}
	return c
}

// leastShownCause are the odds below which a cause is not on the page; --json
// has all.
const leastShownCause = 0.02

// leastRepeat is what a driver or a cabinet repeats to, in percent (k = 2), by
// which no page claims to know a change better: common practice, no source.
const leastRepeat = 0.1

// signedPercent writes a change with its sign.
func signedPercent(v quantity.Value) string {
	places := 1
	v.U = max(v.U, leastRepeat/2)
	for unit := 0.1; places > 0 && 2*v.U >= 10*unit; unit *= 10 {
		places--
	}
	change := fmt.Sprintf("%+.*f", places, v.Value)
	if strings.Trim(change, "+-0.") == "" {
		change = "0"
	}
	return fmt.Sprintf("%s %% ± %.*f", change, places, 2*v.U)
}

func limitsText(l recone.Limit, v verdict.Verdict) string {
	if l == (recone.Limit{}) {
		return "none"
	}
	text := fmt.Sprintf("%g to %g", l.Low, l.High)
	switch v {
	case verdict.Fail:
		text += " FAIL"
	case verdict.Undecided:
		text += " ?"
	}
	return text
}
