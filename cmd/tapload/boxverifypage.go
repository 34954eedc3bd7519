package main

import (
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tapload/fixtures/box"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
	"tapload/plot"
)

// nameColumn is the width of the names on the page of a proof.
const nameColumn = 13

// print writes what a technician reads: the answer in words, the numbers, what
// else it can be, and what a measurement cannot show.
func (r proved) print(w io.Writer) error {
	p := page{w: w}
	p.words(r.Words)
	p.line("")
	p.under(nameColumn, "hookup", r.set.Tree.String())
	if len(r.Predicted) > 0 && r.Right > leastShownOdds {
		p.under(nameColumn, "joints", fmt.Sprintf("%s at most in the current of one cabinet; %s ohm is allowed (± is k = 2)", quantity.Of(r.Contact.Value, r.Contact.U).In("ohm"), quantity.Plain(r.most)))
	}
	p.under(nameColumn, "compared", fmt.Sprintf("%d points from %s to %s; two measurements of one thing may differ by %s %%", len(r.Hz), quantity.LimitHz(r.Hz[0]), quantity.LimitHz(r.Hz[len(r.Hz)-1]), quantity.Digits(100*r.Misfit, 2)))
	p.line("")
	explanations(&p, r.Right, r.set.Tree.String(), r.Causes)
	p.line("")
	p.line("what this cannot show:")
	p.under(2, "-", polarity)
	if r.LeakOhm > 0 {
		p.under(2, "-", fmt.Sprintf("a leak of more than %s; look for it with a meter on its highest range and all plugs out", formatKilohm(r.LeakOhm)))
	}
	p.under(2, "-", "joints and warm coils look alike; let all rest, or say --warmer")
	same(&p, r.Same)
	p.line("")
	p.words(unplug)
	return p.err
}

// The check of polarity is common practice, no source; so is the caution.
const (
	polarity = "polarity of one cabinet against another: touch a 1.5 V cell briefly to tip and sleeve of the plug that goes to the amplifier; all cones must move the same way"
	unplug   = "Unplug the boxes from the amplifier for all of these checks, and never run a valve amplifier without its load."
)

// leastShownOdds are those below which an explanation is not on the page.
const leastShownOdds = 1e-3

// Most explanations, and most faults of one, on the page; --json has all.
const (
	mostCauses = 5
	mostFaults = 4
)

// explanations writes the right box and each other explanation with its odds.
func explanations(p *page, right float64, makes string, causes []box.Cause) {
	var joints, wrong []box.Cause
	for _, c := range causes {
		if c.Equivalent == makes {
			joints = append(joints, c)
		} else {
			wrong = append(wrong, c)
		}
	}
	shown := wrong[:min(len(wrong), mostCauses)]
	const odds, widest = 9, 26
	width := len(makes) + 2
	for _, c := range shown {
		width = max(width, len(c.Equivalent)+2)
	}
	width = min(max(width, len("makes")+2), widest)
	row := func(chance float64, makes, text string) {
		p.under(odds+width, fmt.Sprintf("%-*s%-*s", odds, quantity.Probability(chance), width, cutName(makes, width-2)), text)
	}
	more := func(text string) { p.under(odds+width, "", text) }
	p.line(fmt.Sprintf("%-*s%-*s%s", odds, "odds", width, "makes", "if"))
	at := 0 // of the right box
	for at < len(shown) && shown[at].Odds > right {
		at++
	}
	for i := range len(shown) + 1 {
		if i == at {
			row(right, makes, "the boxes are wired right")
			writeJoints(more, joints)
		}
		if i == len(shown) {
			break
		}
		c := shown[i]
		text := c.Faults[0]
		if c.Leak.Value > 0 {
			text += ", of " + formatLeak(c)
		}
		row(c.Odds, c.Equivalent, text)
		for _, f := range c.Faults[1:min(len(c.Faults), mostFaults)] {
			more("or " + f)
		}
		if n := len(c.Faults) - mostFaults; n > 0 {
			more(fmt.Sprintf("or one of %d more (--json lists them)", n))
		}
		more("check: " + c.Check)
	}
	if n := len(wrong) - len(shown); n > 0 {
		more(fmt.Sprintf("%d more (--json lists them)", n))
	}
}

// writeJoints says how likely one joint is bad in boxes that are wired right.
func writeJoints(more func(string), joints []box.Cause) {
	if len(joints) == 0 {
		return
	}
	const worthChecking = 0.05
	sum := 0.
	for _, c := range joints {
		sum += c.Odds
	}
	text := fmt.Sprintf("of this %s with %s", quantity.Probability(sum), joints[0].Faults[0])
	if len(joints) > 1 {
		text += "; or another joint"
	}
	more(text)
	if sum >= worthChecking {
		more("check: " + joints[0].Check)
	}
}

func formatLeak(c box.Cause) string {
	if c.Leak.U > 0 {
		return quantity.Of(c.Leak.Value, c.Leak.U).In("ohm")
	}
	return quantity.Digits(c.Leak.Value, 2) + " ohm"
}

func formatKilohm(ohm float64) string {
	if ohm >= 995 {
		return quantity.Digits(ohm/1000, 2) + " kohm"
	}
	return quantity.Digits(ohm, 2) + " ohm"
}

// same writes the faults that leave the circuit as it is.
func same(p *page, faults []string) {
	if len(faults) == 0 {
		return
	}
	p.under(2, "-", "faults that leave the circuit as it is (the continuity table of \"tapload box sheet\" has them):")
	for _, f := range faults[:min(len(faults), 2*mostFaults)] {
		p.under(4, "", f)
	}
	if n := len(faults) - 2*mostFaults; n > 0 {
		p.under(4, "", fmt.Sprintf("and %d more (--json lists them)", n))
	}
}

// chart draws what was measured against the right box and, where it explains
// more or could be seen to differ, the best other explanation.
func (r proved) chart() plot.ImpedanceChart {
	c := plot.ImpedanceChart{Title: "Proof of " + r.set.Tree.String() + ": " + r.Verdict.String(), FirstBroad: true}
	c.Traces = []plot.Trace{{Label: "measured through the boxes", Curve: r.Seen}}
	line := func(label string, z []complex128) {
		var curve impedance.Curve
		for i, hz := range r.Hz {
			curve.Points = append(curve.Points, impedance.Point{Hz: hz, Z: z[i]})
		}
		c.Traces = append(c.Traces, plot.Trace{Label: label, Curve: curve})
	}
	if len(r.Predicted) > 0 {
		line("if wired right", r.Predicted)
	}
	if len(r.Other) > 0 && (r.Verdict != verdict.Pass || farApart(r.Other, r.Predicted)) {
		made := r.OtherName
		switch made {
		case "short":
			made = "a short"
		case "open":
			made = "an open"
		}
		line("if they make "+made, r.Other)
	}
	c.LowHz, c.HighHz = plot.UsualBand(r.Seen)
	return c
}

// farApart tells whether two curves can be seen to differ in a chart.
func farApart(a, b []complex128) bool {
	const seen = 0.03 // relative
	for i := range min(len(a), len(b)) {
		if cmplx.Abs(a[i]-b[i]) > seen*cmplx.Abs(b[i]) {
			return true
		}
	}
	return false
}

// metered is a proof by a DC meter and what its page says besides.
type metered struct {
	box.ProofDC
	set      box.Set
	readings box.Readings
	most     float64 // ohm, of the joints
}

func (m metered) open() bool { return math.IsInf(m.readings.Seen, 1) }

// equivalent is what the boxes most likely make.
func (m metered) equivalent() string {
	makes := m.set.Tree.String()
	if i := slices.IndexFunc(m.Causes, func(c box.Cause) bool { return c.Equivalent != makes }); i >= 0 && m.Causes[i].Odds > m.right() {
		return m.Causes[i].Equivalent
	}
	return makes
}

// right are the odds that the boxes are wired right, whatever their joints.
func (m metered) right() float64 {
	odds := m.Right
	for _, c := range m.Causes {
		if c.Equivalent == m.set.Tree.String() {
			odds += c.Odds
		}
	}
	return odds
}

func (m metered) print(w io.Writer) error {
	p := page{w: w}
	p.words(m.Words)
	p.line("")
	p.under(nameColumn, "hookup", m.set.Tree.String())
	var cabs []string
	for _, name := range m.set.Tree.Leaves() {
		cabs = append(cabs, name+" "+quantity.Plain(m.readings.Cabs[name]))
	}
	p.under(nameColumn, "cabinets", strings.Join(cabs, ", ")+" ohm")
	p.under(nameColumn, "expected", quantity.Of(m.Expected.Value, m.Expected.U).In("ohm")+" (± is k = 2)")
	seen := "open"
	if !m.open() {
		seen = quantity.Plain(m.readings.Seen) + " ohm"
	}
	p.under(nameColumn, "read", fmt.Sprintf("%s, by a meter of %.4g %%", seen, 100*m.readings.Tolerance))
	p.line("")
	explanations(&p, m.right(), m.set.Tree.String(), m.Causes)
	p.line("")
	p.line("what this cannot show:")
	p.under(2, "-", "impedance at any frequency, and hookups that read the same; a measurement through the boxes (\"tapload sweep\") shows more")
	p.under(2, "-", polarity)
	if m.Contact.U > 0 {
		p.under(2, "-", fmt.Sprintf("joints: %s ohm is allowed, and these readings tell no less than %s ohm", quantity.Plain(m.most), quantity.Digits(2*m.Contact.U, 2)))
	}
	if m.LeakOhm > 0 {
		p.under(2, "-", fmt.Sprintf("a leak of more than %s; look for it on the highest range with all plugs out", formatKilohm(m.LeakOhm)))
	}
	same(&p, m.Same)
	p.line("")
	p.words(unplug)
	return p.err
}
