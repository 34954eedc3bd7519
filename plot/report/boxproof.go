package report

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"tapload/fixtures/amp"
	"tapload/fixtures/box/proof"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
	"tapload/plot"
)

// polarity is how the polarity of cabinets is checked, which no ohms and no
// impedance show. unplug is said where boxes are checked. Both are common
// practice, no source.
const (
	polarity = "polarity: unplug the boxes from the amplifier first, then touch a 1.5 V cell for a moment to tip and sleeve of the plug that goes to it; every cone must move the same way (common practice, no source; drivers only, nothing with a capacitor in series)"
	unplug   = "Unplug the boxes from the amplifier for every check. "
)

// blindHeading is that of a list that a job's sheet gives once for all proofs.
const blindHeading = "what this cannot show"

// BoxProof is the page of a proof.
func BoxProof(p proof.Proof) Document {
	d := Document{Title: marked("Proof of "+p.Set.Tree.String(), p.Invented), Lead: p.Words}
	d.add(proofRows(p))
	d.section(Section{Brief: len(p.Causes) > 0, Pieces: []Piece{explanations(p, mostCauses, mostFaults, false)}})
	d.section(Section{Brief: true, Pieces: []Piece{Words(proofBlind(p))}})
	d.add(Caution(unplug + amp.Amplifier{}.Cautions()[0]))
	if len(p.Causes) > 0 {
		d.behind("every explanation and its check", explanations(p, len(p.Causes), math.MaxInt, true))
	}
	cannot := Points{polarity}
	if p.Readings != nil {
		cannot = append(cannot, "impedance at any frequency, and hookups that read the same; a measurement through the boxes (\"tapload sweep\") shows more")
	} else {
		cannot = append(cannot, "bad joints, warm coils and long cables look alike: let the coils cool, or say how warm and how long (--warmer, --cable-ohm)")
	}
	if p.Readings != nil && p.Contact.U > 0 {
		cannot = append(cannot, fmt.Sprintf("joints: %s ohm is allowed, and these readings tell no less than %s ohm", quantity.Plain(p.Most), quantity.Digits(2*p.Contact.U, 2)))
	}
	if p.LeakOhm > 0 {
		cannot = append(cannot, fmt.Sprintf("a leak of more than %s, in the place where it shows least; look for it with a meter on its highest range and all plugs out", kilohm(p.LeakOhm)))
	}
	if len(p.Same) > 0 {
		cannot = append(cannot, "faults that leave the circuit as it is, which the build sheet's continuity table finds: "+strings.Join(p.Same, "; "))
	}
	d.behind(blindHeading, cannot)
	return d
}

// Most explanations, and most faults of one, that one screen has room for, and
// the probability below which an explanation is not on it.
const (
	mostCauses      = 3
	mostFaults      = 2
	leastShownFault = 0.01
	leastShownRight = 1e-3
)

// proofRows are what was compared.
func proofRows(p proof.Proof) Table {
	rows := [][]string{{"hookup", p.Set.Tree.String()}}
	if r := p.Readings; r != nil {
		var cabs []string
		for _, name := range p.Set.Tree.Leaves() {
			cabs = append(cabs, name+" "+quantity.Plain(r.Cabs[name]))
		}
		read := "open"
		if !math.IsInf(r.Seen, 1) {
			read = quantity.Plain(r.Seen) + " ohm"
		}
		if p.Cables != "" {
			rows = append(rows, []string{"cables", p.Cables})
		}
		return Table{Rows: append(rows, []string{"cabinets", strings.Join(cabs, ", ") + " ohm"},
			[]string{"expected", p.Expected.In("ohm") + " (k = 2)"}, []string{"read", read + fmt.Sprintf(", by a meter of %.4g %%", 100*r.Tolerance)})}
	}
	if len(p.Predicted) > 0 && p.Right > leastShownRight && p.Explained {
		rows = append(rows, []string{"joints", fmt.Sprintf("%s (k = 2) in one cabinet's current at most, %s ohm allowed", p.Contact.In("ohm"), quantity.Plain(p.Most))})
	}
	if p.Cables != "" {
		rows = append(rows, []string{"cables", p.Cables})
	}
	off := "two measurements may differ by"
	if !p.Explained {
		off = "the nearest explanation is off by"
	}
	return Table{Rows: append(rows, []string{"compared", fmt.Sprintf("%s to %s; %s %s", quantity.LimitHz(p.Hz[0]), quantity.LimitHz(p.Hz[len(p.Hz)-1]), off, quantity.Rest(p.Misfit))})}
}

// explanations are the right box and other explanations with their probability,
// which is none where nothing explains what was measured. checks adds what each
// is told by.
func explanations(p proof.Proof, causes, faults int, checks bool) Table {
	makes := p.Set.Tree.String()
	t := Table{Head: []string{"probability", "makes", "if"}}
	if !p.Explained {
		t = Table{Caption: "What it may be, and what comes nearest though it does not fit:", Head: []string{"", "makes", "if"}}
	}
	row := func(probability float64, makes, text, check string) {
		chance := quantity.Probability(probability)
		if !p.Explained {
			chance = ""
		}
		if checks && check != "" {
			text += ". Check: " + check
		}
		t.add(chance, makes, text)
	}
	var joints, wrong []proof.Cause
	for _, c := range p.Causes {
		switch {
		case c.Equivalent == makes:
			joints = append(joints, c)
		case checks || c.Probability >= leastShownFault || len(wrong) == 0 && p.Right < 0.5:
			wrong = append(wrong, c)
		}
	}
	shown := wrong[:min(len(wrong), causes)]
	at := 0 // of the right box
	for at < len(shown) && shown[at].Probability > p.Right {
		at++
	}
	for i := range len(shown) + 1 {
		if i == at {
			right, check := "the boxes are wired right", ""
			if len(joints) > 0 && (checks || joints[0].Probability >= leastShownFault) {
				sum := 0.
				for _, c := range joints {
					sum += c.Probability
				}
				right += fmt.Sprintf(", %s of it with %s", quantity.Probability(sum), joints[0].Faults[0])
				check = joints[0].Check
			}
			row(p.Right, makes, right, check)
		}
		if i < len(shown) {
			row(shown[i].Probability, shown[i].Equivalent, faultsOf(shown[i], faults), shown[i].Check)
		}
	}
	if !p.Explained {
		for i := range t.Rows {
			t.Rows[i] = t.Rows[i][1:]
		}
		t.Head = t.Head[1:]
	}
	return t
}

// faultsOf names at most so many of what a cause can be.
func faultsOf(c proof.Cause, most int) string {
	first := c.Faults[0]
	if c.Leak.U > 0 {
		first += ", of " + c.Leak.In("ohm")
	} else if c.Leak.Value > 0 {
		first += ", of " + quantity.Digits(c.Leak.Value, 2) + " ohm"
	}
	names := append([]string{first}, c.Faults[1:min(len(c.Faults), most)]...)
	if n := len(c.Faults) - most; n > 0 {
		names = append(names, fmt.Sprintf("%d more", n))
	}
	return strings.Join(names, "; or ")
}

// proofBlind says shortly what a proof cannot show.
func proofBlind(p proof.Proof) string {
	what := []string{"polarity"}
	if p.Readings != nil {
		what = append(what, "hookups that read the same")
	}
	switch {
	case p.LeakOhm > 0:
		what = append(what, "a leak of more than "+kilohm(p.LeakOhm))
	case p.Verdict == verdict.Pass:
		what = append(what, "a leak")
	}
	switch n := len(p.Same); n {
	case 0:
	case 1:
		what = append(what, p.Same[0])
	default:
		what = append(what, fmt.Sprintf("%d faults that leave the circuit as it is", n))
	}
	last := len(what) - 1
	text := strings.Join(what[:last], ", ")
	if last > 0 {
		text += " or "
	}
	return "This cannot show " + text + what[last] + "; --details says how to look for that."
}

// kilohm writes ohms that are a limit, rounded down to two digits.
func kilohm(ohm float64) string {
	step := math.Pow(10, math.Floor(math.Log10(ohm))-1)
	ohm = math.Floor(ohm/step+1e-9) * step
	if ohm >= 1000 {
		return quantity.Digits(ohm/1000, 2) + " kohm"
	}
	return quantity.Digits(ohm, 2) + " ohm"
}

// ProofChart draws what was measured against the right box and, where it explains
// more or could be seen to differ, the best other explanation.
func ProofChart(p proof.Proof) plot.ImpedanceChart {
	c := plot.ImpedanceChart{Title: marked(strings.ToUpper(p.Verdict.String())+": proof of "+p.Set.Tree.String(), p.Invented), FirstBroad: true}
	c.Traces = []plot.Trace{{Label: "measured through the boxes", Curve: p.Seen}}
	line := func(label string, z []complex128) {
		var curve impedance.Curve
		for i, hz := range p.Hz {
			curve.Points = append(curve.Points, impedance.Point{Hz: hz, Z: z[i]})
		}
		c.Traces = append(c.Traces, plot.Trace{Label: label, Curve: curve})
	}
	if len(p.Predicted) > 0 {
		line("if wired right", p.Predicted)
		c.Gaps = exactGap("measured less wired right", 0, p.Seen, p.Predicted)
	}
	if len(p.Other) > 0 && (p.Verdict != verdict.Pass || farApart(p.Other, p.Predicted)) {
		made := p.OtherName
		switch made {
		case "short":
			made = "a short"
		case "open":
			made = "an open"
		}
		line("if they make "+made, p.Other)
	}
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
