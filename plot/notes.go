package plot

import (
	"fmt"
	"slices"
	"sort"

	"gonum.org/v1/plot/vg"

	units "tapload/measure/quantity"
)

// extremes notes the lowest and the highest modulus of the first curve beside it.
func (c ImpedanceChart) extremes(d pen, p panel, sampled [][]sample) {
	room := crowd{panel: p}
	for _, other := range sampled {
		room.lines = append(room.lines, p.clip(modulus.line(p, other))...)
	}
	for _, edge := range modulus.edges(p, sampled[0]) {
		room.lines = append(room.lines, p.clip(edge)...)
	}
	for _, l := range c.levelsOf() {
		y := p.level(l.at)
		room.faint = append(room.faint, []vg.Point{{X: p.Min.X, Y: y}, {X: p.Max.X, Y: y}})
	}
	lowest, highest := c.spots()
	for _, n := range []struct {
		word string
		at   Spot
		up   vg.Length
	}{{"max", highest, 1}, {"min", lowest, -1}} {
		if n.at.Hz > 0 {
			room.ringed(d, p.at(n.at.Hz, n.at.Ohm), n.up, fmt.Sprintf("%s %s Ω at %s", n.word, units.Digits(n.at.Ohm, 3), units.LimitHz(n.at.Hz)))
		}
	}
}

// spots are what is noted of the first trace; without Hz is what is not. Of a curve that
// is flat to the digits of a note one is enough, and one point has neither.
func (c ImpedanceChart) spots() (lowest, highest Spot) {
	curve := c.Traces[0].Curve.Within(c.LowHz, c.HighHz)
	dip, peak := curve.Turns()
	spot := func(given Spot, turn int) Spot {
		if given.Hz == 0 && turn >= 0 {
			ohm, _ := curve.Modulus(turn)
			given = Spot{curve.Points[turn].Hz, ohm}
		}
		if given.Hz < c.LowHz*offEnd || given.Hz > c.HighHz/offEnd {
			return Spot{}
		}
		return given
	}
	if len(curve.Points) < 2 {
		return Spot{}, Spot{}
	}
	lowest, highest = spot(c.Lowest, dip), spot(c.Highest, peak)
	if lowest.Hz > 0 && highest.Hz > 0 && units.Digits(lowest.Ohm, 3) == units.Digits(highest.Ohm, 3) {
		highest = Spot{}
	}
	return lowest, highest
}

// offEnd is how far from an end of the chart, as a ratio, a spot must lie to be
// one of the curve and not of where it was cut.
const offEnd = 1.02

// crowd keeps notes clear of lines and of each other.
type crowd struct {
	panel panel
	lines [][]vg.Point
	faint [][]vg.Point // lines that a note may hide in need
	notes []vg.Rectangle
}

const ringRadius = 0.32 // units

// ringed puts a ring at a point of the panel with a note, which a line leads to
// where it stands away.
func (c *crowd) ringed(d pen, at vg.Point, up vg.Length, text string) {
	if !c.panel.holds(at) {
		return
	}
	d.ring(stroke{color: ink, width: d.unit * 0.1}, at, d.unit*ringRadius)
	c.note(d, at, up, text)
	own := vg.Point{X: d.unit * ringRadius, Y: d.unit * ringRadius}
	c.notes = append(c.notes, vg.Rectangle{Min: at.Sub(own), Max: at.Add(own)})
}

// note writes text near at if there is room anywhere: outside the bend (up is 1
// for a peak, -1 for a dip) if it can, else beside or inside it, the nearer the
// better.
func (c *crowd) note(d pen, at vg.Point, up vg.Length, text string) {
	if c.noteClear(d, at, up, text, d.unit*0.3) {
		return
	}
	hidden := c.faint
	c.faint = nil
	c.noteClear(d, at, up, text, d.unit*0.12)
	c.faint = hidden
}

func (c *crowd) noteClear(d pen, at vg.Point, up vg.Length, text string, margin vg.Length) bool {
	w, h := d.note.Width(text), d.note.Font.Size*capHeight
	for _, far := range []vg.Length{0.6, 1.3, 2, 3, 4, 5.5, 7, 9, 12} {
		for _, way := range []struct{ x, y vg.Length }{
			{0, up}, {0.5, up}, {-0.5, up}, {1, up}, {-1, up}, {1, 0.4 * up}, {-1, 0.4 * up},
			{1, 0}, {-1, 0}, {1, -0.4 * up}, {-1, -0.4 * up}, {1, -up}, {-1, -up}, {0, -up},
		} {
			mid := vg.Point{X: at.X + way.x*(w/2+d.unit*far), Y: at.Y + way.y*(h/2+d.unit*far)}
			r := vg.Rectangle{Min: vg.Point{X: mid.X - w/2, Y: mid.Y - h/2}, Max: vg.Point{X: mid.X + w/2, Y: mid.Y + h/2}}
			if !c.free(r, margin) {
				continue
			}
			if far >= 1.3 {
				end := vg.Point{X: max(r.Min.X, min(r.Max.X, at.X)), Y: max(r.Min.Y-d.unit*0.15, min(r.Max.Y+d.unit*0.15, at.Y))}
				lead := []vg.Point{towards(at, end, d.unit*ringRadius), end}
				if c.overNotes(lead) {
					continue
				}
				d.lines(stroke{color: quietInk, width: d.unit * 0.06}, lead...)
				c.lines = append(c.lines, lead)
			}
			if c.faint == nil {
				d.box(paper, vg.Rectangle{Min: r.Min.Sub(vg.Point{X: margin, Y: margin}), Max: r.Max.Add(vg.Point{X: margin, Y: margin})})
			}
			d.text(d.note, ink, mid, 0.5, 0.5, text)
			c.notes = append(c.notes, r)
			return true
		}
	}
	return false
}

// overNotes tells whether a line touches a note.
func (c *crowd) overNotes(line []vg.Point) bool {
	for _, n := range c.notes {
		if len(panel{Rectangle: n}.clip(line)) > 0 {
			return true
		}
	}
	return false
}

// free tells whether r, with a margin around it, is inside the panel and
// touches nothing.
func (c *crowd) free(r vg.Rectangle, margin vg.Length) bool {
	grown := func(by vg.Length) vg.Rectangle {
		return vg.Rectangle{Min: r.Min.Sub(vg.Point{X: by, Y: by}), Max: r.Max.Add(vg.Point{X: by, Y: by})}
	}
	if o, in := grown(margin/3), c.panel; o.Min.X < in.Min.X || o.Max.X > in.Max.X || o.Min.Y < in.Min.Y || o.Max.Y > in.Max.Y {
		return false
	}
	r = grown(margin)
	for _, n := range c.notes {
		if r.Min.X < n.Max.X && n.Min.X < r.Max.X && r.Min.Y < n.Max.Y && n.Min.Y < r.Max.Y {
			return false
		}
	}
	within := panel{Rectangle: r}
	for _, line := range slices.Concat(c.lines, c.faint) {
		if len(within.clip(line)) > 0 {
			return false
		}
	}
	return true
}

// apart returns heights near the wanted ones that keep the distance gap, as
// far as low to high has room for them.
func apart(want []vg.Length, gap, low, high vg.Length) []vg.Length {
	order := make([]int, len(want))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return want[order[a]] < want[order[b]] })
	got := append([]vg.Length(nil), want...)
	floor := low
	for _, i := range order {
		got[i] = max(got[i], floor)
		floor = got[i] + gap
	}
	ceiling := high
	for k := len(order) - 1; k >= 0; k-- {
		i := order[k]
		got[i] = min(got[i], ceiling)
		ceiling = got[i] - gap
	}
	return got
}
