package plot

import (
	"fmt"
	"math"
	"math/cmplx"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"

	units "tapload/measure/quantity"
)

// ChannelChart shows the ratio of two channels over a log frequency axis: gain
// in decibels in an upper panel, phase in degrees in a lower one.
type ChannelChart struct {
	Title string
	Hz    []float64    // rising
	Ratio []complex128 // of the second channel to the first, at each frequency; not 0

	LowHz, HighHz     float64 // 0: 20 Hz and 20 kHz
	WidthMM, HeightMM float64 // 0: 180 mm and 140 mm
}

// OnPage checks c and returns it as a picture.
func (c ChannelChart) OnPage() (Picture, error) {
	frame := ImpedanceChart{Title: c.Title, LowHz: c.LowHz, HighHz: c.HighHz, WidthMM: c.WidthMM, HeightMM: c.HeightMM}.complete()
	c.Title, c.LowHz, c.HighHz, c.WidthMM, c.HeightMM = frame.Title, frame.LowHz, frame.HighHz, frame.WidthMM, frame.HeightMM
	err := frame.checkFrame()
	if err == nil {
		err = c.check()
	}
	if err != nil {
		return Picture{}, fmt.Errorf("channel chart: %w", err)
	}
	about := fmt.Sprintf("Gain in decibels and phase in degrees of the second channel over the first, %s to %s",
		units.LimitHz(c.LowHz), units.LimitHz(c.HighHz))
	return frame.picture(about, func(d pen) { c.draw(d, frame) }), nil
}

func (c ChannelChart) check() error {
	if len(c.Hz) != len(c.Ratio) {
		return fmt.Errorf("there are %d frequencies and %d ratios; they must be as many", len(c.Hz), len(c.Ratio))
	}
	inside := 0
	for i, hz := range c.Hz {
		switch z := c.Ratio[i]; {
		case !(hz > 0) || math.IsInf(hz, 0) || i > 0 && hz <= c.Hz[i-1]:
			return fmt.Errorf("frequency %d, %g Hz, must be finite, above 0 and above the one before it", i, hz)
		case z == 0 || cmplx.IsNaN(z) || cmplx.IsInf(z):
			return fmt.Errorf("at %g Hz the ratio %v has no decibels", hz, z)
		}
		if hz >= c.LowHz && hz <= c.HighHz {
			inside++
		}
	}
	if inside == 0 {
		return fmt.Errorf("there is no point from %g to %g Hz; choose another band", c.LowHz, c.HighHz)
	}
	return nil
}

func (c ChannelChart) draw(d pen, frame ImpedanceChart) {
	db, deg := make([]float64, len(c.Hz)), make([]float64, len(c.Hz))
	for i, z := range c.Ratio {
		db[i], deg[i] = 20*math.Log10(cmplx.Abs(z)), cmplx.Phase(z)*180/math.Pi
	}
	left, right, bottom, top := aboutFrames(d, c.Title, nil, d.unit*0.6)
	gap := d.unit * 1.4
	half := (top - bottom - gap) / 2
	steps := int(half / d.unit / 2)
	gain, phase := c.axis("gain (dB)", db, 0.01, steps), c.axis("phase (°)", deg, 0.1, steps)
	frameLeft := left + besideFrame(d, gain, phase)
	frameRight := right - d.unit*0.8 // half of the last frequency's label
	panels := frame.panels(d, frameLeft, frameRight)
	for i, p := range []panel{panels(top-half, top, gain), panels(bottom, bottom+half, phase)} {
		values := [][]float64{db, deg}[i]
		p.grid(d)
		line := make([]vg.Point, len(values))
		for k, v := range values {
			line[k] = p.at(c.Hz[k], v)
		}
		for _, part := range p.clip(thinned(line)) {
			d.lines(traceStroke(0, d.curveWidth()), part...)
		}
		p.frame(d, left+d.unit*0.5, i == 1)
	}
}

// axis holds every value within the band, spans at least least, and has at
// most so many steps.
func (c ChannelChart) axis(name string, values []float64, least float64, steps int) axis {
	low, high := math.Inf(1), math.Inf(-1)
	for i, v := range values {
		if c.Hz[i] >= c.LowHz && c.Hz[i] <= c.HighHz {
			low, high = math.Min(low, v), math.Max(high, v)
		}
	}
	if short := least - (high - low); short > 0 {
		low, high = low-short/2, high+short/2
	}
	margin := (high - low) / 10 // a curve along the frame would be hard to see
	step := evenStep((high - low + 2*margin) / float64(max(2, steps)))
	a := axis{min: step * math.Floor((low-margin)/step), max: step * math.Ceil((high+margin)/step), name: name}
	places := int(math.Max(0, math.Ceil(-math.Log10(step)-1e-9)))
	a.ticks = evenTicks(a.min, a.max, step, func(v float64) string {
		if math.Abs(v) < step/2 {
			return "0"
		}
		return strings.Replace(strconv.FormatFloat(v, 'f', places, 64), "-", "−", 1)
	})
	return a
}
