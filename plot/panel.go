package plot

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// panel is a frame with an x axis (hertz, log) and a y axis.
type panel struct {
	vg.Rectangle
	x, y axis
}

func (p panel) at(x, y float64) vg.Point {
	size := p.Size()
	return vg.Point{
		X: p.Min.X + vg.Length(p.x.frac(x))*size.X,
		Y: p.Min.Y + vg.Length(p.y.frac(y))*size.Y,
	}
}

// level returns how high the value y is.
func (p panel) level(y float64) vg.Length { return p.at(p.x.min, y).Y }

// holds tells whether a point lies within the panel.
func (p panel) holds(at vg.Point) bool {
	return at.X >= p.Min.X && at.X <= p.Max.X && at.Y >= p.Min.Y && at.Y <= p.Max.Y
}

// clip returns the parts of a line that lie within the panel.
func (p panel) clip(pts []vg.Point) [][]vg.Point {
	c := draw.Canvas{Rectangle: p.Rectangle}
	return c.ClipLinesXY(pts)
}

// clipArea returns the part of an area that lies within the panel.
func (p panel) clipArea(pts []vg.Point) []vg.Point {
	c := draw.Canvas{Rectangle: p.Rectangle}
	return c.ClipPolygonXY(pts)
}

// grid draws what lies under the curves.
func (p panel) grid(d pen) {
	for _, minor := range []bool{true, false} {
		s := stroke{color: gridMajor, width: d.unit * 0.05}
		if minor {
			s = stroke{color: gridMinor, width: d.unit * 0.04}
		}
		for _, t := range p.x.ticks {
			if (t.label == "") == minor {
				x := p.at(t.at, p.y.min).X
				d.lines(s, vg.Point{X: x, Y: p.Min.Y}, vg.Point{X: x, Y: p.Max.Y})
			}
		}
		for _, t := range p.y.ticks {
			if (t.label == "") == minor {
				y := p.level(t.at)
				d.lines(s, vg.Point{X: p.Min.X, Y: y}, vg.Point{X: p.Max.X, Y: y})
			}
		}
	}
}

// frame draws the border, the tick labels and the axis names; those of the x
// axis only if named, so that panels that share it can be stacked. nameX is
// where the names of the y axes stand.
func (p panel) frame(d pen, nameX vg.Length, named bool) {
	s := stroke{color: frameGrey, width: d.unit * 0.07}
	a, b := p.Min, p.Max
	d.lines(s, a, vg.Point{X: b.X, Y: a.Y}, b, vg.Point{X: a.X, Y: b.Y}, a, vg.Point{X: b.X, Y: a.Y})
	tickLength := d.unit * 0.35
	// A small panel has no room for every label.
	lastX, lastY := -d.width, -d.height
	for _, t := range p.y.ticks {
		at := vg.Point{X: a.X, Y: p.level(t.at)}
		if t.label == "" {
			d.lines(s, at, at.Sub(vg.Point{X: tickLength / 2}))
			continue
		}
		d.lines(s, at, at.Sub(vg.Point{X: tickLength}))
		if at.Y-lastY >= d.unit {
			d.text(d.body, ink, at.Sub(vg.Point{X: tickLength * 1.8}), 1, 0.5, t.label)
			lastY = at.Y
		}
	}
	if p.y.name != "" {
		d.upright(d.body, ink, vg.Point{X: nameX, Y: (a.Y + b.Y) / 2}, shorten(d.body, p.y.name, b.Y-a.Y+d.unit))
	}
	for _, t := range p.x.ticks {
		at := vg.Point{X: p.at(t.at, p.y.min).X, Y: a.Y}
		if t.label == "" {
			d.lines(s, at, at.Sub(vg.Point{Y: tickLength / 2}))
			continue
		}
		d.lines(s, at, at.Sub(vg.Point{Y: tickLength}))
		if half := d.body.Width(t.label) / 2; named && at.X-half > lastX {
			d.text(d.body, ink, at.Sub(vg.Point{Y: tickLength * 1.8}), 0.5, 1, t.label)
			lastX = at.X + half + d.unit*0.3
		}
	}
	if named {
		d.text(d.body, ink, vg.Point{X: (a.X + b.X) / 2, Y: a.Y - tickLength*1.8 - d.unit*1.4}, 0.5, 1, p.x.name)
	}
}

// aboutFrames draws the title and the legend at the top of a chart, gap above
// its frames, and returns the edges of what is left for those and their labels:
// left and right, and of the frames themselves bottom and top.
func aboutFrames(d pen, title string, keys []key, gap vg.Length) (left, right, bottom, top vg.Length) {
	edge := d.unit * 0.9
	left, right, top = edge, d.width-edge, d.height-edge
	top -= d.title(vg.Point{X: left, Y: top}, title, right-left, mostTitleLines)
	l := newLegend(d, keys, right-left, int(maxLegendPart*d.height/(rowHeight*d.unit)))
	l.draw(d, vg.Point{X: left, Y: top})
	return left, right, edge + underFrame(d), top - l.height(d) - gap
}

// underFrame is the height that the labels and the name of an x axis need.
func underFrame(d pen) vg.Length { return d.unit * (0.35*1.8 + 1.4 + 1) }

// besideFrame is the width that the labels and the name of the y axes need.
func besideFrame(d pen, ys ...axis) vg.Length {
	var widest vg.Length
	for _, y := range ys {
		for _, t := range y.ticks {
			widest = max(widest, d.body.Width(t.label))
		}
	}
	return widest + d.unit*(0.35*1.8+0.7+1)
}

// thinned returns a line with at most four points in each thinStep of its way from
// left to right: the first, the lowest, the highest and the last. pts must not
// go back to the left.
func thinned(pts []vg.Point) []vg.Point {
	var out []vg.Point
	for len(pts) > 0 {
		n, low, high := 1, 0, 0
		for n < len(pts) && pts[n].X < pts[0].X+thinStep {
			if pts[n].Y < pts[low].Y {
				low = n
			}
			if pts[n].Y > pts[high].Y {
				high = n
			}
			n++
		}
		last := -1
		for _, i := range []int{0, min(low, high), max(low, high), n - 1} {
			if i > last {
				out = append(out, pts[i])
				last = i
			}
		}
		pts = pts[n:]
	}
	return out
}
