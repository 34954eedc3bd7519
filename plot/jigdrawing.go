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

	// Brief draws the wiring alone, as wide as a telephone: without the protection
	// of the inputs and the cautions, which a page then says.
	Brief bool
}

// Sizes of the sheet, in mm.
const (
	jigWide, jigHigh = 297., 210.
	jigEdge          = 14.
)

// jigLayout is where things are in the drawing, in mm.
type jigLayout struct {
	left, right   float64 // of the card
	top, bottom   float64 // of the card, above its output and below its ground
	tap           float64 // where input 1 hears the current's way
	from, to      float64 // the sense resistor
	load, half    float64 // middle of the load, and half of its width
	inside        float64 // from tip and sleeve of its plug to the load
	out, ground   float64 // heights of the current's way, out and back
	in            [2]float64
	under         float64 // from an input down to its screen
	tip, sleeve   float64 // of the load's plug
	beside, apart float64 // where the leads turn, and how far from one another
	near, point   float64 // from a line to its words; half of what a terminal takes
}

var (
	jigSheet = jigLayout{
		left: jigEdge, right: 62, top: 14, bottom: 8, tap: 112, from: 144, to: 188, load: 250, half: 20, inside: 12,
		out: 172, ground: 92, in: [2]float64{146, 118}, under: 7, tip: 161, sleeve: 98, beside: 204, apart: 6, near: 4, point: 1.8,
	}
	jigBrief = jigLayout{
		left: 1, right: 25, top: 10, bottom: 5, tap: 32, from: 40, to: 61, load: 78, half: 11, inside: 6,
		out: 54, ground: 8, in: [2]float64{40, 25}, under: 4, tip: 47, sleeve: 12, beside: 65, apart: 3, near: 2, point: 1,
	}
)

const (
	jigBriefHigh  = 66. // mm
	jigTextSize   = 13. // points
	jigBriefPoint = 8.5 // points
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
	p := Picture{
		width: mm(jigWide), height: mm(jigHigh), title: "Wiring of the jig",
		about: fmt.Sprintf("Wiring of the jig: the card's output feeds the load through a sense resistor of %.3g ohm; input 1 hears the voltage before the resistor, input 2 the voltage at the load's plug by wires of its own; the screens of both leads and the current's way back meet at the sleeve of that plug", d.SenseOhm),
		unit:  vg.Points(jigTextSize), draw: d.draw,
	}
	if d.Brief {
		p.width, p.height, p.unit = mm(NarrowMM), mm(jigBriefHigh), vg.Points(jigBriefPoint)
	} else {
		p.about += "; both inputs have the same protection in their leads"
	}
	return p, nil
}

func (d JigDrawing) draw(p pen) {
	l := jigSheet
	if d.Brief {
		l = jigBrief
	} else {
		big := penOf(p.Canvas, p.width, p.height, p.unit*1.5)
		big.title(at(jigEdge, jigHigh-12), "Wiring of the jig", mm(jigWide-2*jigEdge), 1)
	}
	p.frame(corners(l.left, l.ground-l.bottom, l.right, l.out+l.top))
	p.text(p.head, ink, at((l.left+l.right)/2, l.out+l.top*9/14), 0.5, 0.5, "sound card")
	d.current(p, l)
	d.leads(p, l)
	for _, port := range []struct {
		y    float64
		name string
	}{{l.out, "output"}, {l.in[0], "input 1"}, {l.in[1], "input 2"}, {l.ground, "ground"}} {
		p.dot(paper, at(l.right, port.y), mm(l.point))
		p.ring(p.wire(), at(l.right, port.y), mm(l.point))
		p.text(p.body, ink, at(l.right-l.near-1, port.y), 1, 0.5, port.name)
	}
	if !d.Brief {
		d.words(p)
	}
}

// current is the way of the current, out and back, with what is in it.
func (d JigDrawing) current(p pen, l jigLayout) {
	power := stroke{color: ink, width: p.unit * 0.3}
	p.lines(power, at(l.right, l.out), at(l.load, l.out), at(l.load, l.tip-l.inside))
	p.lines(power, at(l.load, l.sleeve+l.inside), at(l.load, l.ground), at(l.right, l.ground))
	p.frame(corners(l.from, l.out-l.near*1.5, l.to, l.out+l.near*1.5))
	p.text(p.head, ink, at((l.from+l.to)/2, l.out), 0.5, 0.5, fmt.Sprintf("%.3g ohm", d.SenseOhm))
	p.text(p.body, ink, at((l.from+l.to)/2, l.out+l.near*2.25), 0.5, 0, "sense resistor")
	p.frame(corners(l.load-l.half, l.sleeve+l.inside, l.load+l.half, l.tip-l.inside))
	p.text(p.head, ink, at(l.load, (l.sleeve+l.tip)/2), 0.5, 0.5, "load")
	tip := "tip of its plug"
	if d.Brief {
		tip = "tip"
	}
	p.text(p.body, ink, at(l.load+l.near, l.tip), 0, 0.5, tip)
	p.text(p.body, ink, at(l.load+l.near, l.sleeve), 0, 0.5, "sleeve")
	p.text(p.note, quietInk, at((l.right+l.load)/2, l.ground-l.near*0.625), 0.5, 1, "power lead, 1.5 mm² or more, short")
}

// leads are the two sense leads, whose screens meet at the sleeve of the load's plug.
func (d JigDrawing) leads(p pen, l jigLayout) {
	hue := [2]stroke{{color: hues[0], width: p.unit * 0.18}, {color: hues[1], width: p.unit * 0.18}}
	screens := hue
	for i := range screens {
		screens[i].dash = []vg.Length{5, 3.5}
	}
	over := stroke{color: paper, width: p.unit * 0.6}
	first := []vg.Point{at(l.right, l.in[0]-l.under), at(l.beside-l.apart, l.in[0]-l.under), at(l.beside-l.apart, l.sleeve+l.apart), at(l.load, l.sleeve+l.apart)}
	second := []vg.Point{at(l.right, l.in[1]-l.under), at(l.beside-2*l.apart, l.in[1]-l.under), at(l.beside-2*l.apart, l.sleeve), at(l.load, l.sleeve)}
	p.lines(screens[0], first...)
	p.lines(screens[1], second...)
	p.lines(hue[0], at(l.tap, l.out), at(l.tap, l.in[0]), at(l.right, l.in[0]))
	heard := []vg.Point{at(l.load, l.tip), at(l.beside, l.tip), at(l.beside, l.in[1]), at(l.right, l.in[1])}
	p.lines(over, heard[1:3]...)
	p.lines(over, heard[2:]...)
	p.lines(hue[1], heard...)
	names := []string{"V1, before the sense resistor", "V2, from the load's own plug"}
	if d.Brief {
		names = []string{"V1", "V2"}
	}
	for i, y := range l.in {
		if !d.Brief {
			p.frame(corners(l.right+9, y-4, l.right+19, y+4))
			p.text(p.body, ink, at(l.right+14, y), 0.5, 0.5, "P")
		}
		p.text(p.body, ink, at(l.tap+l.near, y+l.near*0.55), 0, 0, names[i])
		p.text(p.note, quietInk, at(l.tap+l.near, y-l.under-l.near/2), 0, 1, fmt.Sprintf("screen of lead %d", i+1))
	}
	for _, dot := range []vg.Point{at(l.tap, l.out), at(l.load, l.tip), at(l.load, l.sleeve+l.apart), at(l.load, l.sleeve)} {
		p.dot(ink, dot, mm(l.point*5/6))
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
	say(mm(jigEdge), room, "P: protection, alike in both leads, at the card's end: 1 kohm in series, then two 5.1 V Zener diodes back to back from the conductor to ground. It gives none against an amplifier.")
	say(mm(jigEdge), room, "All grounds meet at one point, the sleeve of the load's plug. Both sense leads are alike and short.")
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
