package plot

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/recorder"
	"pgregory.net/rapid"

	"tapload/measure/record"
	"tapload/plot/plottest"
)

// bent is an invented driver in a noise of -100 dB: its third harmonic falls
// from -40 dB by 12 dB an octave above 100 Hz and reaches it 5 octaves up, its fifth
// is 20 dB below that and its ninth and above are what rub says, below 200 Hz.
func bent(rub float64) record.Distortion {
	d := record.Distortion{}
	for i := range 61 {
		d.Hz = append(d.Hz, 20*math.Pow(2, float64(i)/8))
	}
	for n := 2; n <= 8; n++ {
		o := record.Order{Number: n}
		for _, hz := range d.Hz {
			if hz*float64(n) > 20e3 {
				break
			}
			level := -100.
			if n == 3 || n == 5 {
				level = math.Max(level, -40-10*float64(n-3)-12*math.Max(0, math.Log2(hz/100)))
			}
			o.Level, o.Floor = append(o.Level, level), append(o.Floor, -100)
		}
		d.Orders = append(d.Orders, o)
	}
	for _, hz := range d.Hz {
		if hz > 1000 {
			break
		}
		level := -100.
		if hz < 200 {
			level = math.Max(level, rub-math.Abs(math.Log2(hz/80)))
		}
		d.Residual, d.ResidualFloor = append(d.Residual, level), append(d.ResidualFloor, -100)
	}
	return d
}

func beforeAndAfter() DistortionChart {
	return DistortionChart{Title: "Harmonics (invented)", Records: []Harmonics{
		{"before: a driver", "before", bent(-200)},
		{"after: a driver", "after", bent(-45)},
	}}
}

func TestDistortionChart(t *testing.T) {
	c := beforeAndAfter()
	for _, f := range []Format{PNG, SVG, PDF} {
		var one, two bytes.Buffer
		if err := Write(&one, f, c); err != nil {
			t.Fatal(err)
		}
		if err := Write(&two, f, c); err != nil || !bytes.Equal(one.Bytes(), two.Bytes()) {
			t.Errorf("%s differs from one time to the next (%v)", f, err)
		}
	}
	var svg bytes.Buffer
	if err := Write(&svg, SVG, c); err != nil {
		t.Fatal(err)
	}
	texts, _, _, root := readSVG(t, svg.Bytes())
	for _, want := range []string{"order 2", "order 3", "loudest of orders 4 to 8", "all above order 8", "level against the fundamental (dB)",
		"frequency of the fundamental (Hz)", "noise", "thin: lost in noise", "before: a driver", "after: a driver", "after: something scrapes at 80 Hz, −45 dB"} {
		if !slices.Contains(contents(texts), want) {
			t.Errorf("the chart does not say %q but %q", want, contents(texts))
		}
	}
	if about := root["aria-label"]; !strings.Contains(about, "after: a driver, something scrapes at 80 Hz") || strings.Count(about, "scrapes") != 1 {
		t.Errorf("those who cannot see it hear %q", about)
	}
}

// A mark with few words where there is little room, none where nothing scrapes.
func TestDistortionMarks(t *testing.T) {
	small := beforeAndAfter()
	small.WidthMM, small.HeightMM = 80, 90
	small.Records[0].Distortion = bent(-50)
	smooth := beforeAndAfter()
	smooth.Records[1].Distortion = bent(-200)
	single := beforeAndAfter()
	single.Records = single.Records[1:]
	cut := beforeAndAfter()
	cut.LowHz = 300
	for name, c := range map[string]struct {
		chart DistortionChart
		want  []string
	}{
		"small":              {small, []string{"before: scrapes", "after: scrapes"}},
		"smooth":             {smooth, nil},
		"single":             {single, []string{"something scrapes at 80 Hz, −45 dB"}},
		"outside the band":   {cut, nil},
		"one of two records": {beforeAndAfter(), []string{"after: something scrapes at 80 Hz, −45 dB"}},
	} {
		var svg bytes.Buffer
		if err := Write(&svg, SVG, c.chart); err != nil {
			t.Fatal(err)
		}
		texts, _, _, _ := readSVG(t, svg.Bytes())
		var got []string
		for _, text := range contents(texts) {
			if strings.Contains(text, "scrapes") {
				got = append(got, text)
			}
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: the chart says %q, want %q", name, got, c.want)
		}
	}
}

// A line is broad just as far as it stands clear of its floor, by 10 dB: the
// third harmonic of bent, -40 dB less 12 an octave, does so up to 50/12 octaves
// above 100 Hz.
func TestThinInNoise(t *testing.T) {
	var r recorder.Canvas
	d := newPen(&r, 500, 500)
	p := panel{rectangle(0, 0, 100, 100), axis{min: 20, max: 20e3, log: true}, axis{min: -120, max: 0}}
	overtoneLine(d, p, 0, loudestOf(bent(-200), 3, 3))
	broad, thin := [2]vg.Length{math.MaxFloat64, 0}, [2]vg.Length{math.MaxFloat64, 0}
	var width vg.Length
	for _, action := range r.Actions {
		switch a := action.(type) {
		case *recorder.SetLineWidth:
			width = a.Width
		case *recorder.Stroke:
			ends := &thin
			if width == d.curveWidth() {
				ends = &broad
			}
			for _, c := range a.Path {
				ends[0], ends[1] = min(ends[0], c.Pos.X), max(ends[1], c.Pos.X)
			}
		}
	}
	last := p.at(100*math.Pow(2, 50./12), 0).X
	step := p.at(20*math.Pow(2, 1./8), 0).X
	if broad[0] > 0 || broad[1] > last || broad[1] < last-step {
		t.Errorf("broad from %g to %g, want 0 to at most a point below %g", broad[0], broad[1], last)
	}
	if end := p.at(20*math.Pow(2, 60./8), 0).X; thin[0] != broad[1] || math.Abs(float64(thin[1]-end)) > 1e-9 {
		t.Errorf("thin from %g to %g, want %g to %g", thin[0], thin[1], broad[1], end)
	}
}

// The loudest of several orders, against a search of all that asks nothing of
// their order in the list.
func TestLoudestOf(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := record.Distortion{Hz: []float64{20, 40, 80}}
		level := rapid.Float64Range(-140, 0)
		for n := range rapid.IntRange(0, 8).Draw(t, "orders") {
			o := record.Order{Number: n + 2}
			for range rapid.IntRange(0, 3).Draw(t, "length") {
				o.Level, o.Floor = append(o.Level, level.Draw(t, "level")), append(o.Floor, level.Draw(t, "floor"))
			}
			d.Orders = append(d.Orders, o)
		}
		got := loudestOf(d, 4, 8)
		k := 0
		for i, hz := range d.Hz {
			most := map[bool]float64{true: math.Inf(-1), false: math.Inf(-1)} // by whether it stands clear
			floor := map[bool]float64{}
			for _, o := range d.Orders {
				if o.Number >= 4 && o.Number <= 8 && i < len(o.Level) {
					if clear := o.Clear(i); o.Level[i] > most[clear] {
						most[clear], floor[clear] = o.Level[i], o.Floor[i]
					}
				}
			}
			clear := !math.IsInf(most[true], 0)
			if math.IsInf(most[clear], 0) {
				continue
			}
			if want := (overtone{hz, most[clear], floor[clear], clear}); k >= len(got) || got[k] != want {
				t.Fatalf("point %d of %v, want %v", k, got, want)
			}
			k++
		}
		if k != len(got) {
			t.Fatalf("%d points, want %d", len(got), k)
		}
	})
}

// Whatever passes its Check, a chart of it is well-formed, stays on its page
// and has every level in the band below the top of its axis.
func TestAnyDistortionStaysOnItsPage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := DistortionChart{
			Title:    rapid.String().Draw(t, "title"),
			WidthMM:  rapid.Float64Range(50, 300).Draw(t, "width"),
			HeightMM: rapid.Float64Range(50, 300).Draw(t, "height"),
		}
		for i := range rapid.IntRange(1, mostRecords).Draw(t, "records") {
			d := bent(rapid.Float64Range(-120, 0).Draw(t, "rub"))
			d.Hz = d.Hz[:rapid.IntRange(1, len(d.Hz)).Draw(t, "points")]
			level := rapid.SampledFrom([]float64{-300, -120, -60, -20, 10})
			short := func(x []float64) []float64 { return x[:min(len(x), len(d.Hz))] }
			for k := range d.Orders {
				o := &d.Orders[k]
				o.Level, o.Floor = short(o.Level), short(o.Floor)
				o.Level[0], o.Floor[0] = level.Draw(t, "level"), level.Draw(t, "floor")
			}
			d.Residual, d.ResidualFloor = short(d.Residual), short(d.ResidualFloor)
			d.Orders = d.Orders[:rapid.IntRange(0, len(d.Orders)).Draw(t, "orders")]
			c.Records = append(c.Records, Harmonics{fmt.Sprint(i, rapid.StringN(0, 60, -1).Draw(t, "label")), rapid.StringN(0, 20, -1).Draw(t, "short"), d})
		}
		var out bytes.Buffer
		if err := Write(&out, SVG, c); err != nil {
			t.Fatal(err)
		}
		_, xs, ys, _ := readSVG(t, out.Bytes())
		width, height := c.WidthMM*72/25.4, c.HeightMM*72/25.4
		if slices.Min(xs) < -0.01 || slices.Max(xs) > width+0.01 || slices.Min(ys) < -0.01 || slices.Max(ys) > height+0.01 {
			t.Fatalf("x from %g to %g and y from %g to %g on a page of %g by %g points", slices.Min(xs), slices.Max(xs), slices.Min(ys), slices.Max(ys), width, height)
		}
		for _, p := range plottest.Problems(out.Bytes(), phoneText*pointsPX) {
			t.Error(p)
		}
		y, err := levels(c.panels(), c.frame())
		if err != nil || !(y.max-y.min >= 8 && y.max-y.min <= levelSpan) {
			t.Fatalf("axis from %g to %g dB (%v)", y.min, y.max, err)
		}
		for _, p := range c.panels() {
			for _, o := range slices.Concat(p.lines...) {
				if o.level >= y.max || o.floor >= y.max || o.floor <= y.min && y.max-y.min < levelSpan {
					t.Fatalf("%+v is off an axis from %g to %g dB", o, y.min, y.max)
				}
			}
		}
	})
}

func TestDistortionChartRefuses(t *testing.T) {
	for want, change := range map[string]func(c *DistortionChart){
		"there is no record":          func(c *DistortionChart) { c.Records = nil },
		"8 records cannot be told":    func(c *DistortionChart) { c.Records = make([]Harmonics, 8) },
		"record 2 has no label":       func(c *DistortionChart) { c.Records[1].Label = "\n" },
		`are called "before: a driv`:  func(c *DistortionChart) { c.Records[1].Label = c.Records[0].Label },
		"it holds at least one freq":  func(c *DistortionChart) { c.Records[1].Distortion = record.Distortion{} },
		"must be finite":              func(c *DistortionChart) { c.Records[0].Distortion.Orders[1].Level[2] = math.NaN() },
		"there is no harmonic from 1": func(c *DistortionChart) { c.LowHz, c.HighHz = 15e3, 20e3 },
		"from 40 to 30 Hz is none":    func(c *DistortionChart) { c.LowHz, c.HighHz = 40, 30 },
		"a side of 20 mm":             func(c *DistortionChart) { c.WidthMM = 20 },
		"highest level is 1e+30":      func(c *DistortionChart) { c.Records[0].Distortion.Orders[1].Level[2] = 1e30 },
	} {
		c := beforeAndAfter()
		change(&c)
		var b bytes.Buffer
		if err := Write(&b, SVG, c); err == nil || b.Len() > 0 || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v and %d bytes, want %q", err, b.Len(), want)
		}
	}
}
