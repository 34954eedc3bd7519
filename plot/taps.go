package plot

import (
	"fmt"
	"slices"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"tapload/fit/rating"
)

// level is a marked height, named at the right edge of its panel.
type level struct {
	at     float64
	name   string
	look   func(d pen) stroke
	strong bool // its name
	quiet  bool

	low, high float64 // Hz, from where to where its line goes; 0: across the panel
}

// levelsOf returns the named levels of c: what is in use is strong where it
// counts, and faint beside that.
func (c ImpedanceChart) levelsOf() []level {
	var all []level
	inUse := func(ohm float64, name string) {
		all = append(all, level{at: ohm, look: faintStroke}, level{at: ohm, name: name, look: inUseStroke, strong: true, low: c.InUseLowHz, high: c.InUseHighHz})
	}
	for _, tap := range c.TapOhm {
		name := fmt.Sprintf("%.4g ohm tap", tap)
		switch c.InUseOhm {
		case tap:
			inUse(tap, name)
		case 0:
			all = append(all, level{at: tap, name: name, look: levelStroke})
		default:
			all = append(all, level{at: tap, name: name, look: faintStroke, quiet: true})
		}
		if c.banded(tap) {
			all = append(all, level{at: tap * rating.Floor, name: floorName, look: noStroke, quiet: true})
		}
	}
	if c.LeastOhm > 0 {
		inUse(c.LeastOhm, fmt.Sprintf("%.4g ohm least", c.LeastOhm))
	}
	return all
}

// floorName names the lower edge of a tap's band.
var floorName = fmt.Sprintf("%g %% of it", rating.Floor*100)

// banded tells whether the band of a tap is drawn: of the one in use, or of all
// where none is.
func (c ImpedanceChart) banded(tap float64) bool { return c.InUseOhm == 0 || c.InUseOhm == tap }

func levelStroke(d pen) stroke { return stroke{color: levelInk, width: d.unit * 0.09} }
func inUseStroke(d pen) stroke { return stroke{color: ink, width: d.unit * 0.17} }
func noStroke(pen) stroke      { return stroke{color: levelInk} }
func faintStroke(d pen) stroke {
	return stroke{color: frameGrey, width: d.unit * 0.06, dash: []vg.Length{8, 8}}
}

func (c ImpedanceChart) bands(d pen, p panel) {
	for _, tap := range c.TapOhm {
		if c.banded(tap) {
			from, to := p.Min.X, p.Max.X
			if tap == c.InUseOhm && c.InUseHighHz > 0 {
				from, to = p.at(c.InUseLowHz, tap).X, p.at(c.InUseHighHz, tap).X
			}
			fillBand(d, p, from, to, band{tap * rating.Floor, tap})
		}
	}
}

// band is a range of heights that lies shaded under the curves.
type band struct{ low, high float64 }

// fillBand shades b over so much of the width of p.
func fillBand(d pen, p panel, from, to vg.Length, b band) {
	d.area(levelBand, p.clipArea([]vg.Point{
		{X: from, Y: p.level(b.low)}, {X: to, Y: p.level(b.low)},
		{X: to, Y: p.level(b.high)}, {X: from, Y: p.level(b.high)},
	})...)
}

func (l level) faceOf(d pen) font.Face {
	if l.strong {
		return d.strong
	}
	return d.note
}

// besideLevels is the width that the names of levels need beside a frame.
func besideLevels(d pen, levels []level) vg.Length {
	var widest vg.Length
	for _, l := range levels {
		face := l.faceOf(d)
		widest = max(widest, face.Width(l.name)+d.unit*0.5)
	}
	return widest
}

// mark draws levels over p, and their names outside the frame, where no curve
// comes.
func mark(d pen, p panel, levels []level) {
	var at []vg.Length
	var named []level
	for _, v := range levels {
		y := p.level(v.at)
		if v.name != "" {
			at, named = append(at, y), append(named, v)
		}
		from, to := vg.Point{X: p.Min.X, Y: y}, vg.Point{X: p.Max.X, Y: y}
		if v.high > 0 {
			from.X, to.X = p.at(v.low, v.at).X, p.at(v.high, v.at).X
		}
		for _, part := range p.clip([]vg.Point{from, to}) {
			d.lines(v.look(d), part...)
		}
	}
	gap := d.note.Font.Size * 1.05
	for room := int(p.Size().Y/gap) + 1; len(named) > room; { // a small panel has no room for every name
		i := max(0, slices.IndexFunc(named, func(l level) bool { return l.quiet }))
		at, named = slices.Delete(at, i, i+1), slices.Delete(named, i, i+1)
	}
	for i, y := range apart(at, gap, p.Min.Y, p.Max.Y) {
		col := ink
		if named[i].quiet {
			col = quietInk
		}
		d.text(named[i].faceOf(d), col, vg.Point{X: p.Max.X + d.unit*0.5, Y: y}, 0, 0.5, named[i].name)
	}
}
