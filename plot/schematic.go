package plot

import (
	"errors"
	"fmt"
	"strings"

	"gonum.org/v1/plot/vg"

	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
)

// Schematic shows the whole hookup from the amplifier's tip on the left to its
// sleeve on the right: the cabinets with their rated ohms, each box an outline
// around what plugs into it.
type Schematic struct {
	Set      box.Set
	RatedOhm func(load string) float64 // ohm
	Invented bool                      // the cabinets were never measured; says so
}

// Sizes of a schematic, in mm.
const (
	cabinetWide, cabinetHigh = 24., 9.
	cellWide, cellHigh       = 30., 16.
	busWide                  = 5. // beside the parts of a parallel
	outlinePad               = 3.
	outlineName              = 6.
	terminalWide             = 22.
	schematicEdge            = 3.
)

// OnPage checks s and returns it as a picture.
func (s Schematic) OnPage() (Picture, error) {
	if err := s.Set.Tree.Check(); err != nil {
		return Picture{}, fmt.Errorf("schematic: %w", err)
	}
	if s.RatedOhm == nil {
		return Picture{}, errors.New("schematic: the ratings of the cabinets are not given")
	}
	c := s.cell(s.Set.Tree)
	return Picture{
		width: mm(c.width + 2*terminalWide + 2*schematicEdge), height: mm(c.height + 2*schematicEdge),
		title: oneLine(s.Set.Tree.String()), about: s.about(), unit: vg.Points(9), draw: s.draw,
	}, nil
}

// about says what hangs on what.
func (s Schematic) about() string {
	text := "Schematic of " + oneLine(s.Set.Tree.String()) + ": the amplifier feeds " + s.name(1)
	for _, b := range s.Set.Boxes {
		var names []string
		for _, j := range b.Jacks[1:] {
			names = append(names, oneLine(j.Label))
		}
		text += fmt.Sprintf("; %s has in %s %s", s.name(b.Number), b.Kind.String(), strings.Join(names, ", "))
	}
	return text
}

// name is what box number n is called.
func (s Schematic) name(n int) string {
	if n == 1 && s.Set.InAmplifier {
		return "output jacks"
	}
	return fmt.Sprintf("box %d", n)
}

// cell is the room that a part of the hookup takes; its wire comes in at left
// and goes out at right, at wire above the lower edge.
type cell struct{ width, height, wire float64 }

func (s Schematic) cell(t hookup.Tree) cell {
	if t.Kind == hookup.Leaf {
		return cell{cellWide, cellHigh, cellHigh / 2}
	}
	var c cell
	above := 0.
	for i, part := range t.Parts {
		p := s.cell(part)
		if t.Kind == hookup.Series {
			c.width += p.width
			c.wire = max(c.wire, p.wire)
			above = max(above, p.height-p.wire)
			continue
		}
		c.width = max(c.width, p.width+2*busWide)
		c.height += p.height
		if i > 0 {
			c.height += outlinePad
		}
	}
	if t.Kind == hookup.Series {
		c.height = c.wire + above
	} else {
		c.wire = c.height / 2
	}
	return cell{c.width + 2*outlinePad, c.height + 2*outlinePad + outlineName, c.wire + outlinePad}
}

func (s Schematic) draw(p pen) {
	c := s.cell(s.Set.Tree)
	left, bottom := schematicEdge+terminalWide, schematicEdge
	y := bottom + c.wire
	right := left + c.width
	wire := p.wire()
	p.lines(wire, at(schematicEdge+2, y), at(left, y))
	p.lines(wire, at(right, y), at(right+terminalWide-2, y))
	for _, end := range []struct {
		x     float64
		align float64
		name  string
	}{{schematicEdge + 2, 0, "tip"}, {right + terminalWide - 2, 1, "sleeve"}} {
		p.dot(paper, at(end.x, y), mm(1.3))
		p.ring(wire, at(end.x, y), mm(1.3))
		p.text(p.body, ink, at(end.x, y+3), end.align, 0, "amplifier")
		p.text(p.body, ink, at(end.x, y-3), end.align, 1, end.name)
	}
	if s.Invented {
		p.text(p.note, quietInk, at(schematicEdge, schematicEdge), 0, 0, "invented")
	}
	number := 0
	s.drawPart(p, s.Set.Tree, left, bottom, &number)
}

func (p pen) wire() stroke { return stroke{color: ink, width: p.unit * 0.16} }

// drawPart draws t with its lower left corner at x and y. number counts the
// boxes as box.Build does.
func (s Schematic) drawPart(p pen, t hookup.Tree, x, y float64, number *int) {
	c := s.cell(t)
	wire := p.wire()
	if t.Kind == hookup.Leaf {
		mid := y + c.wire
		edge := (cellWide - cabinetWide) / 2
		p.lines(wire, at(x, mid), at(x+edge, mid))
		p.lines(wire, at(x+cellWide-edge, mid), at(x+cellWide, mid))
		r := corners(x+edge, mid-cabinetHigh/2, x+cellWide-edge, mid+cabinetHigh/2)
		p.box(paper, r)
		p.outline(stroke{color: ink, width: p.unit * 0.2}, r)
		p.text(p.body, ink, at(x+edge+1.2, mid), 0, 0.5, "+")
		p.text(p.body, ink, at(x+cellWide/2+1, mid), 0.5, 0.5, shorten(p.body, oneLine(t.Load), mm(cabinetWide-6)))
		p.text(p.note, quietInk, at(x+cellWide/2, mid-cabinetHigh/2-1), 0.5, 1, fmt.Sprintf("%.3g ohm", s.RatedOhm(t.Load)))
		return
	}
	*number++
	n := *number
	hue := hues[(n-1)%len(hues)]
	r := corners(x+0.8, y+0.8, x+c.width-0.8, y+c.height-0.8)
	shade := hue
	shade.A = 0x12
	if n > 1 || !s.Set.InAmplifier { // the amplifier's jacks are no box
		p.box(shade, r)
		p.outline(stroke{color: hue, width: p.unit * 0.14, dash: []vg.Length{5, 3}}, r)
	}
	p.text(p.note, ink, at(x+2.5, y+c.height-2.6), 0, 1, s.name(n)+", "+t.Kind.String())
	mid := y + c.wire
	inner := x + outlinePad
	p.lines(wire, at(x, mid), at(inner, mid))
	p.lines(wire, at(x+c.width-outlinePad, mid), at(x+c.width, mid))
	if t.Kind == hookup.Series {
		for _, part := range t.Parts {
			s.drawPart(p, part, inner, mid-s.cell(part).wire, number)
			inner += s.cell(part).width
		}
		return
	}
	far := x + c.width - outlinePad
	low, high := y+c.height, y
	below := y + c.height - outlinePad - outlineName
	for _, part := range t.Parts {
		of := s.cell(part)
		below -= of.height
		line := below + of.wire
		low, high = min(low, line), max(high, line)
		begin := inner + (far-inner-of.width)/2
		p.lines(wire, at(inner, line), at(begin, line))
		p.lines(wire, at(begin+of.width, line), at(far, line))
		s.drawPart(p, part, begin, below, number)
		below -= outlinePad
	}
	for _, bus := range []float64{inner, far} {
		p.lines(wire, at(bus, min(low, mid)), at(bus, max(high, mid)))
		p.dot(ink, at(bus, mid), mm(0.8))
	}
}
