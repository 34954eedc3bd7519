package plot

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strconv"

	"gonum.org/v1/plot/vg"

	"tapload/fit"
	"tapload/measure/impedance"
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
type FitChart struct {
	Title string
	Curve impedance.Curve
	Load  fit.Result

	LowHz, HighHz     float64 // 0: the band of the curve
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
	if p := c.Curve.Points; len(p) > 0 {
		c.LowHz, c.HighHz = cmp.Or(c.LowHz, p[0].Hz), cmp.Or(c.HighHz, p[len(p)-1].Hz)
	}
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
	d := fitDrawing{ImpedanceChart: frame, curve: c.Curve, load: c.Load, points: sampled[0]}
	d.compare()
	about := fmt.Sprintf("Measured modulus in ohm with the fitted load, and what that leaves in percent of |Z|, %s to %s",
		frequency(frame.LowHz), frequency(frame.HighHz))
	return frame.picture(about, d.draw), nil
}

// fitDrawing is a FitChart ready to draw.
type fitDrawing struct {
	ImpedanceChart
	curve  impedance.Curve
	load   fit.Result
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
	gap := p.unit * 1.4
	upperHeight := (top - bottom - gap) * 0.68
	lowerHeight := top - bottom - gap - upperHeight

	ohms := d.modulusAxis([][]sample{d.points, d.model, {{hz: d.LowHz, ohm: d.load.Re.Value}}}, upperHeight/p.unit)
	percent := d.residualAxis(int(lowerHeight / p.unit / 1.6))
	frameLeft := left + besideFrame(p, ohms, percent)
	re := fmt.Sprintf("Re %s Ω", digits(d.load.Re.Value))
	frameRight := right - max(p.unit*0.8, p.note.Width(re)+p.unit*0.5)
	panels := d.panels(p, frameLeft, frameRight)
	upper := panels(top-upperHeight, top, ohms)
	lower := panels(bottom, bottom+lowerHeight, percent)
	upper.grid(p)
	lower.grid(p)
	d.marks(p, upper, lower, re)

	d.dots(p, upper)
	model := stroke{color: modelInk, width: p.curveWidth()}
	for _, part := range upper.clip(modulus.line(upper, d.model)) {
		p.lines(model, part...)
	}
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
	most = ladder(most*1.05, true)
	a := axis{min: -most, max: most, name: "residual (% of |Z|)"}
	steps := math.Max(1, math.Min(float64(room), 4)/2)
	a.ticks = evenTicks(a.min, a.max, evenStep(most/steps), func(v float64) string {
		if math.Abs(v) < most*1e-9 {
			return "0"
		}
		return degrees(roundTo(v))
	})
	return a
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
		lineKey("fitted load", func(p pen) stroke { return stroke{color: modelInk, width: p.curveWidth()} }),
		lineKey("in modulus", alongStroke),
		lineKey("in phase", acrossStroke),
	}
	for _, s := range d.points {
		if s.uOhm > 0 {
			return append(keys, key{fmt.Sprintf("shade: k = %g", coverage), func(p pen, r vg.Rectangle) { p.box(faded(0), r) }})
		}
	}
	return keys
}

const measuredRadius = 0.16 // units

func alongStroke(p pen) stroke { return stroke{color: measuredInk, width: p.unit * 0.1} }
func acrossStroke(p pen) stroke {
	return stroke{color: acrossInk, width: p.unit * 0.1, dash: []vg.Length{6, 3}}
}

// marks draws the level of Re, with its name outside the frame, and a line
// through both panels at each resonance.
func (d fitDrawing) marks(p pen, upper, lower panel, re string) {
	look := stroke{color: levelInk, width: p.unit * 0.08, dash: []vg.Length{7, 4}}
	if y := upper.level(d.load.Re.Value); y > upper.Min.Y && y < upper.Max.Y {
		p.lines(look, vg.Point{X: upper.Min.X, Y: y}, vg.Point{X: upper.Max.X, Y: y})
		p.text(p.note, ink, vg.Point{X: upper.Max.X + p.unit*0.5, Y: y}, 0, 0.5, re)
	}
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

// dots draws the measured points over their shade.
func (d fitDrawing) dots(p pen, q panel) {
	shade(p, q, 0, d.points, modulus)
	for _, s := range d.points {
		if at := q.at(s.hz, s.ohm); q.holds(at) {
			p.dot(measuredInk, at, p.unit*measuredRadius)
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
	if y := q.level(d.load.Re.Value); y > q.Min.Y && y < q.Max.Y {
		room.lines = append(room.lines, []vg.Point{{X: q.Min.X, Y: y}, {X: q.Max.X, Y: y}})
	}
	room.lines = append(room.lines, q.clip(modulus.line(q, d.points))...)
	for _, r := range d.load.Resonances {
		x := q.at(r.Hz.Value, q.y.min).X
		room.lines = append(room.lines, []vg.Point{{X: x, Y: q.Min.Y}, {X: x, Y: q.Max.Y}})
	}
	note := func(hz float64, up vg.Length, text string) {
		at := q.at(hz, cmplx.Abs(d.load.Impedance(hz)))
		if d.inBand(hz) && room.note(p, at, up, text) {
			p.ring(stroke{color: quietInk, width: p.unit * 0.08}, at, p.unit*0.3)
		}
	}
	for _, r := range d.load.Resonances {
		note(r.Hz.Value, 1, fmt.Sprintf("%s, Qts %s", frequency(r.Hz.Value), digits(r.Qts.Value)))
	}
	note(d.load.Min.Hz, -1, fmt.Sprintf("min %s Ω at %s", digits(d.load.Min.Ohm.Value), frequency(d.load.Min.Hz)))
}
