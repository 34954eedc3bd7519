package plot

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strconv"

	"gonum.org/v1/plot/vg"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/measure/impedance"
	units "tapload/measure/quantity"
)

// FitChart shows a measured curve as points on a log ohm axis, with the fitted
// load as a line through them, and in a lower panel what the load leaves of the
// curve, in percent of |Z|: in the direction of Z, which is a difference of
// modulus, and across it, a difference of phase (1 % is 0.57 degrees). Levels
// mark Re and the resonances.
//
// The shades are k = 2: in the upper panel noise and shared sources together,
// in the lower one noise alone, since a shared source moves the fitted load with
// the curve.
//
// Where the load has a rating, a level is the lowest |Z| that it allows, over the
// range in which it counts, and the lowest |Z| noted is the rating's.
type FitChart struct {
	Title  string
	Curve  impedance.Curve
	Load   fit.Result
	Rating rating.Rating

	LowHz, HighHz     float64 // 0: the usual band of the curve
	WidthMM, HeightMM float64 // 0: 180 mm and 140 mm
}

// Looks of what stands in both panels.
var (
	measuredInk = hues[0]
	modelInk    = hues[1]
	acrossInk   = hues[2]
)

// OnPage checks c and returns it as a picture.
func (c FitChart) OnPage() (Picture, error) {
	frame := ImpedanceChart{
		Title: c.Title, Traces: []Trace{{Curve: c.Curve}},
		LowHz: c.LowHz, HighHz: c.HighHz, WidthMM: c.WidthMM, HeightMM: c.HeightMM,
	}.complete()
	sampled, err := frame.check()
	if err == nil && (len(c.Load.Resonances) == 0 || !(c.Load.Re.Value > 0)) {
		err = errors.New("there is no fitted load; fit the curve first")
	}
	if err != nil {
		return Picture{}, fmt.Errorf("fit chart: %w", err)
	}
	d := fitDrawing{ImpedanceChart: frame, curve: c.Curve, load: c.Load, rating: c.Rating, points: sampled[0]}
	d.compare()
	about := fmt.Sprintf("Measured modulus in ohm with the fitted load, and what that leaves in percent of |Z|, %s to %s",
		units.LimitHz(frame.LowHz), units.LimitHz(frame.HighHz))
	return frame.picture(about, d.draw), nil
}

// fitDrawing is a FitChart ready to draw.
type fitDrawing struct {
	ImpedanceChart
	curve  impedance.Curve
	load   fit.Result
	rating rating.Rating
	points []sample
	model  []sample // of the load, fine enough to bend smoothly

	along, across []sample // residual in percent as ohm, of noise alone as uOhm
}

// modelSteps is how many pieces the line of the load has.
const modelSteps = 800

func (d *fitDrawing) compare() {
	for i := range modelSteps + 1 {
		hz := d.LowHz * math.Pow(d.HighHz/d.LowHz, float64(i)/modelSteps)
		d.model = append(d.model, sample{hz: hz, ohm: cmplx.Abs(d.load.Impedance(hz))})
	}
	for _, p := range d.curve.Points {
		m := cmplx.Abs(p.Z)
		if m == 0 {
			continue
		}
		e := (p.Z - d.load.Impedance(p.Hz)) * cmplx.Conj(p.Z) / complex(m*m, 0) * 100
		u := func(z complex128) float64 { return 100 * math.Sqrt(p.Noise.Along(z)) / m }
		d.along = append(d.along, sample{hz: p.Hz, ohm: real(e), uOhm: u(p.Z)})
		d.across = append(d.across, sample{hz: p.Hz, ohm: imag(e), uOhm: u(1i * p.Z)})
	}
}

func (d fitDrawing) draw(p pen) {
	left, right, bottom, top := aboutFrames(p, d.Title, d.keys(), p.unit*0.8)
	lowerKeys := newLegend(p, d.residualKeys(), right-left, 1)
	gap := p.unit*1.4 + lowerKeys.height(p)
	upperHeight := (top - bottom - gap) * 0.68
	lowerHeight := top - bottom - gap - upperHeight

	ohms := d.modulusAxis([][]sample{d.points, d.model, d.levelSamples()}, upperHeight/p.unit)
	percent := d.residualAxis(int(lowerHeight / p.unit / 1.6))
	frameLeft := left + besideFrame(p, ohms, percent)
	frameRight := right - max(p.unit*0.8, besideLevels(p, d.levels()))
	panels := d.panels(p, frameLeft, frameRight)
	upper := panels(top-upperHeight, top, ohms)
	lower := panels(bottom, bottom+lowerHeight, percent)
	upper.grid(p)
	lower.grid(p)
	lowerKeys.draw(p, vg.Point{X: frameLeft, Y: bottom + lowerHeight + lowerKeys.height(p) + p.unit*0.2})
	d.marks(p, upper, lower)

	shade(p, upper, 0, d.points, modulus)
	for _, part := range upper.clip(modulus.line(upper, d.model)) {
		p.lines(modelStroke(p), part...)
	}
	d.dots(p, upper)
	d.residual(p, lower)
	nameX := left + p.unit*0.5
	upper.frame(p, nameX, false)
	lower.frame(p, nameX, true)
	d.names(p, upper)
}

// residualAxis holds the residual of every point in the band, evenly to both
// sides of 0.
func (d fitDrawing) residualAxis(room int) axis {
	most := 0.02 // percent: rounding is no residual
	for s := range d.within(d.along, d.across) {
		most = math.Max(most, math.Abs(s.ohm))
	}
	return evenAxis("%", most*1.05, room)
}

// roundTo takes off what multiplying a step leaves: 0.30000000000000004.
func roundTo(v float64) float64 {
	r, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	return r
}

func (d fitDrawing) keys() []key {
	keys := []key{
		{"measured", func(p pen, r vg.Rectangle) {
			for _, x := range []vg.Length{-0.8, 0, 0.8} {
				p.dot(measuredInk, vg.Point{X: (r.Min.X+r.Max.X)/2 + x*p.unit, Y: (r.Min.Y + r.Max.Y) / 2}, p.unit*measuredRadius)
			}
		}},
		lineKey("fitted load", modelStroke),
	}
	for _, s := range d.points {
		if s.uOhm > 0 {
			return append(keys, key{fmt.Sprintf("shade: k = %g", coverage), func(p pen, r vg.Rectangle) { p.box(faded(0), r) }})
		}
	}
	return keys
}

// residualKeys are those of the lower panel.
func (d fitDrawing) residualKeys() []key {
	return []key{lineKey("residual of |Z|: in modulus", alongStroke), lineKey("in phase", acrossStroke)}
}

const measuredRadius = 0.17 // units

// modelStroke is broad and pale, for the dots of what was measured to lie on it.
func modelStroke(p pen) stroke {
	pale := modelInk
	pale.A = 0x90
	return stroke{color: pale, width: p.unit * 0.26}
}
func alongStroke(p pen) stroke { return stroke{color: measuredInk, width: p.unit * 0.1} }
func acrossStroke(p pen) stroke {
	return stroke{color: acrossInk, width: p.unit * 0.1, dash: []vg.Length{6, 3}}
}

// levels are Re and what a rating allows.
func (d fitDrawing) levels() []level {
	all := []level{{at: d.load.Re.Value, name: fmt.Sprintf("Re %s Ω", units.Digits(d.load.Re.Value, 3)), look: reStroke, quiet: true}}
	r := d.rating
	if r.Ohm > 0 {
		all = append(all, level{at: r.Ohm, name: fmt.Sprintf("rated %.3g Ω", r.Ohm), look: faintStroke})
	}
	if n := len(r.Candidates); n > 0 {
		limit := r.Candidates[n-1] * rating.Floor
		all = append(all, level{at: limit, name: fmt.Sprintf("limit %s Ω", units.Digits(limit, 3)), look: limitStroke, strong: true, low: r.LowHz, high: r.HighHz})
	}
	return all
}

// levelSamples are the levels as points, for an axis to hold them.
func (d fitDrawing) levelSamples() (all []sample) {
	for _, l := range d.levels() {
		all = append(all, sample{hz: d.LowHz, ohm: l.at})
	}
	return all
}

func reStroke(p pen) stroke {
	return stroke{color: levelInk, width: p.unit * 0.08, dash: []vg.Length{1.5, 3}}
}

// marks draws the levels and a line through both panels at each resonance.
func (d fitDrawing) marks(p pen, upper, lower panel) {
	look := stroke{color: levelInk, width: p.unit * 0.08, dash: []vg.Length{7, 4}}
	mark(p, upper, d.levels())
	for _, r := range d.load.Resonances {
		if !d.inBand(r.Hz.Value) {
			continue
		}
		x := upper.at(r.Hz.Value, upper.y.min).X
		for _, q := range []panel{upper, lower} {
			p.lines(look, vg.Point{X: x, Y: q.Min.Y}, vg.Point{X: x, Y: q.Max.Y})
		}
	}
	zero := lower.level(0)
	p.lines(stroke{color: frameGrey, width: p.unit * 0.07}, vg.Point{X: lower.Min.X, Y: zero}, vg.Point{X: lower.Max.X, Y: zero})
}

// dots draws the measured points, of those that would hide the line between them
// one in so many.
func (d fitDrawing) dots(p pen, q panel) {
	last := vg.Point{X: -p.width}
	for _, s := range d.points {
		at := q.at(s.hz, s.ohm)
		if away := at.Sub(last); q.holds(at) && math.Hypot(float64(away.X), float64(away.Y)) > float64(p.unit*0.6) {
			p.dot(measuredInk, at, p.unit*measuredRadius)
			last = at
		}
	}
}

// residual draws what the load leaves, over the shade of the noise around 0.
func (d fitDrawing) residual(p pen, q panel) {
	noise := make([]sample, len(d.along))
	for i, s := range d.along {
		noise[i] = sample{hz: s.hz, uOhm: s.uOhm}
	}
	shade(p, q, 0, noise, modulus)
	for _, trace := range []struct {
		of   []sample
		look stroke
	}{{d.across, acrossStroke(p)}, {d.along, alongStroke(p)}} {
		for _, part := range q.clip(modulus.line(q, trace.of)) {
			p.lines(trace.look, part...)
		}
	}
}

// names writes each resonance beside its peak, and the minimum above them.
func (d fitDrawing) names(p pen, q panel) {
	room := crowd{panel: q, lines: q.clip(modulus.line(q, d.model))}
	for _, l := range d.levels() {
		room.faint = append(room.faint, q.clip([]vg.Point{{X: q.Min.X, Y: q.level(l.at)}, {X: q.Max.X, Y: q.level(l.at)}})...)
	}
	room.lines = append(room.lines, q.clip(modulus.line(q, d.points))...)
	for _, r := range d.load.Resonances {
		x := q.at(r.Hz.Value, q.y.min).X
		room.faint = append(room.faint, []vg.Point{{X: x, Y: q.Min.Y}, {X: x, Y: q.Max.Y}})
	}
	note := func(at Spot, up vg.Length, text string) {
		if at.Hz >= d.LowHz*offEnd && at.Hz <= d.HighHz/offEnd {
			room.ringed(p, q.at(at.Hz, at.Ohm), up, text)
		}
	}
	for _, r := range d.load.Resonances {
		note(Spot{r.Hz.Value, cmplx.Abs(d.load.Impedance(r.Hz.Value))}, 1, fmt.Sprintf("%s, Qts %s", units.LimitHz(r.Hz.Value), units.Digits(r.Qts.Value, 3)))
	}
	lowest := Spot{d.rating.MinHz, d.rating.MinOhm.Value}
	if lowest.Hz == 0 {
		lowest = Spot{d.load.Min.Hz, d.load.Min.Ohm.Value}
	}
	note(lowest, -1, fmt.Sprintf("min %s Ω at %s", units.Digits(lowest.Ohm, 3), units.LimitHz(lowest.Hz)))
}
