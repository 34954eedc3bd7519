package plot

import (
	"image/color"
	"math"
	"strconv"
	"strings"

	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"tapload/measure/oneline"
)

// pen draws on a canvas in one style; unit is the size of the body text, and
// everything else is a multiple of it.
type pen struct {
	vg.Canvas
	width, height    vg.Length
	unit             vg.Length
	body, note, head font.Face
	strong           font.Face // note in bold
}

func newPen(c vg.Canvas, width, height vg.Length) pen {
	// Text shrinks with the picture, but slower, and stays legible.
	span := min(width, height*18/14) / (180 * vg.Millimeter)
	return penOf(c, width, height, vg.Points(min(max(10*math.Sqrt(float64(span)), 6), 12)))
}

// penOf is a pen for drawings, whose text has one size whatever theirs is.
func penOf(c vg.Canvas, width, height, unit vg.Length) pen {
	return pen{
		Canvas: c, width: width, height: height, unit: unit,
		body: sans(xfont.WeightNormal, unit),
		note: sans(xfont.WeightNormal, unit*noteSize),
		head: sans(xfont.WeightBold, unit*1.2), strong: sans(xfont.WeightBold, unit*noteSize),
	}
}

// noteSize is the size of notes, in units.
const noteSize = 0.92

// curveWidth is the width of the line of a curve.
func (p pen) curveWidth() vg.Length { return p.unit * 0.155 }

func (p pen) lines(s stroke, pts ...vg.Point) {
	if len(pts) < 2 {
		return
	}
	p.stroke(s, path(pts))
}

func (p pen) stroke(s stroke, way vg.Path) {
	dash := make([]vg.Length, len(s.dash))
	for i, d := range s.dash {
		dash[i] = d * s.width
	}
	p.SetColor(s.color)
	p.SetLineWidth(s.width)
	p.SetLineDash(dash, 0)
	p.Stroke(way)
}

// outline is the edge of r.
func (p pen) outline(s stroke, r vg.Rectangle) {
	p.lines(s, r.Min, vg.Point{X: r.Max.X, Y: r.Min.Y}, r.Max, vg.Point{X: r.Min.X, Y: r.Max.Y}, r.Min)
}

func (p pen) area(col color.Color, pts ...vg.Point) {
	if len(pts) < 3 {
		return
	}
	outline := path(pts)
	outline.Close()
	p.SetColor(col)
	p.Fill(outline)
}

func (p pen) box(col color.Color, r vg.Rectangle) {
	p.area(col, r.Min, vg.Point{X: r.Max.X, Y: r.Min.Y}, r.Max, vg.Point{X: r.Min.X, Y: r.Max.Y})
}

func (p pen) dot(col color.Color, at vg.Point, radius vg.Length) {
	p.SetColor(col)
	p.Fill(circle(at, radius))
}

// ring marks a point without hiding it.
func (p pen) ring(s stroke, at vg.Point, radius vg.Length) {
	p.stroke(s, circle(at, radius))
}

func circle(at vg.Point, radius vg.Length) vg.Path {
	var c vg.Path
	c.Move(at.Add(vg.Point{X: radius}))
	c.Arc(at, radius, 0, 2*math.Pi)
	c.Close()
	return c
}

func path(pts []vg.Point) vg.Path {
	var p vg.Path
	p.Move(pts[0])
	for _, pt := range pts[1:] {
		p.Line(pt)
	}
	return p
}

// capHeight is the height of capitals and digits of the font, in sizes.
const capHeight = 0.7

// text writes s so that at is the fraction (ax, ay) of the way across its
// capitals: (0, 0) their lower left corner, (0.5, 0.5) their middle.
func (p pen) text(f font.Face, col color.Color, at vg.Point, ax, ay float64, s string) {
	p.SetColor(col)
	p.FillString(f, vg.Point{
		X: at.X - vg.Length(ax)*f.Width(s),
		Y: at.Y - vg.Length(ay)*capHeight*f.Font.Size,
	}, s)
}

// upright writes s turned a quarter to the left, centred on at.
func (p pen) upright(f font.Face, col color.Color, at vg.Point, s string) {
	p.Push()
	defer p.Pop()
	p.Translate(at)
	p.Rotate(math.Pi / 2)
	p.text(f, col, vg.Point{}, 0.5, 0.5, s)
}

// oneLine makes s fit to be drawn as one line of text and to stand in an XML
// document: composed, harmless, without broken UTF-8.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == '\uFFFE' || r == '\uFFFF' {
			return ' '
		}
		return r
	}, oneline.Harmless(norm.NFC.String(strings.ToValidUTF8(s, "\uFFFD"))))
	return strings.Join(strings.Fields(s), " ")
}

// mostTitleLines is how many lines the title of a chart may have before it is
// shortened.
const mostTitleLines = 3

// title writes a title below and to the right of corner, folded to width and at
// most so many lines, and returns the height it took.
func (p pen) title(corner vg.Point, s string, width vg.Length, most int) vg.Length {
	if s == "" {
		return 0
	}
	lines := p.folded(p.head, s, width, most)
	for i, line := range lines {
		p.text(p.head, ink, corner.Sub(vg.Point{Y: p.unit * titleStep * vg.Length(i)}), 0, 1, line)
	}
	return p.unit * (titleStep*vg.Length(len(lines)) + 0.15)
}

const titleStep = 1.45 // between the lines of a title, in units

// folded returns s in at most so many lines of width, the last of them
// shortened where that is too few.
func (p pen) folded(f font.Face, s string, width vg.Length, most int) []string {
	var lines, words []string
	for i, word := range strings.Fields(s) {
		if i > 0 && isNumber(words[len(words)-1]) { // which must not leave its unit
			words[len(words)-1] += " " + word
			continue
		}
		words = append(words, word)
	}
	for len(words) > 0 {
		n := 1
		for n < len(words) && f.Width(strings.Join(words[:n+1], " ")) <= width {
			n++
		}
		if len(lines) == most-1 {
			n = len(words)
		}
		lines = append(lines, shorten(f, strings.Join(words[:n], " "), width))
		words = words[n:]
	}
	return lines
}

func isNumber(s string) bool {
	_, err := strconv.ParseFloat(s, 64)
	return err == nil
}

// drawable replaces each character that the font of f has no glyph for.
func drawable(f font.Face, s string) string {
	var buf sfnt.Buffer
	return strings.Map(func(r rune) rune {
		if i, err := f.Face.GlyphIndex(&buf, r); err != nil || i == 0 {
			return '\u25A1' // white square, which both faces have
		}
		return r
	}, s)
}

// shorten cuts out of the middle of s what does not fit into width; names that
// people give differ at the start or at the end.
func shorten(f font.Face, s string, width vg.Length) string {
	if f.Width(s) <= width {
		return s
	}
	runes := []rune(s)
	for keep := len(runes) - 1; keep > 0; keep-- {
		head := (keep + 1) / 2
		short := strings.TrimSpace(string(runes[:head])) + "…" + strings.TrimSpace(string(runes[len(runes)-(keep-head):]))
		if f.Width(short) <= width {
			return short
		}
	}
	return "…"
}

// bends is lines with its corners rounded.
func (p pen) bends(s stroke, radius vg.Length, pts ...vg.Point) {
	var way vg.Path
	way.Move(pts[0])
	for i := 1; i < len(pts)-1; i++ {
		way.Line(towards(pts[i], pts[i-1], radius))
		way.QuadTo(pts[i], towards(pts[i], pts[i+1], radius))
	}
	way.Line(pts[len(pts)-1])
	p.stroke(s, way)
}

// towards is the point that lies so far from a on the way to b, at most half
// way.
func towards(a, b vg.Point, far vg.Length) vg.Point {
	d := b.Sub(a)
	length := vg.Length(math.Hypot(float64(d.X), float64(d.Y)))
	if length == 0 {
		return a
	}
	return a.Add(d.Scale(min(far/length, 0.5)))
}

// tag is a number in a circle.
func (p pen) tag(col color.Color, c vg.Point, s string) {
	radius := max(p.unit*0.75, p.note.Width(s)/2+p.unit*0.3)
	p.dot(paper, c, radius)
	p.ring(stroke{color: col, width: p.unit * 0.18}, c, radius)
	p.text(p.note, ink, c, 0.5, 0.5, s)
}
