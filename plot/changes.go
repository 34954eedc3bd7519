package plot

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"

	"tapload/measure/verdict"
)

// Change is by how much a quantity has changed, in percent, with its standard
// uncertainty, the limits that it is held against, Low below and High above 0
// (one side may be 0), and how it came out.
type Change struct {
	Label      string
	Percent, U float64
	Low, High  float64
	Verdict    verdict.Verdict
}

// ChangeChart shows each change as a mark with its interval (k = 2), on a scale
// of its own limits: all limits stand at the same two places, and the numbers
// beside them say what they are. An interval that goes on beyond the edge ends in
// an arrow. Mark and word say how each came out: a dot passes, a cross fails, a
// ring is undecided.
type ChangeChart struct {
	Title   string
	Changes []Change
}

// OnPage checks c and returns it as a picture.
func (c ChangeChart) OnPage() (Picture, error) {
	if len(c.Changes) == 0 {
		return Picture{}, fmt.Errorf("change chart: there is no change to draw")
	}
	c.Title = oneLine(c.Title)
	about := "Change of each quantity against its limits, in percent:"
	for i, ch := range c.Changes {
		if !finite(ch.Percent) || !(ch.U >= 0) || !finite(ch.U) || !(ch.Low <= 0 && ch.High >= 0 && ch.High > ch.Low) {
			return Picture{}, fmt.Errorf("change chart: %s: a change of %g %% with u %g %% and limits from %g to %g cannot be drawn; the limits must hold 0 between them", ch.Label, ch.Percent, ch.U, ch.Low, ch.High)
		}
		if i > 0 {
			about += ";"
		}
		about += fmt.Sprintf(" %s %s", oneLine(ch.Label), ch.words())
	}
	return Picture{width: mm(defaultW), height: mm(40 + 10*float64(len(c.Changes))), title: c.Title, about: about, fluid: true, draw: c.draw}, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// words are the change and its limits.
func (ch Change) words() string {
	return fmt.Sprintf("%s %% (%s to %s) %s", signed(ch.Percent), degrees(ch.Low), degrees(ch.High), ch.Verdict)
}

// signed is v with its sign, to a tenth or three digits.
func signed(v float64) string {
	text := fmt.Sprintf("%+.1f", v)
	switch {
	case math.Abs(v) >= 99.95:
		text = fmt.Sprintf("%+.0f", v)
	case math.Abs(v) < 0.05:
		return "0.0"
	}
	return strings.Replace(text, "-", "−", 1)
}

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
	top -= d.title(vg.Point{X: edge, Y: top}, c.Title, d.width-2*edge, 2) + d.unit*0.2
	var names, numbers vg.Length
	for _, ch := range c.Changes {
		names, numbers = max(names, d.body.Width(ch.Label)), max(numbers, d.strong.Width(ch.words()))
	}
	names = min(names, d.width*0.22)
	twoRows := numbers > d.width*0.36
	if twoRows {
		numbers = d.strong.Width("undecided")
	}
	left, right := edge+names+d.unit, d.width-edge-numbers-d.unit
	x := func(part float64) vg.Length {
		return left + vg.Length((part+reach)/(2*reach))*(right-left)
	}
	const bars = "bar: k = 2"
	bottom, barsUnder := edge+d.unit*2.4, vg.Length(0)
	if edge+d.note.Width(bars)+d.unit*0.5 > x(-1)-d.note.Width("lower limit")/2 { // no room for it beside that
		bottom, barsUnder = bottom+d.unit*1.4, d.unit*1.4
	}
	d.box(levelBand, vg.Rectangle{Min: vg.Point{X: x(-1), Y: bottom}, Max: vg.Point{X: x(1), Y: top}})
	for _, v := range []float64{-1, 0, 1} {
		look := limitStroke(d)
		if v == 0 {
			look = levelStroke(d)
		}
		d.lines(look, vg.Point{X: x(v), Y: bottom}, vg.Point{X: x(v), Y: top})
	}
	foot := bottom - d.unit*0.5
	d.text(d.note, ink, vg.Point{X: x(-1), Y: foot}, 0.5, 1, "lower limit")
	if d.note.Width("lower limit no change")*1.1 < x(0)-x(-1)+d.note.Width("no change") {
		d.text(d.note, quietInk, vg.Point{X: x(0), Y: foot}, 0.5, 1, "no change")
	}
	d.text(d.note, ink, vg.Point{X: x(1), Y: foot}, 0.5, 1, "upper limit")
	d.text(d.note, quietInk, vg.Point{X: edge, Y: foot - barsUnder}, 0, 1, bars)

	step := (top - bottom) / vg.Length(len(c.Changes))
	for i, ch := range c.Changes {
		y := top - step*(vg.Length(i)+0.5)
		d.text(d.body, ink, vg.Point{X: edge, Y: y}, 0, 0.5, shorten(d.body, oneLine(ch.Label), names+d.unit*0.1))
		face, words := d.note, ch.words()
		if twoRows {
			words = ch.Verdict.String()
		}
		if ch.Verdict != verdict.Pass {
			face = d.strong
		}
		d.text(face, ink, vg.Point{X: right + d.unit, Y: y}, 0, 0.5, shorten(face, words, d.width-edge*0.5-right-d.unit))
		c.row(d, ch, x, y)
	}
}

// row draws the interval of a change and its mark at the height y.
func (c ChangeChart) row(d pen, ch Change, x func(part float64) vg.Length, y vg.Length) {
	col := hues[map[verdict.Verdict]int{verdict.Pass: 0, verdict.Fail: 1, verdict.Undecided: 3}[ch.Verdict]]
	bar := stroke{color: col, width: d.unit * 0.2}
	ends := [2]float64{ch.of(ch.Percent - coverage*ch.U), ch.of(ch.Percent + coverage*ch.U)}
	d.lines(bar, vg.Point{X: x(ends[0]), Y: y}, vg.Point{X: x(ends[1]), Y: y})
	for _, end := range ends {
		at, h := x(end), d.unit*0.4
		if math.Abs(end) == reach { // an arrow, whose tip is at the edge
			back := vg.Length(math.Copysign(0.7, end)) * d.unit
			d.lines(bar, vg.Point{X: at - 2*back, Y: y}, vg.Point{X: at - back, Y: y})
			d.area(col, vg.Point{X: at - back, Y: y + h}, vg.Point{X: at, Y: y}, vg.Point{X: at - back, Y: y - h})
			continue
		}
		d.lines(bar, vg.Point{X: at, Y: y - h}, vg.Point{X: at, Y: y + h})
	}
	mid := ch.of(ch.Percent)
	if math.Abs(mid) == reach {
		return // the arrow stands for it
	}
	at, r := vg.Point{X: x(mid), Y: y}, d.unit*0.38
	switch ch.Verdict {
	case verdict.Pass:
		d.dot(col, at, r)
	case verdict.Fail:
		for _, s := range []stroke{{color: paper, width: d.unit * 0.55}, {color: col, width: d.unit * 0.28}} {
			d.lines(s, at.Sub(vg.Point{X: r, Y: r}), at.Add(vg.Point{X: r, Y: r}))
			d.lines(s, at.Add(vg.Point{X: -r, Y: r}), at.Add(vg.Point{X: r, Y: -r}))
		}
	default:
		d.dot(paper, at, r)
		d.ring(bar, at, r)
	}
}
