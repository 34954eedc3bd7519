package report

import (
	"fmt"
	"slices"
	"strings"

	"tapload/fit/recone"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
	"tapload/plot"
)

// Unheard is what no measurement of the current shows, wherever a driver is
// judged by one.
const Unheard = "an electrical measurement cannot show a torn cone, surround or dust cap that does not load the coil, a buzzing cabinet, polarity, how it sounds, or a rub that the sweep was too quiet to wake"

// LookAndListen is what no page that judges a driver leaves out.
const LookAndListen = "No electrical measurement shows a torn cone, a buzzing cabinet, polarity or how it sounds: look and listen besides."

// onPage is what a quantity of package recone is multiplied by and the unit that
// it has on a page; those that are not in it stand as they are, in their own.
var onPage = map[string]struct {
	by   float64
	unit string
}{
	"le_1khz": {1e3, "mH"}, "mms": {1e3, "g"}, "vas": {1e3, "L"},
	"cms": {1e6, "um/N"}, // which fits the column, where mm/N does not
}

// inUnit returns v, which is in unit, in the unit of a page.
func inUnit(name, unit string, v quantity.Value) (quantity.Value, string) {
	if on, ok := onPage[name]; ok {
		return v.Times(on.by), on.unit
	}
	return v, unit
}

// Compare is the page of a driver before and after, on one screen where what
// follows from other changes can stand in its details.
func Compare(c recone.Comparison) Document {
	return onOneScreen(2, func(rows int) Document { return comparePage(c, rows < 2) })
}

// comparePage leaves changes that follow from others, and pass, to the details
// where it is to be brief.
func comparePage(c recone.Comparison, brief bool) Document {
	d := Document{Title: marked("Comparison of "+c.Before+" and "+c.After, c.Invented), Lead: c.Words()}
	main, rest := mainChanges(c, brief)
	table := Table{
		Caption: fmt.Sprintf("Before: %s. After: %s. ± is k = 2; a change in brackets may be chance.", c.Before, c.After),
		Head:    []string{"", "before", "after", "change, %", "limits, %"},
		Rows:    changeRows(main),
	}
	if w := c.Worst; w.Hz > 0 {
		table.add("curves", "", "apart at "+quantity.Hz(w.Hz), change(w.Percent, w.Counts(), false), judged(w.Limit, w.Verdict))
	}
	d.add(table)
	d.add(compareCauses(c))
	b, a := c.DistortionBefore, c.DistortionAfter
	both := b != nil && a != nil
	if both {
		d.add(Words(fmt.Sprintf("Scraping before: %s; after: %s.", scrapes(b), scrapes(a))))
	}
	d.section(Section{Brief: true, Pieces: []Piece{Words(LookAndListen)}}) // the details say more of it
	d.behind("other quantities", Table{Head: table.Head, Rows: changeRows(rest)})
	if both {
		d.behind("harmonics of the current", harmonics(b, a))
	}
	d.behind("what stands behind the verdict", compareNotes(c))
	return d
}

// mainChanges returns the changes that everybody reads, and those that follow from
// them and pass, where there is no room for all.
func mainChanges(c recone.Comparison, brief bool) (main, rest []recone.Change) {
	follows := []string{"q_ts", "z_min", "z_max", "vas"}
	for _, ch := range c.Changes {
		if brief && ch.Verdict == verdict.Pass && slices.Contains(follows, ch.Name) {
			rest = append(rest, ch)
		} else {
			main = append(main, ch)
		}
	}
	return main, rest
}

func changeRows(all []recone.Change) (rows [][]string) {
	for _, c := range all {
		before, unit := inUnit(c.Name, c.Unit, c.Before)
		after, _ := inUnit(c.Name, c.Unit, c.After)
		rows = append(rows, []string{recone.Symbol(c.Name), before.In(unit), after.In(unit), change(c.Percent, c.Counts(), true), judged(c.Limit, c.Verdict)})
	}
	return rows
}

// change writes one in percent, the sign of which stands in the head, in brackets
// unless it counts or nothing of it is left; signed says that it has a sign of its
// own.
func change(v quantity.Value, counts, signed bool) string {
	text := strings.Replace(recone.Percent(v, signed), " %", "", 1)
	if !counts && !strings.HasPrefix(text, "0 ") {
		text = "(" + text + ")"
	}
	return text
}

// judged writes limits and what the verdict by them is, unless it is a pass.
func judged(l recone.Limit, v verdict.Verdict) string {
	return l.String() + mark(v)
}

// mark is what stands behind a number that does not pass.
func mark(v verdict.Verdict) string {
	return [...]string{verdict.Pass: "", verdict.Fail: " FAIL", verdict.Undecided: " ?"}[v]
}

// leastShownCause is the probability below which a cause is not on the page.
const leastShownCause = 0.02

// compareCauses are what would explain all changes together. The one that the
// lead tells of has its name alone.
func compareCauses(c recone.Comparison) Table {
	t := Table{Caption: "what would explain all changes together:"}
	told := c.Likeliest()
	for i := range c.Causes {
		one := &c.Causes[i]
		if one.Probability < leastShownCause {
			break
		}
		text := one.Name
		if one.Words != "" && one != told {
			text += ": " + one.Words
		}
		t.add(quantity.Probability(one.Probability), text)
	}
	return t
}

func scrapes(h *record.Harmonics) string {
	if h.Scrapes == nil {
		return "no sign of it"
	}
	return fmt.Sprintf("%.0f dB at %s", h.Scrapes.LevelDB, quantity.Hz(h.Scrapes.Hz))
}

// harmonics are the orders of two records, each where it is loudest.
func harmonics(before, after *record.Harmonics) Table {
	t := Table{Head: []string{"", "before", "after"}}
	most := 0
	for _, o := range slices.Concat(before.Orders, after.Orders) {
		most = max(most, o.Order)
	}
	loudest := func(h *record.Harmonics, order int) string {
		o, clear := h.Of(order)
		if !clear {
			return "in the noise"
		}
		return fmt.Sprintf("%.0f dB at %s", o.LevelDB, quantity.Hz(o.Hz))
	}
	for order := 2; order <= most; order++ {
		if b, a := loudest(before, order), loudest(after, order); b != a || b != "in the noise" {
			t.add(fmt.Sprint("order ", order), b, a)
		}
	}
	t.add("scraping", scrapes(before), scrapes(after))
	return t
}

func compareNotes(c recone.Comparison) Points {
	whose := "limits are a starting point of ours, not a standard; --limits reads yours"
	if c.OwnLimits {
		whose = "limits from the file given"
	}
	notes := Points{
		fmt.Sprintf("of comparisons where nothing changed, at most one in %.0f has a change without brackets", 1/recone.FamilyRate),
		"no change is known better than to 0.1 %, to which a driver repeats, and one of less is in brackets (common practice, no source)",
		whose,
	}
	from := "the electrical side alone"
	if c.Added.Any() {
		notes = append(notes, cancels(c.Added))
		from = "the electrical side and the moving mass"
	}
	notes = append(notes, Unheard)
	return append(notes, "a cause is named from "+from+"; a cone, a glue joint or a spider is judged by eye and hand")
}

// cancels says what a change of constants does not depend on.
func cancels(a recone.Added) string {
	what, of := fmt.Sprintf("mass of %g g", 1e3*a.Mass.Value), a.Mass
	if a.Volume.Value > 0 {
		what, of = fmt.Sprintf("closed box of %g l", 1e3*a.Volume.Value), a.Volume
	}
	return fmt.Sprintf("constants by one %s and a cone of %g mm, taken as known to %g %% and %g %% (k = 1): that is in before and after, and cancels in the change",
		what, 1e3*a.Diameter.Value, 100*of.U/of.Value, 100*a.Diameter.U/a.Diameter.Value)
}

// ChangeChart is each change that has a limit.
func ChangeChart(c recone.Comparison) plot.ChangeChart {
	chart := plot.ChangeChart{Title: marked(c.Title(), c.Invented)}
	for _, ch := range c.Changes {
		if ch.Limit != (recone.Limit{}) {
			chart.Changes = append(chart.Changes, plot.Change{Label: recone.Symbol(ch.Name), Percent: ch.Percent.Value, U: ch.Percent.U, Low: ch.Limit.Low, High: ch.Limit.High, Verdict: ch.Verdict})
		}
	}
	if w := c.Worst; w.Hz > 0 && w.Limit != (recone.Limit{}) {
		chart.Changes = append(chart.Changes, plot.Change{Label: "curves apart", Percent: w.Percent.Value, U: w.Percent.U, Low: w.Limit.Low, High: w.Limit.High, Verdict: w.Verdict})
	}
	return chart
}

// curveLimit is the limit for the curves, where they count.
func curveLimit(c recone.Comparison) plot.Limit {
	return plot.Limit{Percent: c.Worst.Limit.High, OutLowHz: c.Worst.Beside.Low, OutHighHz: c.Worst.Beside.High}
}

// RatioChart is |Z| after over before, where both have points, against the limit
// for the curves.
func RatioChart(of recone.Comparison, before, after impedance.Curve) (plot.RatioChart, error) {
	c := plot.RatioChart{
		Title: marked(of.Title(), of.Invented),
		Label: "|Z| after over before", Limit: curveLimit(of),
	}
	all, err := recone.Ratios(before, after)
	for _, r := range all {
		c.Hz, c.Percent, c.U = append(c.Hz, r.Hz), append(c.Percent, r.Percent.Value), append(c.U, r.Percent.U)
	}
	return c, err
}

// HarmonicsChart is the harmonics of records before and after.
func HarmonicsChart(before, after recone.Side) plot.DistortionChart {
	c := plot.DistortionChart{Title: marked("Harmonics of the current, before and after", before.Invented() || after.Invented())}
	for i, s := range []recone.Side{before, after} {
		name := [...]string{"before", "after"}[i]
		if s.Record != nil && s.Record.Distortion != nil {
			c.Records = append(c.Records, plot.Harmonics{Label: name + ": " + s.Label, Short: name, Distortion: *s.Record.Distortion})
		}
	}
	return c
}

// CurvesChart is both curves, and by how much they differ.
func CurvesChart(of recone.Comparison, before, after recone.Side) plot.ImpedanceChart {
	return plot.ImpedanceChart{
		Title: marked(of.Title(), before.Invented() || after.Invented()),
		Traces: []plot.Trace{
			{Label: "before: " + before.Label, Curve: before.Curve},
			{Label: "after: " + after.Label, Curve: after.Curve},
		},
		Gaps: ratioGap("after less before", 1, before.Curve, after.Curve, curveLimit(of)),
	}
}
