// Package plot draws charts of impedance curves.
//
// A chart is plain data; Write checks it, draws it and writes one picture. The
// same chart gives the same bytes each time.
package plot

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"

	"tapload/fit/rating"
	"tapload/measure/impedance"
	units "tapload/measure/quantity"
)

// Trace is a curve with the name it has in the legend.
type Trace struct {
	Label string
	Curve impedance.Curve
}

// ImpedanceChart shows the modulus of curves on a log ohm axis in an upper
// panel and their phase in a lower one, over one log frequency axis.
//
// The shade around a curve is twice its standard uncertainty (k = 2), noise
// and shared sources together. It is to first order; where the uncertainty is
// not small against |Z| it is a sign to distrust the curve rather than a
// coverage interval.
type ImpedanceChart struct {
	Title  string
	Traces []Trace

	// Behind are curves to hold those of Traces against, such as the cabinets
	// that one is a hookup of: thin, without shade, and in the upper panel only.
	Behind []Trace

	// Gaps are by how much curves differ; where there are any, they stand in the
	// lower panel instead of the phase.
	Gaps []Gap

	// FirstBroad draws the first of Traces broad and pale, so that the others
	// show on it where they agree.
	FirstBroad bool

	// TapOhm draws a level for each amplifier tap, in ohm, with a band from
	// 80 % of it up to it. A load may be rated at the tap's value as long as
	// its lowest |Z| is not below 80 % of it (IEC 60268-5, rated impedance):
	// a curve that dips into the band still suits the tap, one that dips below
	// the band is too low for it.
	TapOhm []float64

	// InUseOhm is the tap of TapOhm that the load is on, which stands out before
	// the others and alone has its band; 0: none.
	InUseOhm float64

	// LeastOhm draws the lowest load of a solid-state amplifier as a level, in
	// ohm; 0: none. It is a limit, and has no band.
	LeastOhm float64

	// InUseLowHz and InUseHighHz are the band in which that tap, or the lowest
	// load, counts; 0: everywhere.
	InUseLowHz, InUseHighHz float64

	LowHz, HighHz     float64 // 0: the usual band of the traces
	WidthMM, HeightMM float64 // 0: 180 mm and 140 mm

	// Lowest and Highest are noted beside a single trace as whoever rated the
	// load found them; zero: the lowest dip and the highest peak where the curve
	// turns inside the chart. At an end of the chart is neither.
	Lowest, Highest Spot
}

// Spot is a point of a curve.
type Spot struct{ Hz, Ohm float64 }

// Limits of what can be drawn and still be read.
const (
	maxTraces          = 24
	minSideMM          = 50
	maxSideMM          = 1000
	leastOhm, mostOhm  = 1e-6, 1e9
	fewPoints          = 25   // up to here each point is marked
	upperPart          = 0.62 // of the height of both panels
	coverage           = 2.   // k
	maxLegendPart      = 0.25 // of the height of the picture
	defaultLow         = 20.
	defaultHigh        = 20000.
	defaultW, defaultH = 180., 140.
)

// OnPage checks c and returns it as a picture. Errors: no traces, a curve that
// fails its Check, no point in the band, a tap that is not a positive number.
func (c ImpedanceChart) OnPage() (Picture, error) {
	c = c.complete()
	sampled, err := c.check()
	if err != nil {
		return Picture{}, fmt.Errorf("impedance chart: %w", err)
	}
	var names []string
	for _, t := range c.all() {
		names = append(names, t.Label)
	}
	about := fmt.Sprintf("Modulus in ohm and phase in degrees over frequency, %s to %s: %s",
		units.LimitHz(c.LowHz), units.LimitHz(c.HighHz), strings.Join(names, "; "))
	return c.picture(about, func(d pen) { c.draw(d, sampled) }), nil
}

// picture is a picture of the size and title of c.
func (c ImpedanceChart) picture(about string, draw func(pen)) Picture {
	return Picture{width: mm(c.WidthMM), height: mm(c.HeightMM), title: c.Title, about: about, fluid: c.HeightMM >= c.WidthMM*leastShape, draw: draw}
}

// leastShape is the height over the width of a chart below which a narrow screen
// has no room for it.
const leastShape = 0.45

// complete returns c with its defaults filled in and its texts fit to draw.
func (c ImpedanceChart) complete() ImpedanceChart {
	low, high := math.Inf(1), 0.
	for _, t := range c.Traces {
		if len(t.Curve.Points) > 0 {
			from, to := UsualBand(t.Curve)
			low, high = min(low, from), max(high, to)
		}
	}
	if high == 0 {
		low, high = defaultLow, defaultHigh
	}
	c.LowHz, c.HighHz = cmp.Or(c.LowHz, low), cmp.Or(c.HighHz, high)
	c.WidthMM, c.HeightMM = cmp.Or(c.WidthMM, defaultW), cmp.Or(c.HeightMM, defaultH)
	c.Title = oneLine(c.Title)
	c.Traces, c.Behind = slices.Clone(c.Traces), slices.Clone(c.Behind)
	for _, traces := range [][]Trace{c.Traces, c.Behind} {
		for i := range traces {
			traces[i].Label = oneLine(traces[i].Label)
		}
	}
	return c
}

// all returns every curve of c, those behind the others last.
func (c ImpedanceChart) all() []Trace { return slices.Concat(c.Traces, c.Behind) }

// checkFrame returns what is wrong with size or band.
func (c ImpedanceChart) checkFrame() error {
	for _, side := range []float64{c.WidthMM, c.HeightMM} {
		if !(side >= minSideMM && side <= maxSideMM) {
			return fmt.Errorf("a side of %g mm is outside %d to %d mm; choose another size", side, minSideMM, maxSideMM)
		}
	}
	if !(c.LowHz > 0 && c.HighHz >= c.LowHz*1.01 && !math.IsInf(c.HighHz, 0)) {
		return fmt.Errorf("the band from %g to %g Hz is none; it must start above 0 and end at least 1 %% higher", c.LowHz, c.HighHz)
	}
	return nil
}

// check returns the values to draw of each trace, or the first thing wrong.
func (c ImpedanceChart) check() ([][]sample, error) {
	if err := c.checkFrame(); err != nil {
		return nil, err
	}
	for i, ohm := range c.TapOhm {
		if !(ohm >= leastOhm && ohm <= mostOhm) {
			return nil, fmt.Errorf("tap %d of %g ohm must be a number from %g to %g ohm", i+1, ohm, leastOhm, mostOhm)
		}
	}
	if c.InUseOhm != 0 && !slices.Contains(c.TapOhm, c.InUseOhm) {
		return nil, fmt.Errorf("the tap in use of %g ohm is none of the taps %v", c.InUseOhm, c.TapOhm)
	}
	if err := c.checkGaps(); err != nil {
		return nil, err
	}
	if c.LeastOhm != 0 && !(c.LeastOhm >= leastOhm && c.LeastOhm <= mostOhm) {
		return nil, fmt.Errorf("a lowest load of %g ohm must be a number from %g to %g ohm", c.LeastOhm, leastOhm, mostOhm)
	}
	if len(c.Traces) == 0 {
		return nil, fmt.Errorf("there is no curve to draw; give at least one")
	}
	all := c.all()
	if len(all) > maxTraces {
		return nil, fmt.Errorf("%d curves cannot be told apart in one chart; draw at most %d", len(all), maxTraces)
	}
	sampled := make([][]sample, len(all))
	for i, t := range all {
		name := fmt.Sprintf("curve %d (%q)", i+1, t.Label)
		if t.Label == "" && len(all) > 1 {
			return nil, fmt.Errorf("curve %d of %d has no label; several curves need one each to be told apart", i+1, len(all))
		}
		if err := t.Curve.Check(); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		sampled[i] = samples(t.Curve)
		inside, shown := 0, 0
		for s := range c.within(sampled[i]) {
			inside++
			if s.ohm >= leastOhm && s.ohm <= mostOhm {
				shown++
			}
		}
		p := t.Curve.Points
		switch {
		case inside == 0:
			return nil, fmt.Errorf("%s runs from %g to %g Hz and has no point from %g to %g Hz; choose another band",
				name, p[0].Hz, p[len(p)-1].Hz, c.LowHz, c.HighHz)
		case shown == 0:
			return nil, fmt.Errorf("%s has no |Z| from %g to %g ohm, which is what a log axis here can show", name, leastOhm, mostOhm)
		}
	}
	return sampled, nil
}

func (c ImpedanceChart) inBand(hz float64) bool { return hz >= c.LowHz && hz <= c.HighHz }

// panels returns what makes a panel from low to high, between left and right,
// over the band of c.
func (c ImpedanceChart) panels(d pen, left, right vg.Length) func(low, high vg.Length, y axis) panel {
	hz := axis{min: c.LowHz, max: c.HighHz, log: true, name: "frequency (Hz)"}
	// Two labels need the width of one and a half of the widest.
	hz.ticks = logTicks(hz.min, hz.max, hz.decades()*float64(d.body.Width("500")*1.2/(right-left)), prefixed)
	return func(low, high vg.Length, y axis) panel {
		return panel{vg.Rectangle{Min: vg.Point{X: left, Y: low}, Max: vg.Point{X: right, Y: high}}, hz, y}
	}
}

func (c ImpedanceChart) draw(d pen, sampled [][]sample) {
	left, right, bottom, top := aboutFrames(d, c.Title, c.keys(sampled), d.unit*0.8)
	gap := d.unit * 1.4
	if len(c.Gaps) > 0 {
		gap += d.unit * 1.2 // the line above them
	}
	upperHeight := (top - bottom - gap) * upperPart
	lowerHeight := top - bottom - gap - upperHeight

	front := sampled[:len(c.Traces)]
	ohms, under := c.modulusAxis(sampled, upperHeight/d.unit), c.phaseAxis(front, lowerHeight/d.unit)
	if len(c.Gaps) > 0 {
		under = c.gapAxis(int(lowerHeight / d.unit / 1.6))
	}
	levels := c.levelsOf()
	frameLeft := left + besideFrame(d, ohms, under)
	frameRight := right - max(d.unit*0.8, besideLevels(d, append(levels, c.gapLevels()...))) // half of the last frequency's label
	panels := c.panels(d, frameLeft, frameRight)
	upper := panels(top-upperHeight, top, ohms)
	lower := panels(bottom, bottom+lowerHeight, under)

	c.bands(d, upper)
	upper.grid(d)
	lower.grid(d)
	mark(d, upper, levels)
	for i := len(front); i < len(sampled); i++ {
		c.curve(d, upper, i, sampled[i], modulus)
	}
	for i, s := range front {
		shade(d, upper, i, s, modulus)
		if len(c.Gaps) == 0 {
			shade(d, lower, i, s, phase)
		}
	}
	for i, s := range front {
		c.curve(d, upper, i, s, modulus)
		if len(c.Gaps) == 0 {
			c.curve(d, lower, i, s, phase)
		}
	}
	if len(c.Gaps) > 0 {
		d.text(d.body, ink, vg.Point{X: lower.Min.X, Y: lower.Max.Y + d.unit*0.45}, 0, 0, shorten(d.body, c.Gaps[0].Name+", in percent of |Z|", right-lower.Min.X))
	}
	c.gaps(d, lower)
	nameX := left + d.unit*0.5
	upper.frame(d, nameX, false)
	lower.frame(d, nameX, true)
	if len(front) == 1 {
		c.extremes(d, upper, sampled)
	}
}

// look is how curve number i is drawn.
func (c ImpedanceChart) look(d pen, i int) stroke {
	if i >= len(c.Traces) {
		return traceStroke(i, d.curveWidth()*behindWidth)
	}
	look := traceStroke(i, d.curveWidth())
	if c.FirstBroad && i == 0 {
		pale := hues[i%len(hues)]
		pale.A = 0x80
		look.color, look.width = pale, look.width*broadWidth
	}
	return look
}

// behindWidth is the width of a curve behind the others, as a part of theirs.
const behindWidth = 0.6

// broadWidth is that of the first with FirstBroad.
const broadWidth = 2.6

// modulusAxis holds every curve within the band and every tap; height is in units.
func (c ImpedanceChart) modulusAxis(sampled [][]sample, height vg.Length) axis {
	least, most := math.Inf(1), 0.
	take := func(ohm float64) {
		if ohm >= leastOhm && ohm <= mostOhm {
			least, most = math.Min(least, ohm), math.Max(most, ohm)
		}
	}
	for s := range c.within(sampled...) {
		take(s.ohm)
	}
	for _, tap := range c.TapOhm {
		take(tap * rating.Floor)
		take(tap)
	}
	take(c.LeastOhm)
	a := modulusAxis(least, most)
	a.ticks = logTicks(a.min, a.max, 1.3*a.decades()/float64(height), prefixed)
	return a
}

// phaseAxis holds every curve within the band; height is in units.
func (c ImpedanceChart) phaseAxis(sampled [][]sample, height vg.Length) axis {
	least, most := math.Inf(1), math.Inf(-1)
	for s := range c.within(sampled...) {
		if s.ohm > 0 {
			least, most = math.Min(least, s.deg), math.Max(most, s.deg)
		}
	}
	return phaseAxis(least, most, int(math.Min(6, float64(height/1.6))))
}

// keys lists what the legend explains.
func (c ImpedanceChart) keys(sampled [][]sample) []key {
	var keys []key
	shaded := -1
	for i, t := range c.all() {
		marked := c.marked(sampled[i])
		if t.Label != "" {
			keys = append(keys, key{t.Label, func(d pen, r vg.Rectangle) {
				y := (r.Min.Y + r.Max.Y) / 2
				d.lines(c.look(d, i), vg.Point{X: r.Min.X, Y: y}, vg.Point{X: r.Max.X, Y: y})
				if marked {
					d.dot(hues[i%len(hues)], vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: y}, d.unit*markRadius)
				}
			}})
		}
		for s := range c.within(sampled[i]) {
			if shaded < 0 && i < len(c.Traces) && s.uOhm > 0 {
				shaded = i
			}
		}
	}
	if shaded >= 0 {
		col := faded(shaded)
		if len(c.Traces) > 1 {
			col.R, col.G, col.B = quietInk.Y, quietInk.Y, quietInk.Y
		}
		keys = append(keys, key{fmt.Sprintf("shade: k = %g", coverage), func(d pen, r vg.Rectangle) { d.box(col, r) }})
	}
	return keys
}
