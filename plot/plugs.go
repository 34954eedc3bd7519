package plot

import (
	"errors"
	"fmt"
	"image/color"
	"slices"
	"strconv"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
	units "tapload/measure/quantity"
)

// Plugs shows what plugs into what: the amplifier with its jacks and taps, the
// boxes and the cabinets as things, each cable as a line from plug to plug. No two
// cables cross.
type Plugs struct {
	Set       box.Set                   // of a single cabinet its Tree alone
	RatedOhm  func(load string) float64 // ohm
	Amplifier string                    // its name; may be empty
	TapOhm    []float64                 // taps of a valve amplifier
	UseOhm    float64                   // the one to use; 0: none is
	LeastOhm  float64                   // lowest load of a solid-state amplifier
	Jacks     int                       // output jacks, at least those in use
	Invented  bool                      // says so on the picture

	// Narrow puts the things one below the other, for a narrow screen.
	Narrow bool
}

// Sizes in mm.
const (
	plugsEdge    = 2.
	ampWide      = 40.
	ampHigh      = 29.
	ampTaps      = 16. // of it, for its name and taps
	boxWide      = 25.
	cabWide      = 40.
	cabHigh      = 13.
	rowHigh      = 16.
	cableRoom    = 19. // between columns
	jackStep     = 7.
	plugLong     = 4.2
	plugThick    = 2.3
	narrowThing  = 62. // widest thing of the narrow picture
	narrowGap    = 4.
	narrowIndent = 6. // beside the cables
	markRoom     = 5.
)

// thing is what cables join: the amplifier, a box, or a cabinet.
type thing struct {
	name, what   string
	load         bool
	first        bool // the amplifier
	jacks        int
	kids         []*thing // one for each jack, from the first on
	x, y         float64  // upper left corner, mm, y downwards
	width, high  float64
	depth, order int // column, and row of its first cabinet
	leaves       int
}

// OnPage checks s and returns it as a picture.
func (s Plugs) OnPage() (Picture, error) {
	if err := s.Set.Tree.Check(); err != nil {
		return Picture{}, fmt.Errorf("cabling: %w", err)
	}
	if s.RatedOhm == nil {
		return Picture{}, errors.New("cabling: the ratings of the cabinets are not given")
	}
	root := s.things()
	width, height := s.place(root)
	if s.Invented {
		height += markRoom
	}
	return Picture{
		width: mm(width), height: mm(height), title: "Cabling of " + oneLine(s.Set.Tree.String()), about: s.about(root), unit: vg.Points(9),
		draw: func(p pen) {
			d := plugsPen{p, height}
			d.cables(root, s.Narrow)
			s.draw(d, root)
			if s.Invented {
				p.text(p.note, quietInk, at(plugsEdge, plugsEdge), 0, 0, "invented data")
			}
		},
	}, nil
}

// things are what there is, the amplifier first.
func (s Plugs) things() *thing {
	name := s.Amplifier
	if name == "" {
		name = "amplifier"
	}
	root := &thing{name: oneLine(name), first: true}
	var of func(j box.Jack) *thing
	of = func(j box.Jack) *thing {
		if j.Load != "" {
			return &thing{name: oneLine(j.Load), what: units.Ohms(s.RatedOhm(j.Load)) + " ohm", load: true}
		}
		b := s.Set.Boxes[j.Box-1]
		t := &thing{name: fmt.Sprintf("BOX %d", b.Number), what: b.Kind.String(), jacks: len(b.Jacks) - 1}
		for _, j := range b.Jacks[1:] {
			t.kids = append(t.kids, of(j))
		}
		return t
	}
	switch {
	case s.Set.Tree.Kind == hookup.Leaf:
		root.kids = []*thing{of(box.Jack{Load: s.Set.Tree.Load})}
	case s.Set.InAmplifier:
		for _, j := range s.Set.Boxes[0].Jacks[1:] {
			root.kids = append(root.kids, of(j))
		}
	default:
		root.kids = []*thing{of(box.Jack{Box: 1})}
	}
	root.jacks = max(s.Jacks, len(root.kids))
	return root
}

// about says in words what plugs into what.
func (s Plugs) about(root *thing) string {
	var parts []string
	var tell func(t *thing)
	tell = func(t *thing) {
		for i, kid := range t.kids {
			parts = append(parts, fmt.Sprintf("%s jack %d to %s", t.name, i+1, kid.name))
		}
		for _, kid := range t.kids {
			tell(kid)
		}
	}
	tell(root)
	text := "Cables: " + strings.Join(parts, "; ")
	if s.UseOhm > 0 && len(s.TapOhm) > 0 {
		text += "; the amplifier on its " + units.Ohms(s.UseOhm) + " ohm tap"
	}
	return text
}

// place gives every thing its place and returns the size of the picture.
func (s Plugs) place(root *thing) (width, height float64) {
	if s.Narrow {
		return s.placeBelow(root)
	}
	deepest, row := 0, 0
	var walk func(t *thing, depth int)
	walk = func(t *thing, depth int) {
		t.depth, t.order = depth, row
		if t.load {
			t.leaves = 1
			row++
			return
		}
		deepest = max(deepest, depth)
		for _, kid := range t.kids {
			walk(kid, depth+1)
			t.leaves += kid.leaves
		}
	}
	walk(root, 0)
	height = max(float64(row)*rowHigh, ampHigh, float64(root.jacks)*jackStep+ampTaps+5) + 2*plugsEdge
	top := (height - float64(row)*rowHigh) / 2
	column := func(depth int) float64 {
		if depth == 0 {
			return plugsEdge
		}
		return plugsEdge + ampWide + cableRoom + float64(depth-1)*(boxWide+cableRoom)
	}
	var put func(t *thing)
	put = func(t *thing) {
		middle := top + (float64(t.order)+float64(t.leaves)/2)*rowHigh
		switch {
		case t.load:
			t.width, t.high, t.x = cabWide, cabHigh, column(deepest+1)
		case t.first:
			t.width, t.high, t.x = ampWide, max(ampHigh, float64(t.jacks)*jackStep+ampTaps+5), plugsEdge
		default:
			t.width, t.high, t.x = boxWide, float64(t.jacks)*jackStep+5, column(t.depth)
		}
		t.y = middle - t.high/2
		for _, kid := range t.kids {
			put(kid)
		}
	}
	put(root)
	return column(deepest+1) + cabWide + plugsEdge, height
}

// placeBelow puts each thing below the one before it, to the right of the cables
// that go further down.
func (s Plugs) placeBelow(root *thing) (width, height float64) {
	y := plugsEdge
	var put func(t *thing, x float64)
	put = func(t *thing, x float64) {
		t.x, t.y, t.width, t.high = x, y, min(narrowThing, max(36, NarrowMM-plugsEdge-x)), cabHigh
		if t.first {
			t.high = ampHigh - 5
		}
		width = max(width, t.x+t.width+plugsEdge)
		y += t.high + narrowGap
		for _, kid := range t.kids {
			put(kid, x+narrowIndent+float64(t.jacks)*t.step(true))
		}
	}
	put(root, plugsEdge)
	return max(width, NarrowMM), y - narrowGap + plugsEdge
}

// step is the distance of the jacks of t.
func (t *thing) step(narrow bool) float64 {
	if !narrow {
		return jackStep
	}
	return min(jackStep, 16/float64(max(1, t.jacks)))
}

// jack is where cable i leaves t.
func (t *thing) jack(i int, narrow bool) (x, y float64) {
	if narrow { // the first on the right, so that no cable crosses another
		return t.x + 4 + t.step(true)*float64(t.jacks-1-i), t.y + t.high
	}
	middle := t.y + t.high/2
	if t.first {
		middle += ampTaps / 2
	}
	return t.x + t.width, middle + jackStep*(float64(i)-float64(t.jacks-1)/2)
}

// plugsPen draws with y downwards, in mm.
type plugsPen struct {
	pen
	height float64
}

func (d plugsPen) at(x, y float64) vg.Point { return at(x, d.height-y) }

func (d plugsPen) rect(x, y, width, high float64) vg.Rectangle {
	return corners(x, d.height-y-high, x+width, d.height-y)
}

// cables draws those of t and of all that is behind it.
func (d plugsPen) cables(t *thing, narrow bool) {
	for i, kid := range t.kids {
		x, y := t.jack(i, narrow)
		end := kid.y + kid.high/2
		var way vg.Path
		way.Move(d.at(x, y))
		if narrow {
			const bend = 3.
			way.Line(d.at(x, end-bend))
			way.QuadTo(d.at(x, end), d.at(x+bend, end))
		} else {
			// Cables bend beside the jacks, where they cannot meet, and run straight on.
			out, far := x+plugLong, x+cableRoom-plugLong
			way.Line(d.at(out, y))
			way.CubeTo(d.at((out+far)/2, y), d.at((out+far)/2, end), d.at(far, end))
		}
		way.Line(d.at(kid.x, end))
		d.stroke(stroke{color: paper, width: d.unit * 0.75}, way)
		d.stroke(stroke{color: ink, width: d.unit * 0.34}, way)
		if narrow {
			d.box(ink, d.rect(x-plugThick/2, y, plugThick, plugLong))
		} else {
			d.box(ink, d.rect(x, y-plugThick/2, plugLong, plugThick))
		}
		d.box(ink, d.rect(kid.x-plugLong, end-plugThick/2, plugLong, plugThick))
		d.cables(kid, narrow)
	}
}

var (
	ampFace = color.Gray{Y: 0xE2}
	boxFace = color.NRGBA{R: 0xFB, G: 0xE6, B: 0xBE, A: 0xFF}
)

// draw draws t and all behind it.
func (s Plugs) draw(d plugsPen, t *thing) {
	edge := stroke{color: ink, width: d.unit * 0.18}
	r := d.rect(t.x, t.y, t.width, t.high)
	switch {
	case t.load:
		d.box(paper, r)
		d.outline(edge, r)
		s.drawCabinet(d, t)
	case t.first:
		d.box(ampFace, r)
		d.outline(edge, r)
		s.drawAmplifier(d, t)
	default:
		d.box(boxFace, r)
		d.outline(edge, r)
		x, middle := t.x+3, t.y+t.high/2
		if s.Narrow { // beside the jacks
			x += 4 + float64(t.jacks)*t.step(true)
		}
		d.text(d.bold(), ink, d.at(x, middle-0.8), 0, 0, t.name)
		d.text(d.note, ink, d.at(x, middle+1.2), 0, 1, t.what)
	}
	for i := range t.jacks {
		x, y := t.jack(i, s.Narrow)
		c := d.at(x, y)
		d.dot(paper, c, mm(1.5))
		d.ring(edge, c, mm(1.5))
		if i < len(t.kids) {
			d.dot(ink, c, mm(0.75))
		}
		switch label := strconv.Itoa(i + 1); {
		case t.jacks == 1:
		case s.Narrow:
			d.text(d.note, ink, d.at(x, y-2.6), 0.5, 0, label)
		default:
			d.text(d.note, ink, d.at(x-2.4, y), 1, 0.5, label)
		}
	}
	for _, kid := range t.kids {
		s.draw(d, kid)
	}
}

func (d plugsPen) bold() font.Face { return sans(xfont.WeightBold, d.unit) }

// drawCabinet draws what is in the outline of one: a cone, its name, its ohms.
func (s Plugs) drawCabinet(d plugsPen, t *thing) {
	c := d.at(t.x+t.width-6.2, t.y+t.high/2)
	for _, radius := range []float64{4.6, 3.4, 1.3} {
		d.ring(stroke{color: quietInk, width: d.unit * 0.1}, c, mm(radius))
	}
	room := mm(t.width - 16)
	d.text(d.bold(), ink, d.at(t.x+3, t.y+t.high/2-0.8), 0, 0, shorten(d.bold(), t.name, room))
	d.text(d.note, ink, d.at(t.x+3, t.y+t.high/2+1.2), 0, 1, t.what)
}

// drawAmplifier draws its name and its taps, that in use large and dark.
func (s Plugs) drawAmplifier(d plugsPen, t *thing) {
	y := t.y + 2.6
	for _, line := range linesOf(d.bold(), t.name, mm(t.width-6), 2) {
		d.text(d.bold(), ink, d.at(t.x+3, y), 0, 1, line)
		y += 4
	}
	y = t.y + 14.5
	if len(s.TapOhm) == 0 {
		d.text(d.note, ink, d.at(t.x+3, y), 0, 0.5, units.Ohms(s.LeastOhm)+" ohm or more")
		return
	}
	x := t.x + 3
	taps := slices.Clone(s.TapOhm)
	slices.Sort(taps)
	for _, tap := range taps {
		text := units.Ohms(tap)
		face, col := d.note, color.Color(quietInk)
		if tap == s.UseOhm {
			face = sans(xfont.WeightBold, d.unit*1.3)
		}
		wide := float64(face.Width(text)/vg.Millimeter) + 3
		if tap == s.UseOhm {
			d.box(ink, d.rect(x, y-3.1, wide, 6.2))
			col = paper
		}
		d.text(face, col, d.at(x+wide/2, y), 0.5, 0.5, text)
		x += wide + 0.8
	}
	d.text(d.note, quietInk, d.at(x+0.8, y), 0, 0.5, "ohm")
}
