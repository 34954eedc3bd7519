package plot

import (
	"fmt"
	"image/color"
	"strconv"

	"gonum.org/v1/plot/vg"

	"tapload/fixtures/box"
)

// BoxDrawing shows the wires of a box between its jacks, from the side on which
// they are soldered, and what keeps a sleeve off a metal chassis.
type BoxDrawing struct {
	Box      box.Box
	Invented bool // what plugs in was never measured; says so in the title
}

// Sizes of a box drawing, in mm.
const (
	jackWidest, jackLeast = 46., 23. // of the place of one jack
	drawingWide           = 180.     // that a drawing keeps to as long as it can
	boxEdge               = 6.       // around the chassis
	boxTitle              = 9.
	levelStep             = 6.
	lugAway               = 14.5 // from the middle of a jack to that of a lug
	lugWide, lugHigh      = 11., 5.
	bushRadius            = 7.5
	washerRadius          = 10.
	boxNames              = 12. // under the chassis
	boxKeys               = 5.  // under the names
)

var (
	chassisGrey  = color.Gray{Y: 0xE4}
	metalGrey    = color.Gray{Y: 0xB4}
	lugInk       = color.Gray{Y: 0xFA}
	washerOrange = color.NRGBA{R: 0xE6, G: 0x9F, B: 0x00, A: 0xFF}
	paper        = color.Gray{Y: 0xFF}
)

// size is the width and height of the drawing in millimetres.
func (d BoxDrawing) size() (width, height float64) {
	return d.jackWide()*float64(len(d.Box.Jacks)) + 2*boxEdge, boxTitle + d.chassisHigh() + boxNames + boxKeys
}

func (d BoxDrawing) jackWide() float64 {
	return min(max((drawingWide-2*boxEdge)/float64(len(d.Box.Jacks)), jackLeast), jackWidest)
}

func (d BoxDrawing) chassisHigh() float64 {
	w := wiringOf(d.Box)
	return 2*lugAway + lugHigh + float64(w.levels[0]+w.levels[1])*levelStep + 9
}

func (d BoxDrawing) title() string {
	title := fmt.Sprintf("Box %d: %s, seen from the wiring side", d.Box.Number, d.Box.Kind.String())
	if d.Invented {
		title += " (invented)"
	}
	return title
}

// OnPage checks d and returns it as a picture.
func (d BoxDrawing) OnPage() (Picture, error) {
	about := d.title()
	for i, l := range d.Box.Links {
		for _, c := range []box.Contact{l.From, l.To} {
			if c.Part == box.Chassis || c.Jack < 0 || c.Jack >= len(d.Box.Jacks) {
				return Picture{}, fmt.Errorf("box drawing: wire %d goes to %s; the box has the tips and sleeves of %d jacks", i+1, c, len(d.Box.Jacks))
			}
		}
		about += fmt.Sprintf("; wire %d from %s to %s", i+1, l.From, l.To)
	}
	for j, jack := range d.Box.Jacks {
		if jack.Insulated {
			about += fmt.Sprintf("; %s insulated from the chassis", jackName(j))
		}
	}
	width, height := d.size()
	return Picture{width: mm(width), height: mm(height), title: d.title(), about: about, unit: vg.Points(9), draw: d.draw}, nil
}

func mm(x float64) vg.Length { return vg.Length(x) * vg.Millimeter }

func at(x, y float64) vg.Point { return vg.Point{X: mm(x), Y: mm(y)} }

// boxLayout is where the parts of a box drawing are, in mm from the lower left
// corner.
type boxLayout struct {
	wiring
	jack   float64 // width of a jack's place
	middle float64 // height of the row
}

func (l boxLayout) x(jack int) float64 { return boxEdge + l.jack*(float64(jack)+0.5) }

func (d BoxDrawing) draw(p pen) {
	width, height := d.size()
	l := boxLayout{wiring: wiringOf(d.Box), jack: d.jackWide()}
	bottom := boxNames + boxKeys
	top := height - boxTitle
	l.middle = bottom + 4.5 + float64(l.levels[1])*levelStep + lugHigh/2 + lugAway

	p.text(p.head, ink, at(boxEdge, height-2.5), 0, 1, shorten(p.head, d.title(), mm(width-2*boxEdge)))
	frame := stroke{color: frameGrey, width: p.unit * 0.2}
	fill := color.Color(chassisGrey)
	if !d.Box.Metal {
		fill, frame.dash = paper, []vg.Length{4, 3}
	}
	chassis := corners(boxEdge, bottom, width-boxEdge, top)
	p.box(fill, chassis)
	p.outline(frame, chassis)

	for j := range d.Box.Jacks {
		d.drawJack(p, l, j)
	}
	for i, r := range l.runs {
		pts := l.path(r)
		p.bends(stroke{color: paper, width: p.unit * 0.55}, mm(1.5), pts...)
		p.bends(stroke{color: hues[i%len(hues)], width: p.unit * 0.28}, mm(1.5), pts...)
	}
	for j := range d.Box.Jacks {
		l.drawLugs(p, j)
	}
	for i, r := range l.runs {
		pts := l.path(r)
		for _, end := range []vg.Point{pts[0], pts[len(pts)-1]} {
			p.dot(hues[i%len(hues)], end, mm(0.9))
		}
		p.tag(hues[i%len(hues)], middle(pts), strconv.Itoa(i+1))
	}
	d.drawKeys(p, at(boxEdge, boxKeys/2))
}

// drawJack draws a jack without its lugs, and what plugs into it.
func (d BoxDrawing) drawJack(p pen, l boxLayout, j int) {
	jack, x := d.Box.Jacks[j], l.x(j)
	c := at(x, l.middle)
	thin := stroke{color: ink, width: p.unit * 0.12}
	if jack.Insulated {
		p.dot(washerOrange, c, mm(washerRadius))
		p.ring(thin, c, mm(washerRadius))
	}
	// The sleeve's lug is one with the bush, the tip's is a spring inside it.
	p.box(metalGrey, corners(x-1.6, l.middle-lugAway, x+1.6, l.middle))
	p.dot(metalGrey, c, mm(bushRadius))
	p.ring(thin, c, mm(bushRadius))
	p.dot(paper, c, mm(3.2))
	p.ring(thin, c, mm(3.2))
	p.box(ink, corners(x-0.7, l.middle, x+0.7, l.middle+lugAway))
	p.dot(ink, c, mm(1.4))

	room := mm(l.jack - 2)
	name := jackName(j)
	under := boxNames + boxKeys - 1.5
	p.text(p.head, ink, at(x, under), 0.5, 1, shorten(p.head, name, room))
	label := jack.Label
	if j == 0 {
		label = "from " + label
	}
	p.text(p.body, ink, at(x, under-5), 0.5, 1, shorten(p.body, oneLine(label), room))
}

func (l boxLayout) drawLugs(p pen, j int) {
	for _, lug := range []struct {
		y    float64
		name string
	}{{l.middle + lugAway, "tip"}, {l.middle - lugAway, "sleeve"}} {
		r := vg.Rectangle{Min: at(l.x(j)-lugWide/2, lug.y-lugHigh/2), Max: at(l.x(j)+lugWide/2, lug.y+lugHigh/2)}
		p.box(lugInk, r)
		p.outline(stroke{color: ink, width: p.unit * 0.12}, r)
		p.text(p.body, ink, at(l.x(j), lug.y), 0.5, 0.5, lug.name)
	}
}

// path is the way of a wire.
func (l boxLayout) path(r run) []vg.Point {
	lug := func(k int) (x, y, out float64) {
		c := r.ends[k]
		x = l.x(c.Jack) + float64(r.lugs[k])*1.6
		if c.Part == box.Tip {
			return x, l.middle + lugAway + lugHigh/2, 1
		}
		return x, l.middle - lugAway - lugHigh/2, -1
	}
	if r.gap == -2 {
		x, y, out := lug(0)
		x2, _, _ := lug(1)
		run := y + out*levelStep*(float64(r.level)+0.8)
		return []vg.Point{at(x, y), at(x, run), at(x2, run), at(x2, y)}
	}
	tip, sleeve := r.ends[0], r.ends[1]
	side := func(c box.Contact) float64 { // the edge of a lug that faces the gap
		if c.Jack <= r.gap {
			return l.x(c.Jack) + lugWide/2
		}
		return l.x(c.Jack) - lugWide/2
	}
	gap := boxEdge + l.jack*float64(r.gap+1) + 3*(float64(r.place)-float64(l.gaps[r.gap]-1)/2)
	high, low := l.middle+lugAway, l.middle-lugAway
	if r.level < 0 {
		return []vg.Point{at(side(sleeve), low), at(gap, low), at(gap, high), at(side(tip), high)}
	}
	x, y, out := lug(1)
	run := y + out*levelStep*(float64(r.level)+0.8)
	return []vg.Point{at(x, y), at(x, run), at(gap, run), at(gap, high), at(side(tip), high)}
}

// middle is the middle of the longest straight part of a way.
func middle(pts []vg.Point) vg.Point {
	var best vg.Point
	longest := vg.Length(-1)
	for i := 1; i < len(pts); i++ {
		d := pts[i].Sub(pts[i-1])
		if n := max(d.X, -d.X) + max(d.Y, -d.Y); n > longest {
			longest, best = n, pts[i-1].Add(pts[i]).Scale(0.5)
		}
	}
	return best
}

func (d BoxDrawing) drawKeys(p pen, corner vg.Point) {
	x := corner.X
	add := func(sample func(c vg.Point), text string) {
		c := vg.Point{X: x + mm(2.2), Y: corner.Y}
		sample(c)
		x += mm(6)
		p.text(p.body, quietInk, vg.Point{X: x, Y: corner.Y}, 0, 0.5, text)
		x += p.body.Width(text) + mm(5)
	}
	thin := stroke{color: ink, width: p.unit * 0.12}
	insulated := false
	for _, j := range d.Box.Jacks {
		insulated = insulated || j.Insulated
	}
	bush := "sleeve"
	if d.Box.Metal {
		bush = "sleeve on the chassis"
	}
	add(func(c vg.Point) { p.dot(metalGrey, c, mm(2)); p.ring(thin, c, mm(2)); p.dot(paper, c, mm(0.9)) }, bush)
	if insulated {
		add(func(c vg.Point) {
			p.dot(washerOrange, c, mm(2.2))
			p.dot(metalGrey, c, mm(1.5))
			p.dot(paper, c, mm(0.7))
		}, "sleeve insulated from it")
	}
	if d.Box.Metal {
		add(func(c vg.Point) {
			p.box(chassisGrey, vg.Rectangle{Min: c.Sub(at(2, 1.5)), Max: c.Add(at(2, 1.5))})
		}, "metal chassis")
		return
	}
	add(func(c vg.Point) {
		p.lines(stroke{color: frameGrey, width: p.unit * 0.2, dash: []vg.Length{4, 3}}, c.Sub(at(2.2, 0)), c.Add(at(2.2, 0)))
	}, "plastic case")
}
