package plot

import (
	"gonum.org/v1/plot/vg"
)

// key is one entry of a legend: a sample of what is drawn and its name.
type key struct {
	name   string
	sample func(d pen, r vg.Rectangle)
}

// legend is a table of keys, laid out to stand above the panels, where no
// data can be.
type legend struct {
	keys []key
	at   []vg.Point  // of each key, from the upper left corner
	room []vg.Length // for each name
	rows int
}

const (
	sampleWidth = 2.6 // of a key's sample, and what follows, in units
	sampleGap   = 0.6
	keyGap      = 1.6
	rowHeight   = 1.45
)

// newLegend lays out keys in width: in one row if they fit, else in the most
// columns in which every name fits, and if that takes more than maxRows, in
// more columns with long names shortened.
func newLegend(d pen, keys []key, width vg.Length, maxRows int) legend {
	l := legend{keys: keys}
	if len(keys) == 0 {
		return l
	}
	beside := d.unit * (sampleWidth + sampleGap + keyGap)
	width += d.unit * keyGap // the last key of a row needs no gap
	var total, widest vg.Length
	for _, k := range keys {
		w := d.body.Width(k.name) + beside
		total, widest = total+w, max(widest, w)
	}
	l.rows = 1
	columns := len(keys)
	if total > width {
		fit := int(width / widest)
		need := (len(keys) + max(maxRows, 1) - 1) / max(maxRows, 1)
		columns = min(max(fit, need, 1), len(keys))
		l.rows = (len(keys) + columns - 1) / columns
		columns = (len(keys) + l.rows - 1) / l.rows
	}
	var x vg.Length
	for i, k := range keys {
		w := d.body.Width(k.name) + beside
		if total > width {
			w = min(width/vg.Length(columns), widest)
		}
		if i%columns == 0 {
			x = 0
		}
		l.at = append(l.at, vg.Point{X: x, Y: -d.unit * rowHeight * (vg.Length(i/columns) + 0.5)})
		l.room = append(l.room, w-beside+d.unit*0.01) // rounding must not shorten what fits
		x += w
	}
	return l
}

func (l legend) height(d pen) vg.Length { return vg.Length(l.rows) * rowHeight * d.unit }

// draw draws the legend below and to the right of corner.
func (l legend) draw(d pen, corner vg.Point) {
	for i, k := range l.keys {
		at := corner.Add(l.at[i])
		k.sample(d, vg.Rectangle{
			Min: at.Sub(vg.Point{Y: d.unit * 0.4}),
			Max: at.Add(vg.Point{X: d.unit * sampleWidth, Y: d.unit * 0.4}),
		})
		d.text(d.body, ink, at.Add(vg.Point{X: d.unit * (sampleWidth + sampleGap)}), 0, 0.5, shorten(d.body, k.name, l.room[i]))
	}
}
