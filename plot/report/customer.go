package report

import (
	"slices"
	"strings"

	"tapload/fit/recone"
	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/fixtures/job/findings"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
	"tapload/plot"
)

func (r jobPage) asked() Section {
	s := Section{Heading: "What was asked"}
	text := "Nothing is noted."
	if r.Job.Asked != "" {
		text = sentence(r.Job.Asked)
	}
	if r.Job.Amplifier != nil {
		text += " Amplifier: " + r.Job.Amplifier.String() + "."
	}
	s.Pieces = append(s.Pieces, Words(text))
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
	t := Table{Head: []string{"cabinet", "its label says", "what it is", "its part of the power"}}
	for _, c := range r.Cabinets {
		label, what := againstLabel(c)
		t.add(c.Label, label+ofWatts(c.Watts), what, r.partOf(c.Label))
	}
	s.Pieces = append(s.Pieces, t)
	return s
}

// againstLabel is what a cabinet's label says, and what it is.
func againstLabel(c findings.Cabinet) (label, what string) {
	label, what = "no ohms noted", quantity.Ohms(c.Load.RatedOhm)+" ohm"
	if c.MarkedOhm > 0 {
		label = quantity.Ohms(c.MarkedOhm) + " ohm"
	}
	switch {
	case c.Cabinet.Record == "":
		return what, what + " as marked, not measured"
	case c.Overrules() > 0:
		what += " as decided"
	default:
		what += ", measured"
	}
	switch {
	case c.Load.Dead != nil:
		what += "; MOST LIKELY A DEAD DRIVER in it, which is to be checked"
	case c.MarkedOhm > 0 && c.MarkedOhm != c.Load.RatedOhm:
		what += ": NOT what its label says"
	case c.MarkedOhm > 0:
		what += ", as its label says"
	}
	return label, what
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

// plugging is the picture of the cables, and the tap.
func (r jobPage) plugging() Section {
	s := Section{Heading: "How to plug it together"}
	rated := func(label string) float64 {
		return r.Cabinets[slices.IndexFunc(r.Cabinets, func(c findings.Cabinet) bool { return c.Label == label })].Load.RatedOhm
	}
	p := plot.Plugs{Set: box.Set{Tree: *r.Tree}, RatedOhm: rated, Invented: r.invented()}
	if r.Sheet != nil {
		p.Set = r.Sheet.Set
	}
	if a := r.Amplifier; a != nil {
		p.Amplifier, p.TapOhm, p.LeastOhm, p.Jacks = r.Job.Amplifier.Name, a.TapOhm, a.MinOhm, a.Jacks
	}
	if r.Hookup != nil && r.Hookup.Suits {
		p.UseOhm = r.Hookup.TapOhm
	}
	s.Pieces = append(s.Pieces, Figure{
		Picture: p,
		Plain:   plot.SetText(p.Set, textColumns, func(load string) string { return quantity.Ohms(rated(load)) + " ohm" }),
	})
	if r.Hookup != nil {
		why := ""
		if chosen := r.Job.Hookup; chosen != nil {
			why = chosen.Why
		}
		s.Pieces = append(s.Pieces, r.tapBanner(*r.Hookup, why))
	}
	return s
}

// tapBanner says where to plug in, or that this must not be done.
func (r jobPage) tapBanner(on amp.Assessment, why string) Banner {
	tap := quantity.Ohms(on.TapOhm) + " ohm"
	var b Banner
	switch solid := on.Amplifier.Kind == amp.SolidState; {
	case len(r.Dead()) > 0:
		return Banner{"Do not play this yet", "Most likely a driver is dead in " + quantity.List(r.Dead()) + ": every driver of it is to be checked first."}
	case !on.Suits && solid:
		return Banner{"NOT SAFE on this amplifier", "Its lowest load is " + tap + "; do not plug this in."}
	case !on.Suits:
		return Banner{"NOT SAFE on the " + tap + " tap", "Do not plug this in."}
	case solid:
		b = Banner{"Total load " + quantity.Ohms(on.RatedOhm) + " ohm", "The amplifier takes " + tap + " or more."}
	default:
		b = Banner{"Use the " + tap + " tap", "And no other."}
	}
	if why != "" {
		b.Under += " Why this hookup: " + strings.TrimRight(why, ".") + "."
	}
	return b
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
	never := Points{"Never plug or pull anything while the amplifier is on: switch it off first."}
	if r.Sheet != nil {
		never = append(never, "Never leave out one of the cabinets or boxes: without it the amplifier sees another load.")
	}
	return Section{Heading: "Never", Pieces: []Piece{
		never,
		Caution(strings.Join(append(cautions, "Local codes and licensed practice come first, too."), " ")),
	}}
}

func (r jobPage) driversInWords() Section {
	t := Table{Head: []string{"driver", "result"}}
	for _, d := range r.Drivers {
		t.add(d.Label, driverInWords(d.Comparison))
	}
	return Section{Heading: "Reconed drivers", Pieces: []Piece{t}}
}

// driverInWords is what came of the work on a driver.
func driverInWords(c recone.Comparison) string {
	var all []string
	switch c.Verdict {
	case verdict.Pass:
		all = append(all, "Within the limits of what it was before the work.")
	case verdict.Undecided:
		all = append(all, "Not decided by this measurement.")
	}
	if c.Outside() {
		all = append(all, "OUTSIDE the limits of what it was before the work.")
	}
	if damage := c.Damage(); damage != "" {
		all = append(all, "NOT RIGHT: "+damage+".")
	}
	if c.Leads() {
		all = append(all, sentence(c.Loose.Words))
	} else if cause := c.Likeliest(); cause != nil {
		all = append(all, "Most likely "+cause.Words+".")
	}
	return strings.Join(all, " ")
}
