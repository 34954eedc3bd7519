package plot

import (
	"fmt"

	"gonum.org/v1/plot/vg"
)

// JigDrawing shows how card, sense resistor and load are wired, on a sheet of A4
// to hang above the bench: the current's way in thick lines, what the inputs hear
// in thin ones with their screens dashed.
type JigDrawing struct {
	SenseOhm float64 // ohm
}

// Sizes of the drawing, in mm.
const (
	jigWide, jigHigh      = 297., 210.
	jigEdge               = 14.
	jigCardRight          = 62.
	jigTap, jigLoad       = 112., 250.          // where input 1 hears the current's way, and the load's middle
	jigOut, jigGround     = 172., 92.           // heights of the current's way, out and back
	jigIn1, jigIn2        = 146., 118.          // of the inputs
	jigUnder              = 7.                  // from an input down to its screen
	jigPlugTip, jigSleeve = 161., jigGround + 6 // of the load's plug
	jigTextSize           = 13.                 // points
)

// jigCautions stand where the jig hangs.
var jigCautions = []string{
	"Never measure with an amplifier connected, except as \"tapload help amplifier\" says. A valve amplifier holds lethal voltage after it is switched off, and an open load can damage it.",
	"A bridged or a floating output must never meet the grounded inputs of a sound card. Start quiet.",
	"The amplifier maker's instructions, local codes and licensed practice come first.",
}

// OnPage checks d and returns it as a picture.
func (d JigDrawing) OnPage() (Picture, error) {
	if !(d.SenseOhm > 0) {
		return Picture{}, fmt.Errorf("jig drawing: a sense resistor of %g ohm must be above 0", d.SenseOhm)
	}
	return Picture{
		width: mm(jigWide), height: mm(jigHigh), title: "Wiring of the jig",
		about: fmt.Sprintf("Wiring of the jig: the card's output feeds the load through a sense resistor of %.3g ohm; input 1 hears the voltage before the resistor, input 2 the voltage at the load's plug by wires of its own; the screens of both leads and the current's way back meet at the sleeve of that plug; both inputs have the same protection in their leads", d.SenseOhm),
		unit:  vg.Points(jigTextSize), draw: d.draw,
	}, nil
}

func (d JigDrawing) draw(p pen) {
	big := penOf(p.Canvas, p.width, p.height, p.unit*1.5)
	big.title(at(jigEdge, jigHigh-12), "Wiring of the jig", mm(jigWide-2*jigEdge), 1)

	p.frame(corners(jigEdge, jigGround-8, jigCardRight, jigOut+14))
	p.text(p.head, ink, at((jigEdge+jigCardRight)/2, jigOut+9), 0.5, 0.5, "sound card")
	d.current(p)
	d.leads(p)
	for _, port := range []struct {
		y    float64
		name string
	}{{jigOut, "output"}, {jigIn1, "input 1"}, {jigIn2, "input 2"}, {jigGround, "ground"}} {
		p.dot(paper, at(jigCardRight, port.y), mm(1.8))
		p.ring(p.wire(), at(jigCardRight, port.y), mm(1.8))
		p.text(p.body, ink, at(jigCardRight-5, port.y), 1, 0.5, port.name)
	}
	d.words(p)
}

// current is the way of the current, out and back, with what is in it.
func (d JigDrawing) current(p pen) {
	power := stroke{color: ink, width: p.unit * 0.3}
	p.lines(power, at(jigCardRight, jigOut), at(jigLoad, jigOut), at(jigLoad, jigPlugTip-12))
	p.lines(power, at(jigLoad, jigSleeve+12), at(jigLoad, jigGround), at(jigCardRight, jigGround))
	p.frame(corners(jigTap+32, jigOut-6, jigTap+76, jigOut+6))
	p.text(p.head, ink, at(jigTap+54, jigOut), 0.5, 0.5, fmt.Sprintf("%.3g ohm", d.SenseOhm))
	p.text(p.body, ink, at(jigTap+54, jigOut+9), 0.5, 0, "sense resistor")
	p.frame(corners(jigLoad-20, jigSleeve+12, jigLoad+20, jigPlugTip-12))
	p.text(p.head, ink, at(jigLoad, (jigSleeve+jigPlugTip)/2), 0.5, 0.5, "load")
	p.text(p.body, ink, at(jigLoad+4, jigPlugTip), 0, 0.5, "tip of its plug")
	p.text(p.body, ink, at(jigLoad+4, jigSleeve), 0, 0.5, "sleeve")
	p.text(p.note, quietInk, at((jigCardRight+jigLoad)/2, jigGround-2.5), 0.5, 1, "power lead, 1.5 mm² or more, short")
}

// leads are the two sense leads, whose screens meet at the sleeve of the load's plug.
func (d JigDrawing) leads(p pen) {
	const beside, apart = 204., 6. // where the leads turn, and how far from one another
	hue := [2]stroke{{color: hues[0], width: p.unit * 0.18}, {color: hues[1], width: p.unit * 0.18}}
	screens := hue
	for i := range screens {
		screens[i].dash = []vg.Length{5, 3.5}
	}
	over := stroke{color: paper, width: p.unit * 0.6}
	first := []vg.Point{at(jigCardRight, jigIn1-jigUnder), at(beside-apart, jigIn1-jigUnder), at(beside-apart, jigSleeve+apart), at(jigLoad, jigSleeve+apart)}
	second := []vg.Point{at(jigCardRight, jigIn2-jigUnder), at(beside-2*apart, jigIn2-jigUnder), at(beside-2*apart, jigSleeve), at(jigLoad, jigSleeve)}
	p.lines(screens[0], first...)
	p.lines(screens[1], second...)
	p.lines(hue[0], at(jigTap, jigOut), at(jigTap, jigIn1), at(jigCardRight, jigIn1))
	heard := []vg.Point{at(jigLoad, jigPlugTip), at(beside, jigPlugTip), at(beside, jigIn2), at(jigCardRight, jigIn2)}
	p.lines(over, heard[1:3]...)
	p.lines(over, heard[2:]...)
	p.lines(hue[1], heard...)
	for i, y := range []float64{jigIn1, jigIn2} {
		p.frame(corners(jigCardRight+9, y-4, jigCardRight+19, y+4))
		p.text(p.body, ink, at(jigCardRight+14, y), 0.5, 0.5, "P")
		p.text(p.body, ink, at(jigTap+4, y+2.2), 0, 0, []string{"V1, before the sense resistor", "V2, from the load's own plug"}[i])
		p.text(p.note, quietInk, at(jigTap+4, y-jigUnder-2), 0, 1, []string{"screen of lead 1", "screen of lead 2"}[i])
	}
	for _, dot := range []vg.Point{at(jigTap, jigOut), at(jigLoad, jigPlugTip), at(jigLoad, jigSleeve+apart), at(jigLoad, jigSleeve)} {
		p.dot(ink, dot, mm(1.5))
	}
}

// words are what the drawing needs said, and the cautions.
func (d JigDrawing) words(p pen) {
	room := mm(jigWide - 2*jigEdge)
	y := mm(75)
	say := func(x, room vg.Length, s string) {
		for _, line := range p.folded(p.body, s, room, 4) {
			p.text(p.body, ink, vg.Point{X: x, Y: y}, 0, 1, line)
			y -= p.unit * 1.35
		}
	}
	say(mm(jigEdge), room, "P: protection, alike in both leads, at the card's end: 1 kohm in series, then two 5.1 V Zener diodes back to back from the conductor to ground. It is none against an amplifier.")
	say(mm(jigEdge), room, "All grounds meet in one point, the sleeve of the load's plug. Both sense leads are alike and short.")
	y -= p.unit * 0.5
	top := y
	inner := mm(jigEdge + 7)
	y -= p.unit * 0.7
	p.text(p.head, ink, vg.Point{X: inner, Y: y}, 0, 1, "Caution")
	y -= p.unit * 1.6
	for _, c := range jigCautions {
		say(inner, room-mm(10), c)
	}
	y -= p.unit * 0.2
	p.box(hues[1], vg.Rectangle{Min: vg.Point{X: mm(jigEdge), Y: y}, Max: vg.Point{X: mm(jigEdge + 2.5), Y: top}})
	p.outline(stroke{color: hues[1], width: p.unit * 0.1}, vg.Rectangle{Min: vg.Point{X: mm(jigEdge), Y: y}, Max: vg.Point{X: mm(jigWide - jigEdge), Y: top}})
}

func corners(left, bottom, right, top float64) vg.Rectangle {
	return vg.Rectangle{Min: at(left, bottom), Max: at(right, top)}
}

// frame draws a part as an outline that hides the wires behind it.
func (p pen) frame(r vg.Rectangle) {
	p.box(paper, r)
	p.outline(stroke{color: ink, width: p.unit * 0.2}, r)
}
