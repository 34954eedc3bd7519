package plot

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"
)

// Change is by how much a quantity has changed, in percent, with its standard
// uncertainty and the limits that it is held against, Low below and High above
// 0; one side may be 0.
type Change struct {
	Label      string
	Percent, U float64
	Low, High  float64
}

// ChangeChart shows each change as a dot with its interval (k = 2), on a scale
// of its own limits: all limits stand at the same two places, and the numbers
// beside them say what they are. What lies far outside is an arrow at
// the edge.
type ChangeChart struct {
	Title   string
	Changes []Change
}

// OnPage checks c and returns it as a picture.
func (c ChangeChart) OnPage() (Picture, error) {
	if len(c.Changes) == 0 {
		return Picture{}, fmt.Errorf("change chart: there is no change to draw")
	}
	about := "Change of each quantity against its limits, in percent:"
	for _, ch := range c.Changes {
		if !finite(ch.Percent) || !(ch.U >= 0) || !finite(ch.U) || !(ch.Low <= 0 && ch.High >= 0 && ch.High > ch.Low) {
			return Picture{}, fmt.Errorf("change chart: %s: a change of %g %% with u %g %% and limits from %g to %g cannot be drawn; the limits must hold 0 between them", ch.Label, ch.Percent, ch.U, ch.Low, ch.High)
		}
		about += fmt.Sprintf(" %s %+.3g (%g to %g);", ch.Label, ch.Percent, ch.Low, ch.High)
	}
	return Picture{width: mm(defaultW), height: mm(26 + 9*float64(len(c.Changes))), title: c.Title, about: about, unit: vg.Points(9.5), draw: c.draw}, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// reach is how far beyond its limits a change is drawn, in parts of them.
const reach = 1.6

// of returns where v stands: 0 in the middle, -1 and 1 at the limits, held at
// reach.
func (ch Change) of(v float64) float64 {
	limit := ch.High
	if v < 0 {
		limit = -ch.Low
	}
	if limit == 0 {
		return math.Copysign(reach, v)
	}
	return max(-reach, min(reach, v/limit))
}

func (c ChangeChart) draw(d pen) {
	edge := d.unit * 0.9
	top := d.height - edge
	if c.Title != "" {
		d.text(d.head, ink, vg.Point{X: edge, Y: top}, 0, 1, shorten(d.head, c.Title, d.width-2*edge))
		top -= d.unit * 1.8
	}
	names, numbers := d.unit*8, d.unit*9
	left, right := edge+names, d.width-edge-numbers
	bottom := edge + d.unit*2.6
	x := func(part float64) vg.Length {
		return left + vg.Length((part+reach)/(2*reach))*(right-left)
	}
	d.box(levelBand, vg.Rectangle{Min: vg.Point{X: x(-1), Y: bottom}, Max: vg.Point{X: x(1), Y: top}})
	line := stroke{color: quietInk, width: d.unit * 0.06}
	for _, v := range []float64{-1, 0, 1} {
		s := line
		if v == 0 {
			s.dash = []vg.Length{4, 3}
		}
		d.lines(s, vg.Point{X: x(v), Y: bottom}, vg.Point{X: x(v), Y: top})
	}
	foot := bottom - d.unit*0.5
	d.text(d.note, ink, vg.Point{X: x(-1), Y: foot}, 0.5, 1, "lower limit")
	d.text(d.note, ink, vg.Point{X: x(0), Y: foot}, 0.5, 1, "no change")
	d.text(d.note, ink, vg.Point{X: x(1), Y: foot}, 0.5, 1, "upper limit")
	d.text(d.note, quietInk, vg.Point{X: right + d.unit*0.6, Y: foot}, 0, 1, "bar: k = 2")

	step := (top - bottom) / vg.Length(len(c.Changes))
	for i, ch := range c.Changes {
		y := top - step*(vg.Length(i)+0.5)
		d.text(d.body, ink, vg.Point{X: edge, Y: y}, 0, 0.5, shorten(d.body, ch.Label, names-d.unit*0.5))
		col := hues[0]
		if ch.Percent < ch.Low || ch.Percent > ch.High {
			col = hues[1]
		}
		d.text(d.note, ink, vg.Point{X: right + d.unit*0.6, Y: y}, 0, 0.5, fmt.Sprintf("%+.2f %% (%g to %g)", math.Round(100*ch.Percent)/100+0, ch.Low, ch.High)) // + 0: no -0
		bar := stroke{color: col, width: d.unit * 0.22}
		if part := ch.of(ch.Percent); math.Abs(part) == reach {
			// An arrow, whose tip is at the edge, says that it goes on.
			back := vg.Length(math.Copysign(0.45, part)) * d.unit
			for _, tip := range []vg.Length{0, back} {
				d.lines(bar, vg.Point{X: x(part) - tip - back, Y: y + d.unit*0.4}, vg.Point{X: x(part) - tip, Y: y}, vg.Point{X: x(part) - tip - back, Y: y - d.unit*0.4})
			}
			continue
		}
		low, high := x(ch.of(ch.Percent-2*ch.U)), x(ch.of(ch.Percent+2*ch.U))
		d.lines(bar, vg.Point{X: low, Y: y}, vg.Point{X: high, Y: y})
		for _, end := range []vg.Length{low, high} {
			d.lines(bar, vg.Point{X: end, Y: y - d.unit*0.35}, vg.Point{X: end, Y: y + d.unit*0.35})
		}
		d.dot(col, vg.Point{X: x(ch.of(ch.Percent)), Y: y}, d.unit*0.32)
	}
}
