package plot

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"

	units "tapload/measure/quantity"
	"tapload/measure/record"
)

// Harmonics is the distortion of one record with the name it has in the legend.
type Harmonics struct {
	Label      string
	Short      string // names it beside a mark where there are several, such as "after"; may be empty
	Distortion record.Distortion
}

// DistortionChart shows the harmonics of the current through a load, in dB
// against the fundamental, over the frequency of the fundamental on a log axis
// that its panels share: the second, the third, the loudest of those above, and
// what lies above them all. One level axis serves every panel, so that heights
// compare. Records, such as before and after, are lines of their own.
//
// The shade is what noise alone would give; a line is thin where it does not
// stand clear of that. A ring marks where something scrapes.
type DistortionChart struct {
	Title   string
	Records []Harmonics

	LowHz, HighHz     float64 // 0: the ends of the records' frequencies
	WidthMM, HeightMM float64 // 0: 180 mm and 200 mm
}

const (
	distortionHeight = 200.

	// mostRecords have hues of their own.
	mostRecords = 7

	// levelSpan is the most that the level axis shows, in dB: far more than any
	// recording holds, and what a virtual bench without noise has.
	levelSpan = 160.

	// farLevel is beyond all that a level axis can be asked for, in dB.
	farLevel = 1000.
)

// OnPage checks c and returns it as a picture. Errors: no record, a record that
// fails its Check or has nothing to draw, records that share a name.
func (c DistortionChart) OnPage() (Picture, error) {
	if err := c.check(); err != nil {
		return Picture{}, fmt.Errorf("distortion chart: %w", err)
	}
	frame := c.frame()
	if err := frame.checkFrame(); err != nil {
		return Picture{}, fmt.Errorf("distortion chart: %w", err)
	}
	panels := c.panels()
	y, err := levels(panels, frame)
	if err != nil {
		return Picture{}, fmt.Errorf("distortion chart: %w", err)
	}
	about := fmt.Sprintf("Harmonics of the current in dB against the fundamental, over its frequency, %s to %s:", units.LimitHz(frame.LowHz), units.LimitHz(frame.HighHz))
	for i, r := range c.Records {
		about += " " + frame.Traces[i].Label
		if at := r.Distortion.Scrape(); at >= 0 {
			about += fmt.Sprintf(", something scrapes at %s", units.LimitHz(r.Distortion.Hz[at]))
		}
		about += ";"
	}
	return frame.picture(strings.TrimSuffix(about, ";"), func(d pen) { c.draw(d, frame, panels, y) }), nil
}

func (c DistortionChart) check() error {
	switch n := len(c.Records); {
	case n == 0:
		return fmt.Errorf("there is no record to draw; give at least one")
	case n > mostRecords:
		return fmt.Errorf("%d records cannot be told apart in one chart; draw at most %d", n, mostRecords)
	}
	named := map[string]bool{}
	for i, r := range c.Records {
		switch label := oneLine(r.Label); {
		case label == "":
			return fmt.Errorf("record %d has no label", i+1)
		case named[label]:
			return fmt.Errorf("two records are called %q; give each a label of its own", label)
		default:
			named[label] = true
		}
		if err := r.Distortion.Check(); err != nil {
			return fmt.Errorf("record %d (%q): %w", i+1, r.Label, err)
		}
	}
	return nil
}

// frame holds size, title, labels and band of c.
func (c DistortionChart) frame() ImpedanceChart {
	first, last := math.Inf(1), 0.
	f := ImpedanceChart{Title: c.Title, LowHz: c.LowHz, HighHz: c.HighHz, WidthMM: c.WidthMM, HeightMM: cmp.Or(c.HeightMM, distortionHeight)}
	for _, r := range c.Records {
		hz := r.Distortion.Hz
		first, last = math.Min(first, hz[0]), math.Max(last, hz[len(hz)-1])
		f.Traces = append(f.Traces, Trace{Label: r.Label})
	}
	if last < 1.5*first { // a few frequencies need some room
		first, last = first/1.5, last*1.5
	}
	f.LowHz, f.HighHz = cmp.Or(f.LowHz, first), cmp.Or(f.HighHz, last)
	return f.complete()
}

// overtone is one point of a line: a level above what noise would give, in dB.
type overtone struct {
	hz, level, floor float64
	clear            bool // of the floor
}

// overtones is a panel: a name and a line of each record, which may be empty.
type overtones struct {
	name  string
	lines [][]overtone
	above bool // what lies above all orders, where something that scrapes shows
}

// panels returns those that any record has something for.
func (c DistortionChart) panels() []overtones {
	highest := 0
	for _, r := range c.Records {
		for _, o := range r.Distortion.Orders {
			highest = max(highest, o.Number)
		}
	}
	loudest := overtones{name: fmt.Sprintf("loudest of orders 4 to %d", highest)}
	if highest == 4 {
		loudest.name = "order 4"
	}
	above := overtones{name: "all above the fundamental", above: true}
	if highest > 0 {
		above.name = fmt.Sprintf("all above order %d", highest)
	}
	all := []overtones{{name: "order 2"}, {name: "order 3"}, loudest, above}
	for _, r := range c.Records {
		d := r.Distortion
		for i, orders := range [][2]int{{2, 2}, {3, 3}, {4, highest}} {
			all[i].lines = append(all[i].lines, loudestOf(d, orders[0], orders[1]))
		}
		var line []overtone
		for i, level := range d.Residual {
			line = append(line, overtone{d.Hz[i], level, d.ResidualFloor[i], d.ResidualClear(i)})
		}
		all[3].lines = append(all[3].lines, line)
	}
	var some []overtones
	for _, p := range all {
		n := 0
		for _, line := range p.lines {
			n += len(line)
		}
		if n > 0 {
			some = append(some, p)
		}
	}
	return some
}

// loudestOf returns at each frequency the loudest of the orders from low to
// high with the floor of that order, those that stand clear of it before those
// that do not.
func loudestOf(d record.Distortion, low, high int) []overtone {
	var line []overtone
	for i, hz := range d.Hz {
		var best *overtone
		for _, o := range d.Orders {
			if o.Number < low || o.Number > high || i >= len(o.Level) {
				continue
			}
			at := overtone{hz, o.Level[i], o.Floor[i], o.Clear(i)}
			if best == nil || at.clear && !best.clear || at.clear == best.clear && at.level > best.level {
				best = &at
			}
		}
		if best != nil {
			line = append(line, *best)
		}
	}
	return line
}

// levels returns the axis that holds whatever stands clear of its floor within
// the band of frame, and every floor with some of its shade; without its ticks.
func levels(panels []overtones, frame ImpedanceChart) (y axis, err error) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, p := range panels {
		for _, line := range p.lines {
			for _, o := range line {
				if frame.inBand(o.hz) {
					least, most = math.Min(least, o.floor), math.Max(most, math.Max(o.floor, o.level))
				}
			}
		}
	}
	switch {
	case math.IsInf(most, 0):
		return y, fmt.Errorf("there is no harmonic from %g to %g Hz; choose another band", frame.LowHz, frame.HighHz)
	case math.Abs(most) > farLevel:
		return y, fmt.Errorf("the highest level is %g dB, which no harmonic has; it must be from -%g to %g dB", most, farLevel, farLevel)
	}
	const step, margin = 10, 4
	y.max = step * math.Ceil((most+margin)/step)
	y.min = math.Max(step*math.Floor((least-margin)/step), y.max-levelSpan)
	return y, nil
}

// inNoise is the look of line number i where it does not stand clear.
func inNoise(d pen, i int) stroke {
	s := traceStroke(i, d.curveWidth()*0.45)
	pale := hues[i%len(hues)]
	pale.A = 0xA0
	s.color = pale
	return s
}

func (c DistortionChart) draw(d pen, frame ImpedanceChart, panels []overtones, y axis) {
	left, right, bottom, top := aboutFrames(d, frame.Title, c.keys(frame), d.unit*0.3)
	named := d.unit * 1.7 // the line above each panel
	each := (top - bottom) / vg.Length(len(panels))
	height := each - named
	step := 10.
	for float64(height/d.unit/1.5) < (y.max-y.min)/step && step < 80 {
		step *= 2
	}
	y.ticks = evenTicks(y.min, y.max, step, func(v float64) string { return degrees(v + 0) }) // + 0: no -0

	frameLeft, frameRight := left+besideFrame(d, y), right-d.unit*0.8 // half of the last frequency's label
	of := frame.panels(d, frameLeft, frameRight)
	for i, o := range panels {
		low := bottom + each*vg.Length(len(panels)-1-i)
		p := of(low, low+height, y)
		p.x.name = "frequency of the fundamental (Hz)"
		for k, line := range o.lines {
			noiseShade(d, p, k, line)
		}
		p.grid(d)
		for k, line := range o.lines {
			overtoneLine(d, p, k, line)
		}
		p.frame(d, left, i == len(panels)-1)
		at := vg.Point{X: p.Min.X, Y: p.Max.Y + d.unit*0.45}
		name := shorten(d.body, o.name, (right-p.Min.X)*0.6)
		d.text(d.body, ink, at, 0, 0, name)
		if o.above {
			at.X += d.body.Width(name) + d.unit*1.5
			c.scrapes(d, p, frame, at, right-at.X)
		}
	}
	name := "level against the fundamental (dB)"
	if d.body.Width(name) > top-bottom {
		name = "level (dB)"
	}
	d.upright(d.body, ink, vg.Point{X: left + d.unit*0.5, Y: (bottom + top) / 2}, name)
}

// keys lists what the legend explains.
func (c DistortionChart) keys(frame ImpedanceChart) []key {
	var keys []key
	for i, t := range frame.Traces {
		keys = append(keys, lineKey(t.Label, func(d pen) stroke { return traceStroke(i, d.curveWidth()) }))
	}
	shade, thin := faded(0), func(d pen) stroke { return inNoise(d, 0) }
	if len(frame.Traces) > 1 {
		shade.R, shade.G, shade.B = quietInk.Y, quietInk.Y, quietInk.Y
		thin = func(d pen) stroke { return stroke{color: quietInk, width: inNoise(d, 0).width} }
	}
	return append(keys,
		key{"noise", func(d pen, r vg.Rectangle) { d.box(shade, r) }},
		lineKey("thin: lost in noise", thin))
}

// noiseShade fills what lies under the floor of a line.
func noiseShade(d pen, p panel, i int, line []overtone) {
	if len(line) < 2 {
		return
	}
	ground := p.y.min
	area := []vg.Point{p.at(line[0].hz, ground)}
	for _, o := range line {
		area = append(area, p.at(o.hz, o.floor))
	}
	area = append(area, p.at(line[len(line)-1].hz, ground))
	d.area(faded(i), p.clipArea(area)...)
}

// overtoneLine draws line number i, thin where it does not stand clear of its
// floor.
func overtoneLine(d pen, p panel, i int, line []overtone) {
	look, pts := traceStroke(i, d.curveWidth()), make([]vg.Point, len(line))
	for k, o := range line {
		pts[k] = p.at(o.hz, o.level)
	}
	part := func(s stroke, from, to int) {
		for _, inside := range p.clip(pts[from:to]) {
			d.lines(s, inside...)
		}
		if at := pts[from]; to == from+1 && p.holds(at) {
			d.dot(s.color, at, d.unit*markRadius*0.7)
		}
	}
	for from := 0; from < len(line); {
		to := from + 1
		for to < len(line) && line[to].clear == line[from].clear {
			to++
		}
		if line[from].clear {
			part(look, from, to)
		} else { // with the way to its neighbours
			part(inNoise(d, i), max(0, from-1), min(len(line), to+1))
		}
		from = to
	}
}

// scrapes rings where something scrapes on the lines of p, and says so in the
// row above it, from at on, in as many words as there is room for.
func (c DistortionChart) scrapes(d pen, p panel, frame ImpedanceChart, at vg.Point, room vg.Length) {
	radius, beside, gap := d.unit*0.42, d.unit*1.2, d.unit*1.2
	ring := func(col color.Color, at vg.Point) { d.ring(stroke{color: col, width: d.unit * 0.16}, at, radius) }
	write := func(col color.Color, says string) {
		ring(col, at.Add(vg.Point{X: radius, Y: d.body.Font.Size * capHeight / 2}))
		d.text(d.body, ink, at.Add(vg.Point{X: beside}), 0, 0, says)
		at.X += beside + d.body.Width(says) + gap
	}
	var marks []color.Color
	var says [3][]string // of each mark, from many words to few
	for i, r := range c.Records {
		k := r.Distortion.Scrape()
		if k < 0 || !frame.inBand(r.Distortion.Hz[k]) {
			continue
		}
		col, hz, level := hues[i%len(hues)], r.Distortion.Hz[k], r.Distortion.Residual[k]
		ring(col, p.at(hz, level))
		who := ""
		if short := oneLine(r.Short); short != "" && len(c.Records) > 1 {
			who = short + ": "
		}
		where := who + "something scrapes at " + units.LimitHz(hz)
		marks = append(marks, col)
		for form, words := range []string{fmt.Sprintf("%s, %s dB", where, degrees(math.Round(level))), where, who + "scrapes"} {
			says[form] = append(says[form], words)
		}
	}
	if len(marks) == 0 {
		return
	}
	for _, words := range says {
		width := -gap
		for _, w := range words {
			width += beside + d.body.Width(w) + gap
		}
		if width <= room {
			for i, col := range marks {
				write(col, words[i])
			}
			return
		}
	}
	// The hues of the rings on the lines say whose they are.
	write(ink, shorten(d.body, "scrapes", room-beside))
}
