package plot

import (
	"fmt"
	"math"
	"sort"
	"strconv"

	"gonum.org/v1/plot/vg"
)

// flat is the ratio of highest to lowest |Z| below which their places mean nothing.
const flat = 1.1

// extremes notes the lowest and the highest modulus of the first curve within
// the band of the notes beside it, as far as there is room beside it and the others.
func (c ImpedanceChart) extremes(d pen, p panel, sampled [][]sample) {
	trace := sampled[0]
	low, high := -1, -1
	for i, s := range trace {
		if !c.inBand(s.hz) || s.hz < c.NoteLowHz || c.NoteHighHz > 0 && s.hz > c.NoteHighHz || s.ohm < p.y.min || s.ohm > p.y.max {
			continue
		}
		if low < 0 || s.ohm < trace[low].ohm {
			low = i
		}
		if high < 0 || s.ohm > trace[high].ohm {
			high = i
		}
	}
	if low < 0 || trace[high].ohm < flat*trace[low].ohm {
		return
	}
	room := crowd{panel: p}
	for _, other := range sampled {
		room.lines = append(room.lines, p.clip(modulus.line(p, other))...)
	}
	for _, edge := range modulus.edges(p, trace) {
		room.lines = append(room.lines, p.clip(edge)...)
	}
	for _, l := range c.levelsOf() {
		y := p.level(l.at)
		room.lines = append(room.lines, []vg.Point{{X: p.Min.X, Y: y}, {X: p.Max.X, Y: y}})
	}
	for _, n := range []struct {
		word string
		at   sample
		up   vg.Length
	}{{"max", trace[high], 1}, {"min", trace[low], -1}} {
		at := p.at(n.at.hz, n.at.ohm)
		text := fmt.Sprintf("%s %s Ω at %s", n.word, digits(n.at.ohm), frequency(n.at.hz))
		if room.note(d, at, n.up, text) {
			d.ring(stroke{color: quietInk, width: d.unit * 0.08}, at, d.unit*0.3)
		}
	}
}

// crowd keeps notes clear of lines and of each other.
type crowd struct {
	panel panel
	lines [][]vg.Point
	notes []vg.Rectangle
}

// note writes text near at and tells whether there was room: outside the bend
// (up is 1 for a peak, -1 for a dip) if it can, else beside or inside it.
func (c *crowd) note(d pen, at vg.Point, up vg.Length, text string) bool {
	w, h := d.note.Width(text), d.note.Font.Size*capHeight
	for _, far := range []vg.Length{0.6, 1.4, 2.2} {
		for _, way := range []struct{ x, y vg.Length }{
			{0, up}, {0.5, up}, {-0.5, up}, {1, up}, {-1, up}, {1, 0.4 * up}, {-1, 0.4 * up},
			{1, 0}, {-1, 0}, {1, -0.4 * up}, {-1, -0.4 * up}, {1, -up}, {-1, -up}, {0, -up},
		} {
			mid := vg.Point{X: at.X + way.x*(w/2+d.unit*far), Y: at.Y + way.y*(h/2+d.unit*far)}
			r := vg.Rectangle{Min: vg.Point{X: mid.X - w/2, Y: mid.Y - h/2}, Max: vg.Point{X: mid.X + w/2, Y: mid.Y + h/2}}
			if c.free(r, d.unit*0.3) {
				d.text(d.note, quietInk, mid, 0.5, 0.5, text)
				c.notes = append(c.notes, r)
				return true
			}
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
	for _, line := range c.lines {
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

// digits returns v to three significant digits, trailing zeros kept.
func digits(v float64) string {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 2, 64), 64)
	decimals := 2 - int(math.Floor(math.Log10(rounded)))
	return strconv.FormatFloat(rounded, 'f', max(decimals, 0), 64)
}

// frequency returns hz to three significant digits with its unit.
func frequency(hz float64) string {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(hz, 'e', 2, 64), 64)
	if rounded >= 1000 {
		return strconv.FormatFloat(rounded/1000, 'g', 4, 64) + " kHz"
	}
	return strconv.FormatFloat(rounded, 'g', 4, 64) + " Hz"
}
