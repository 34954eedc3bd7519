package plot

import (
	"fmt"

	"gonum.org/v1/plot/vg"
)

// JigDrawing shows how card, sense resistor and load are wired: the current's
// way in thick lines, what the inputs hear in thin ones.
type JigDrawing struct {
	SenseOhm float64 // ohm
}

// Sizes of the drawing, in mm.
const (
	jigWide, jigHigh      = 150., 84.
	jigCard, jigCardRight = 6., 36.
	jigTap, jigLoad       = 66., 128. // where input 1 hears the current's way, and the load's middle
	jigOut, jigIn1        = 66., 53.  // heights, from the card's output down to its ground
	jigIn2, jigGround     = 34., 20.
	jigPlug               = 56. // tip of the load's plug
)

// OnPage checks d and returns it as a picture.
func (d JigDrawing) OnPage() (Picture, error) {
	if !(d.SenseOhm > 0) {
		return Picture{}, fmt.Errorf("jig drawing: a sense resistor of %g ohm must be above 0", d.SenseOhm)
	}
	return Picture{
		width: mm(jigWide), height: mm(jigHigh), title: "Wiring of the jig",
		about: fmt.Sprintf("Wiring of the jig: the card's output feeds the load through a sense resistor of %.3g ohm; input 1 hears the voltage before the resistor, input 2 the voltage at the load's plug by wires of its own; all grounds meet at the sleeve of that plug; both inputs have the same protection in their leads", d.SenseOhm),
		unit:  vg.Points(9), draw: d.draw,
	}, nil
}

func (d JigDrawing) draw(p pen) {
	power := stroke{color: ink, width: p.unit * 0.28}
	sense := [2]stroke{{color: hues[0], width: p.unit * 0.16}, {color: hues[1], width: p.unit * 0.16}}

	p.frame(corners(jigCard, jigGround-6, jigCardRight, jigOut+8))
	p.text(p.body, ink, at((jigCard+jigCardRight)/2, jigOut+4.5), 0.5, 0.5, "sound card")

	// The current's way, out and back.
	p.lines(power, at(jigCardRight, jigOut), at(jigLoad, jigOut), at(jigLoad, jigPlug-7))
	p.lines(power, at(jigLoad, jigGround+8), at(jigLoad, jigGround), at(jigCardRight, jigGround))
	resistor := corners(jigTap+10, jigOut-3, jigTap+34, jigOut+3)
	p.frame(resistor)
	p.text(p.body, ink, at(jigTap+22, jigOut), 0.5, 0.5, fmt.Sprintf("%.3g ohm", d.SenseOhm))
	p.text(p.note, quietInk, at(jigTap+22, jigOut+4.5), 0.5, 0, "sense resistor")
	p.frame(corners(jigLoad-12, jigGround+8, jigLoad+12, jigPlug-7))
	p.text(p.body, ink, at(jigLoad, (jigGround+jigPlug+1)/2), 0.5, 0.5, "load")
	p.text(p.note, quietInk, at(jigLoad+2.5, jigPlug-3), 0, 0.5, "tip")
	p.text(p.note, quietInk, at(jigLoad+2.5, jigGround+3), 0, 0.5, "sleeve")

	// What the inputs hear; wires of their own from the load's plug.
	const beside = 106
	p.lines(sense[0], at(jigTap, jigOut), at(jigTap, jigIn1), at(jigCardRight, jigIn1))
	p.lines(sense[1], at(jigLoad, jigPlug), at(beside, jigPlug), at(beside, jigIn2), at(jigCardRight, jigIn2))
	screen := sense[1]
	screen.dash = []vg.Length{5, 4}
	p.lines(screen, at(jigLoad, jigGround+5), at(beside+3, jigGround+5), at(beside+3, jigIn2-4), at(jigCardRight, jigIn2-4))
	p.text(p.note, quietInk, at(jigTap+16, jigIn2-6), 0.5, 1, "screen of that lead, its ground")
	for i, y := range []float64{jigIn1, jigIn2} {
		p.frame(corners(jigCardRight+8, y-2.5, jigCardRight+14, y+2.5))
		p.text(p.note, ink, at(jigCardRight+11, y), 0.5, 0.5, "P")
		p.text(p.note, ink, at(jigTap+3, y+1.5), 0, 0, []string{"V1", "V2, from the load's own plug"}[i])
	}
	for _, dot := range []vg.Point{at(jigTap, jigOut), at(jigLoad, jigPlug), at(jigLoad, jigGround+5)} {
		p.dot(ink, dot, mm(1))
	}
	for _, port := range []struct {
		y    float64
		name string
	}{{jigOut, "output"}, {jigIn1, "input 1"}, {jigIn2, "input 2"}, {jigGround, "ground"}} {
		p.dot(paper, at(jigCardRight, port.y), mm(1.1))
		p.ring(p.wire(), at(jigCardRight, port.y), mm(1.1))
		p.text(p.note, ink, at(jigCardRight-3, port.y), 1, 0.5, port.name)
	}
	p.text(p.note, quietInk, at(jigCard, 7), 0, 0.5, "P  protection, the same in both leads: 1 kohm in series, two Zener diodes back to back to ground behind it")
	p.text(p.note, quietInk, at(jigCard, 2.5), 0, 0.5, "no amplifier anywhere")
}

func corners(left, bottom, right, top float64) vg.Rectangle {
	return vg.Rectangle{Min: at(left, bottom), Max: at(right, top)}
}

// frame draws a part as an outline that hides the wires behind it.
func (p pen) frame(r vg.Rectangle) {
	p.box(paper, r)
	p.outline(stroke{color: ink, width: p.unit * 0.2}, r)
}
