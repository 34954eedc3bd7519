package report

import (
	"fmt"
	"math"
	"strings"

	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/measure/quantity"
	"tapload/plot"
)

func (p boxPage) pulled() Section {
	s := Section{Heading: pulledHeading}
	t := Table{Head: []string{"plug that is out", "leaves", "still plays"}}
	if p.On != nil {
		t.Head = append(t.Head, "for the amplifier")
	}
	for _, pull := range p.Pulls {
		leaves, plays := "no load", "nothing"
		if !math.IsInf(pull.RatedOhm, 1) {
			leaves = ohmText(pull.RatedOhm)
			plays = strings.Join(pull.Leaves.Loads, ", ")
		}
		row := []string{p.plug(pull), leaves, plays}
		if pull.On != nil {
			grade := p.On.Judged(pull.On.Grade, pull.On.Suits, len(pull.On.Overdriven) > 0)
			if len(pull.On.Overdriven) > 0 {
				grade += "; OVERDRIVES " + strings.Join(pull.On.Overdriven, ", ")
			}
			row = append(row, grade)
		}
		t.Rows = append(t.Rows, row)
	}
	by := "Ohms by ratings; "
	if p.On != nil && p.On.Measured {
		by = "Ohms by ratings, the grade by the measured curves; "
	}
	s.Pieces = append(s.Pieces, t, Words(by+"plain jacks that do not switch."))
	return s
}

func (p boxPage) plug(pull box.Pull) string {
	if pull.Jack == 0 {
		return "amplifier's"
	}
	return target(p.Boxes[pull.Box-1].Jacks[pull.Jack]) + ", at " + strings.Replace(p.place(pull.Box, pull.Jack), ", ", " ", 1)
}

func (p boxPage) labels() Section {
	s := Section{Heading: labelsHeading, Details: true}
	for _, b := range p.Parts {
		l := p.label(b)
		s.Pieces = append(s.Pieces, append(Label{l.Name, l.Never, l.What}, l.Lines...))
	}
	return s
}

// label is what sticks on a box.
func (p boxPage) label(b box.Parts) plot.Label {
	from := "amplifier"
	if b.Number > 1 {
		from = b.Jacks[0].Label
	}
	line := "input: " + from
	for j, jack := range b.Jacks[1:] {
		line += fmt.Sprintf("; jack %d: %s", j+1, jack.Label)
	}
	l := plot.Label{
		Name: fmt.Sprintf("BOX %d - %s", b.Number, strings.ToUpper(b.Kind.String())), What: p.use(b), Never: "DO NOT PULL A PLUG WHILE THE AMPLIFIER IS ON",
		Lines: []string{line, fmt.Sprintf("%s = %s by ratings", b.Tree, ohmText(b.RatedOhm)), p.worst()}, Invented: p.Invented,
	}
	if len(b.Shorted) > 0 {
		l.Lines = append(l.Lines, "Keep this case off the amplifier and other boxes")
	}
	return l
}

// use says where a box may be plugged in.
func (p boxPage) use(b box.Parts) string {
	switch {
	case b.Number > 1 && p.InAmplifier && p.On.Suits && b.Jacks[0].Label == "amplifier":
		return fmt.Sprintf("Only with the others together, on the %s ohm output", quantity.Ohms(p.On.TapOhm))
	case b.Number > 1:
		return "Not for an amplifier by itself"
	case p.On == nil:
		return "Only where the amplifier allows this load"
	case !p.On.Suits:
		return p.suits()
	case p.On.Amplifier.Kind == amp.SolidState:
		return fmt.Sprintf("Lowest load of the amplifier: %s ohm", quantity.Ohms(p.On.TapOhm))
	}
	return fmt.Sprintf("Use the %s ohm tap", quantity.Ohms(p.On.TapOhm))
}

// worst says what a pulled cabinet plug can do.
func (p boxPage) worst() string {
	least, most := math.Inf(1), 0.
	for _, pull := range p.Pulls {
		if pull.Jack == 0 {
			continue
		}
		least, most = min(least, pull.RatedOhm), max(most, pull.RatedOhm)
	}
	switch {
	case math.IsInf(most, 1):
		return "A pulled plug can leave NO LOAD"
	case most == least:
		return "A pulled plug leaves " + ohmText(most)
	}
	return fmt.Sprintf("A pulled plug leaves %s to %s", quantity.Ohms(least), ohmText(most))
}
