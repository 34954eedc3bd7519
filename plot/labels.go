package plot

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"math/cmplx"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"tapload/measure/impedance"
)

// Label is what sticks on a cabinet or a box.
type Label struct {
	Name     string          `json:"name"` // the largest
	What     string          `json:"what"` // such as "8 ohm, 60 W"
	Lines    []string        `json:"lines"`
	Never    string          `json:"never"` // what must not be done; empty for nothing
	Foot     string          `json:"foot"`  // date, by whom
	Curve    impedance.Curve `json:"-"`     // its |Z| is drawn small; no points for none
	Invented bool            `json:"invented"`
}

// Size of a label, to be cut out, in mm.
const (
	LabelWideMM = 86.
	LabelHighMM = 50.
)

// LabelSheet is labels side by side with marks to cut along.
type LabelSheet struct {
	Labels            []Label
	WidthMM, HeightMM float64 // of the sheet
}

// Sizes on a label, in mm unless they are named otherwise.
const (
	labelPad       = 3.5
	labelCurveWide = 34.
	labelCurveHigh = 23.
	cutMark        = 4. // long
	nameSize       = 15.
	nameLeast      = 9. // points; below it the name takes two lines
	whatSize       = 13.
	lineSize       = 8.
	footSize       = 7.
	lineHigh       = 1.25 // of a line, in sizes
)

// LabelGrid is how many labels stand beside and below each other on a sheet.
func LabelGrid(width, height float64) (columns, rows int) {
	const edge = 6. // that printers leave white
	return int((width - 2*edge) / LabelWideMM), int((height - 2*edge) / LabelHighMM)
}

// OnPage checks s and returns it as a picture of the size of the sheet.
func (s LabelSheet) OnPage() (Picture, error) {
	columns, rows := LabelGrid(s.WidthMM, s.HeightMM)
	switch {
	case len(s.Labels) == 0:
		return Picture{}, errors.New("labels: there is none to draw")
	case len(s.Labels) > columns*rows:
		return Picture{}, fmt.Errorf("labels: %d do not fit on a sheet of %d", len(s.Labels), columns*rows)
	}
	var names []string
	for _, l := range s.Labels {
		names = append(names, oneLine(l.Name))
	}
	return Picture{
		width: mm(s.WidthMM), height: mm(s.HeightMM), title: "Labels", unit: vg.Points(lineSize),
		about: "Labels to cut out: " + strings.Join(names, "; "), draw: s.draw,
	}, nil
}

// corner is the lower left corner of label i, in mm from that of the sheet.
func (s LabelSheet) corner(i int) (x, y float64) {
	columns, rows := LabelGrid(s.WidthMM, s.HeightMM)
	left, bottom := (s.WidthMM-float64(columns)*LabelWideMM)/2, (s.HeightMM-float64(rows)*LabelHighMM)/2
	return left + float64(i%columns)*LabelWideMM, bottom + float64(rows-1-i/columns)*LabelHighMM
}

func (s LabelSheet) draw(p pen) {
	cut := stroke{color: quietInk, width: vg.Points(0.4)}
	for i, l := range s.Labels {
		x, y := s.corner(i)
		l.draw(p, x, y)
		// Crosses at the corners, which two cuts go through.
		for _, cx := range []float64{x, x + LabelWideMM} {
			for _, cy := range []float64{y, y + LabelHighMM} {
				p.lines(cut, at(cx-cutMark/2, cy), at(cx+cutMark/2, cy))
				p.lines(cut, at(cx, cy-cutMark/2), at(cx, cy+cutMark/2))
			}
		}
	}
}

// draw draws l with its lower left corner at x and y, in mm.
func (l Label) draw(p pen, x, y float64) {
	left, right := x+labelPad, x+LabelWideMM-labelPad
	top, bottom := y+LabelHighMM-labelPad, y+labelPad
	room := mm(right - left)

	name, size := oneLine(l.Name), nameSize
	bold := sans(xfont.WeightBold, vg.Points(size))
	for size > nameLeast && bold.Width(name) > room {
		size -= 0.5
		bold = sans(xfont.WeightBold, vg.Points(size))
	}
	for _, line := range linesOf(bold, name, room, 2) {
		top -= inMM(size) * capHeight
		p.text(bold, ink, at(left, top), 0, 0, line)
		top -= inMM(size) * (lineHigh - capHeight)
	}

	bottom = l.foot(p, left, right, bottom)
	if l.Never != "" {
		bottom += l.never(p, left, right, bottom) + 1.2
	}

	if len(l.Curve.Points) > 0 {
		l.curve(p, corners(right-labelCurveWide, top-labelCurveHigh-1, right, top-1))
		room = mm(right - left - labelCurveWide - 2.5)
	}
	what := sans(xfont.WeightBold, vg.Points(whatSize))
	for _, line := range linesOf(what, oneLine(l.What), room, 2) {
		top -= inMM(whatSize) * lineHigh
		p.text(what, ink, at(left, top), 0, 0, line)
	}
	top -= 1.2
	l.body(p, left, top, bottom, room)
}

// inMM is a size of type in mm.
func inMM(points float64) float64 { return points * 25.4 / 72 }

// body writes the lines between top and bottom, as many as fit, the last with dots
// where there are more.
func (l Label) body(p pen, left, top, bottom float64, room vg.Length) {
	step := inMM(lineSize) * lineHigh
	face := sans(xfont.WeightNormal, vg.Points(lineSize))
	most := int((top - bottom) / step)
	for _, text := range l.Lines {
		for _, line := range linesOf(face, oneLine(text), room, most) {
			top -= step
			most--
			p.text(face, ink, at(left, top), 0, 0, line)
		}
	}
}

// foot writes date and name, and that all of it is invented, and returns how high
// it reaches.
func (l Label) foot(p pen, left, right, bottom float64) (top float64) {
	face := sans(xfont.WeightNormal, vg.Points(footSize))
	room := mm(right - left)
	if l.Invented {
		const mark = "INVENTED DATA"
		bold := sans(xfont.WeightBold, vg.Points(footSize))
		wide := float64(bold.Width(mark)/vg.Millimeter) + 2
		p.box(ink, corners(right-wide, bottom-0.9, right, bottom+inMM(footSize)*capHeight+0.9))
		p.text(bold, paper, at(right-wide+1, bottom), 0, 0, mark)
		room -= mm(wide + 2)
	}
	p.text(face, quietInk, at(left, bottom), 0, 0, shorten(face, oneLine(l.Foot), room))
	return bottom + inMM(footSize)*capHeight + 2
}

// never writes what must not be done, light on dark, and returns its height.
func (l Label) never(p pen, left, right, bottom float64) (height float64) {
	face := sans(xfont.WeightBold, vg.Points(lineSize))
	lines := linesOf(face, oneLine(l.Never), mm(right-left-3), 2)
	step := inMM(lineSize) * lineHigh
	height = step*float64(len(lines)) + 1.6
	p.box(ink, corners(left, bottom, right, bottom+height))
	for i, line := range lines {
		p.text(face, paper, at((left+right)/2, bottom+height-1.2-step*float64(i)), 0.5, 1, line)
	}
	return height
}

// curve draws |Z| from 20 Hz to 20 kHz into r, on log axes.
func (l Label) curve(p pen, r vg.Rectangle) {
	face := sans(xfont.WeightNormal, vg.Points(6))
	r.Min.Y += mm(inMM(6) + 0.6)
	low, high := math.Inf(1), 0.
	var in []impedance.Point
	for _, pt := range l.Curve.Points {
		if m := cmplx.Abs(pt.Z); pt.Hz >= defaultLow && pt.Hz <= defaultHigh && m > 0 {
			in = append(in, pt)
			low, high = min(low, m), max(high, m)
		}
	}
	if len(in) < 2 {
		return
	}
	low, high = low/1.25, high*1.25
	x := func(hz float64) vg.Length {
		return r.Min.X + vg.Length(math.Log(hz/defaultLow)/math.Log(defaultHigh/defaultLow))*r.Size().X
	}
	y := func(ohm float64) vg.Length {
		return r.Min.Y + vg.Length(math.Log(ohm/low)/math.Log(high/low))*r.Size().Y
	}
	grid := stroke{color: color.Gray{Y: 0xC8}, width: vg.Points(0.4)}
	for _, tick := range []struct {
		hz    float64
		label string
	}{{100, "100 Hz"}, {1000, "1 k"}, {10000, "10 k"}} {
		p.lines(grid, vg.Point{X: x(tick.hz), Y: r.Min.Y}, vg.Point{X: x(tick.hz), Y: r.Max.Y})
		p.text(face, quietInk, vg.Point{X: x(tick.hz), Y: r.Min.Y - mm(0.7)}, 0.5, 1, tick.label)
	}
	var pts []vg.Point
	for _, pt := range in {
		pts = append(pts, vg.Point{X: x(pt.Hz), Y: y(cmplx.Abs(pt.Z))})
	}
	p.outline(stroke{color: frameGrey, width: vg.Points(0.6)}, r)
	p.lines(stroke{color: ink, width: vg.Points(1.1)}, pts...)
	p.text(face, quietInk, vg.Point{X: r.Min.X + mm(0.8), Y: r.Max.Y - mm(0.8)}, 0, 1, "|Z|")
}

// linesOf is s in at most so many lines of a width, what does not fit cut out of
// the last.
func linesOf(f font.Face, s string, width vg.Length, most int) (lines []string) {
	rest := strings.Fields(s)
	for len(rest) > 0 && len(lines) < most {
		n := 1
		for n < len(rest) && f.Width(strings.Join(rest[:n+1], " ")) <= width {
			n++
		}
		if len(lines) == most-1 {
			n = len(rest)
		}
		lines, rest = append(lines, shorten(f, strings.Join(rest[:n], " "), width)), rest[n:]
	}
	return lines
}
