package report

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/fixtures/netlist"
	"tapload/measure/quantity"
	"tapload/plot"
)

// textColumns is the width of the drawings in plain text.
const textColumns = 80

// Headings of what the sheet of a job says elsewhere.
const (
	pulledHeading   = "What a pulled plug does"
	labelsHeading   = "Labels to fix on the boxes"
	drillingHeading = "Drilling"
)

// mostNamed is how many of several causes a page names.
const mostNamed = 3

// BoxSheet is the page of s: what to build, and what to check before it is
// used.
func BoxSheet(s box.Sheet) Document {
	p := boxPage{s}
	d := Document{Title: marked("Build sheet: "+s.Tree.String(), s.Invented), Lead: p.lead()}
	d.Sections = append(d.Sections, p.hookup())
	if len(s.Parts) > 0 {
		d.Sections = append(d.Sections, p.drilling())
	}
	for i := range s.Parts {
		d.Sections = append(d.Sections, p.box(i))
	}
	d.Sections = append(d.Sections, p.reading(), p.pulled())
	if len(s.Parts) > 0 {
		d.Sections = append(d.Sections, p.labels())
	}
	return d
}

type boxPage struct{ box.Sheet }

func (p boxPage) lead() string {
	text := count(len(p.Parts), "box", "boxes") + " to build"
	if p.InAmplifier {
		text += fmt.Sprintf(": the amplifier's output jacks join %s", p.plugged(p.Boxes[0]))
	}
	text += fmt.Sprintf("; %s by the arithmetic of ratings", ohmText(p.RatedOhm))
	if p.On != nil {
		text += "; " + p.suits()
	}
	if len(p.Parts) == 0 {
		text = "N" + text[1:]
	}
	if doubt := p.Dead.Words(); doubt != "" {
		text = doubt + "; " + text
	}
	return text
}

// suits says how the hookup suits its tap.
func (p boxPage) suits() string {
	on := fmt.Sprintf("on the %s ohm tap", quantity.Ohms(p.On.TapOhm))
	if p.On.Amplifier.Kind == amp.SolidState {
		on = fmt.Sprintf("on an amplifier for %s ohm or more", quantity.Ohms(p.On.TapOhm))
	}
	if !p.On.Suits {
		return strings.ToUpper(p.On.Grade.String()) + " " + on + ", NOT SAFE: do not use it there"
	}
	text := p.On.Grade.String() + " " + on
	switch over := p.On.Overdrives(); {
	case over != "":
		text += ", safe for the amplifier, but " + over
	case len(p.Dead) == 0:
		text += ", safe"
	}
	return text
}

func (p boxPage) hookup() Section {
	cautions := amp.Amplifier{}.Cautions() // those of a valve amplifier, where nobody says which
	if p.On != nil {
		cautions = p.On.Cautions()
	}
	cautions = append(cautions, "Local codes and licensed practice come first, too.")
	s := Section{Heading: "The hookup"}
	s.Pieces = append(s.Pieces,
		Caution(strings.Join(cautions, " ")))
	drawing := Figure{
		Picture: plot.Schematic{Set: p.Set, RatedOhm: p.Plan.RatedOhm, Invented: p.Invented},
		Plain:   plot.SetText(p.Set, textColumns, func(load string) string { return ohmText(p.Plan.RatedOhm(load)) }),
	}
	s.Pieces = append(s.Pieces, Beside{besidePart, []Piece{drawing}, []Piece{p.plugs(p.Set.Tree.Leaves()), p.sources()}})
	return s
}

// sources says what stands behind the DC of the cabinets.
func (p boxPage) sources() Words {
	measured, estimated := false, false
	for _, load := range p.Set.Tree.Leaves() {
		practice := p.DC(load).Practice
		measured, estimated = measured || !practice, estimated || practice
	}
	var all []string
	if measured {
		all = append(all, "DC from the measured curve.")
	}
	if estimated {
		all = append(all, "Estimated: 80 to 90 % of the rating (common practice, no source).")
	}
	return Words(strings.Join(all, " "))
}

// plugs says of each of these cabinets where it plugs in, and what a meter reads at
// its plug.
func (p boxPage) plugs(cabinets []string) Table {
	t := Table{Head: []string{"cabinet", "plugs into", "rated", "DC at its own plug"}}
	for _, load := range cabinets {
		dc := p.DC(load)
		text := ohmsText(dc)
		if dc.Practice {
			text += ", estimated: measure it"
		}
		t.add(load, p.plugOf(load), ohmText(p.Plan.RatedOhm(load)), text)
	}
	return t
}

// plugOf is where the plug of a cabinet goes.
func (p boxPage) plugOf(load string) string {
	for _, b := range p.Boxes {
		for j, jack := range b.Jacks {
			if jack.Load == load {
				return p.place(b.Number, j)
			}
		}
	}
	return ""
}

// place is where a plug goes.
func (p boxPage) place(number, jack int) string {
	if number == 1 && p.InAmplifier {
		return "the amplifier"
	}
	return fmt.Sprintf("box %d, jack %d", number, jack)
}

// plugged names what plugs into b.
func (p boxPage) plugged(b box.Box) string {
	var names []string
	for _, j := range b.Jacks[1:] {
		names = append(names, target(j))
	}
	return quantity.List(names)
}

// target is what plugs into a jack.
func target(j box.Jack) string {
	if first, _, _ := strings.Cut(strings.ToLower(j.Load), " "); j.Load != "" && first != "cabinet" && first != "cab" {
		return "cabinet " + j.Load
	}
	return j.Label
}

func jackName(j int) string {
	if j == 0 {
		return "input jack"
	}
	return fmt.Sprintf("jack %d", j)
}

func (p boxPage) box(i int) Section {
	b := p.Parts[i]
	s := Section{Heading: fmt.Sprintf("Box %d: %s in %s", b.Number, p.plugged(b.Box), b.Kind)}
	drawing := []Piece{
		Figure{Picture: plot.BoxDrawing{Box: b.Box, Invented: p.Invented}, Plain: plot.BoxText(b.Box, textColumns)},
		Words("Drawn from the wiring side: from outside, left and right are exchanged."),
	}
	wires := Table{Head: []string{"wire", "from", "to", "cut", "adds"}}
	for k, c := range b.Cuts {
		wires.add(strconv.Itoa(k+1), c.From.String(), c.To.String(), millimetres(c.Metre), wireOhm(c.Ohm))
	}
	parts := Points{
		fmt.Sprintf("%d quarter-inch jacks, two-conductor, without switches; mark them %s", len(b.Jacks), p.marks(b.Box)),
	}
	if b.Washers > 0 {
		parts = append(parts, fmt.Sprintf("%s of insulating shoulder washers, for %s", count(b.Washers, "pair", "pairs"), p.insulated(b.Box)))
	}
	parts = append(parts, fmt.Sprintf("%s of %d AWG stranded copper wire", millimetres(b.Metre), p.AWG))
	s.Pieces = append(s.Pieces, Beside{besidePart, drawing, []Piece{Words(p.chassis(b)), wires, parts, Words(p.adds(b))}})
	if len(b.Shorted) > 0 {
		s.Pieces = append(s.Pieces, Caution(fmt.Sprintf("The metal case of this box is not at the amplifier's sleeve. Where it touches the amplifier, another box or anything grounded, it can short out %s. Keep it apart, or use a plastic case (--plastic).", quantity.List(b.Shorted))))
	}
	s.Pieces = append(s.Pieces, p.continuity(b.Number))
	return s
}

// chassis says which sleeves must be kept off it and why.
func (p boxPage) chassis(b box.Parts) string {
	switch {
	case !b.Metal:
		return "The case is plastic: no jack needs insulating."
	case b.Washers == 0:
		return "Every sleeve is at one potential, so no jack needs insulating from the metal chassis."
	}
	return fmt.Sprintf("Insulate %s from the metal chassis: sleeves that touch it short out every cabinet but the first.", p.insulated(b.Box))
}

func (p boxPage) insulated(b box.Box) string {
	var names []string
	for j, jack := range b.Jacks {
		if jack.Insulated {
			names = append(names, jackName(j))
		}
	}
	return quantity.List(names)
}

func (p boxPage) marks(b box.Box) string {
	var marks []string
	for j, jack := range b.Jacks {
		label := jack.Label
		if j == 0 {
			label = "input from " + label
		}
		marks = append(marks, strconv.Quote(label))
	}
	return quantity.List(marks)
}

// adds says what the wires cost.
func (p boxPage) adds(b box.Parts) string {
	text := fmt.Sprintf("The wires add %s to %s and lose %s of the power",
		wireOhm(b.AddedOhm), ohmText(b.RatedOhm), quantity.Rest(b.Lost))
	if p.On != nil && p.On.Amplifier.Watts > 0 {
		text += fmt.Sprintf(", %s W of %s W", quantity.Digits(b.Lost*p.On.Amplifier.Watts, 2), quantity.Plain(p.On.Amplifier.Watts))
	}
	return text + ", by ratings at 20 C (ASTM B258, IEC 60028), joints apart."
}

func (p boxPage) continuity(number int) Table {
	t := Table{
		Caption: fmt.Sprintf("Check box %d with a meter, its input plug out:", number),
		Head:    []string{"plugged in", "from", "to", "must read"},
		Filled:  true,
	}
	before := ""
	for _, r := range p.Folded {
		if r.Box != number {
			continue
		}
		state := stateText(r.Plugs)
		first := state
		if state == before {
			first = ""
		}
		before = state
		t.add(first, r.From.String(), r.To.String(), readingText(r))
	}
	return t
}

func stateText(s box.PlugState) string {
	switch s {
	case box.AllOut:
		return "nothing"
	case box.AllIn:
		return "all"
	}
	return fmt.Sprintf("jack %d only", int(s))
}

func readingText(r box.Row) string {
	switch r.Contact {
	case netlist.Joined:
		return "closed"
	case netlist.Apart:
		return "open"
	}
	return fmt.Sprintf("%s (through %s)", ohmsText(r.Ohms), strings.Join(r.Carries, ", "))
}

func (p boxPage) drilling() Section {
	s := Section{Heading: drillingHeading, Details: true}
	s.Pieces = append(s.Pieces,
		Points{
			fmt.Sprintf("Hole for a jack's bush: %.1f mm, 3/8 in (common practice, no source); %s", box.BushHole*1e3, p.washerHole()),
			fmt.Sprintf("Centres %.0f mm apart: a plug body of %s mm and %.0f mm between plugs (ours, no source); measure yours (--plug-mm).", p.Pitch*1e3, fmt.Sprintf("%.4g", p.Plug*1e3), box.PlugGap*1e3),
			fmt.Sprintf("The outermost centres of %s. Leave %.0f mm from the last centre to the inside of a wall.", p.rows(), p.Pitch*1e3),
			fmt.Sprintf("Each wire is as long as its jacks are apart and %s at each end (our allowance), to the next 5 mm.", millimetres(box.EndLength)),
		},
		Caution("Clamp the work, wear eye protection, start with a pilot hole, deburr both sides: an edge cuts a washer through."))
	return s
}

// washerHole is the hole of an insulated jack.
func (p boxPage) washerHole() string {
	if p.Shoulder == 0 {
		return "larger with shoulder washers (--washer-mm)."
	}
	return fmt.Sprintf("for an insulated jack %s mm, the shoulder of its washers.", fmt.Sprintf("%.4g", p.Shoulder*1e3))
}

// rows says how long each row of jacks is.
func (p boxPage) rows() string {
	lengths := map[int][]string{}
	var order []int
	for _, b := range p.Parts {
		n := len(b.Jacks)
		if lengths[n] == nil {
			order = append(order, n)
		}
		lengths[n] = append(lengths[n], strconv.Itoa(b.Number))
	}
	var all []string
	for _, n := range order {
		word := "box "
		if len(lengths[n]) > 1 {
			word = "boxes "
		}
		all = append(all, fmt.Sprintf("%s%s are %.0f mm apart (%d jacks)", word, quantity.List(lengths[n]), float64(n-1)*p.Pitch*1e3, n))
	}
	return strings.Join(all, ", of ")
}

func (p boxPage) reading() Section {
	s := Section{Heading: "At the plug that goes to the amplifier"}
	if p.InAmplifier {
		s.Heading = "At the plugs that go to the amplifier"
		s.Pieces = []Piece{Words("Each box and each cabinet that plugs into the amplifier is read by itself, as the tables say; together they make " + ohmsText(p.Reading.Right) + " inside it."), Points{"No ohms show " + polarity + "."}}
		return s
	}
	right := ohmsText(p.Reading.Right)
	if p.Reading.Right.Practice {
		right += " (of unmeasured cabinets by common practice, no source)"
	}
	s.Pieces = append(s.Pieces, Words("All boxes and cabinets plugged in, the amplifier not: a meter from tip to sleeve must read "+right+"."))
	t := Table{Caption: "Wrong readings and what they most likely mean:", Head: []string{"it reads", "because it makes", "look for"}}
	overlaps := false
	for _, w := range p.Reading.Wrong {
		reads := ohmsText(w.Ohms)
		switch w.Contact {
		case netlist.Joined:
			reads = "0 ohm"
		case netlist.Apart:
			reads = "open"
		}
		if w.Overlaps {
			reads += " *"
			overlaps = true
		}
		var makes, faults []string
		for _, m := range w.Meanings {
			if !slices.Contains([]string{"open", "short"}, m.Equivalent) {
				makes = append(makes, m.Equivalent)
			}
		}
		if len(makes) == 0 {
			makes = []string{w.Meanings[0].Equivalent}
		}
		for k := 0; ; k++ { // one of each meaning before the second of any
			more := len(faults)
			for _, m := range w.Meanings {
				if k < len(m.Faults) {
					faults = append(faults, m.Faults[k])
				}
			}
			if len(faults) == more {
				break
			}
		}
		t.add(reads, named(makes), named(faults))
	}
	s.Pieces = append(s.Pieces, t)
	var notes Points
	if overlaps {
		notes = append(notes, "* within the limits of the right reading: a meter here may not tell. The continuity tables do.")
	}
	if len(p.Reading.Between) > 0 {
		notes = append(notes, "A leak reads less than right, by anything: with nothing plugged in, what must be open must be open on the highest range.")
	}
	if len(p.Reading.Same) > 0 {
		notes = append(notes, "A meter here cannot show: "+named(p.Reading.Same)+".")
	}
	notes = append(notes, "No ohms show "+polarity+".")
	s.Pieces = append(s.Pieces, notes)
	return s
}

// named is a list cut to what a person will try.
func named(all []string) string {
	if len(all) <= mostNamed+1 {
		return strings.Join(all, "; ")
	}
	return fmt.Sprintf("%s; and %d more", strings.Join(all[:mostNamed], "; "), len(all)-mostNamed)
}

func count(n int, one, many string) string {
	switch n {
	case 0:
		return "no " + one
	case 1:
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func ohmText(ohm float64) string { return quantity.Ohms(ohm) + " ohm" }

// ohmsText writes what a meter may read.
func ohmsText(o box.Ohms) string {
	places := 1
	if o.High < 10 {
		places = 2
	}
	f := func(x float64) string { return strconv.FormatFloat(x, 'f', places, 64) }
	return fmt.Sprintf("%s to %s ohm", f(o.Low), f(o.High))
}

func millimetres(m float64) string {
	if m >= 1 {
		return quantity.Digits(m, 3) + " m"
	}
	return fmt.Sprintf("%.0f mm", m*1e3)
}

// wireOhm is the resistance of a wire, in ohm as all others are: "mohm" can be taken
// for millions.
func wireOhm(ohm float64) string { return quantity.Digits(ohm, 2) + " ohm" }
