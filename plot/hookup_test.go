package plot

import (
	"bytes"
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"pgregory.net/rapid"

	"tapload/measure/impedance"
)

// The invented cabinets of a hookup: one of 8 ohm, one of 16.
var (
	eight   = driver{re: 6.4, res: 52, fs: 84, qms: 5.5, k: 0.0125, n: 0.7}
	sixteen = driver{re: 13.2, res: 80, fs: 112, qms: 4.5, k: 0.02, n: 0.7}
)

func beside(hz float64) complex128 { return 1 / (1/eight.z(hz) + 1/sixteen.z(hz)) }

// hookupChart is a hookup with its cabinets behind it.
func hookupChart() ImpedanceChart {
	return ImpedanceChart{
		Title:  "a || b (invented)",
		Traces: []Trace{{"a || b", curve(beside, 10, 20000, 400, worse(0.004))}},
		Behind: []Trace{{"a", curve(eight.z, 10, 20000, 400, even(0.01))}, {"b", curve(sixteen.z, 10, 20000, 400, even(0.01))}},
		TapOhm: []float64{4, 8},
	}
}

// shareChart is how two cabinets in parallel share: by Re 1/Z.
func shareChart() ShareChart {
	c := ShareChart{Title: "a || b (invented)", Shares: []Share{{Label: "a", Rated: 2. / 3}, {Label: "b", Rated: 1. / 3}}}
	for _, p := range curve(beside, 10, 20000, 400, even(0)).Points {
		c.Hz = append(c.Hz, p.Hz)
		for i, d := range []driver{eight, sixteen} {
			c.Shares[i].Part = append(c.Shares[i].Part, real(1/d.z(p.Hz))/real(1/p.Z))
			c.Shares[i].U = append(c.Shares[i].U, 0.01)
		}
	}
	return c
}

func matchChart() MatchChart {
	return MatchChart{Title: "hookups on their taps (invented)", Hookups: []OnTap{
		{"a || b on 4 ohm", curve(beside, 10, 20000, 400, even(0.01)), 4},
		{"a + b on 16 ohm", curve(func(hz float64) complex128 { return eight.z(hz) + sixteen.z(hz) }, 10, 20000, 400, even(0.01)), 16},
	}}
}

func TestHookupCharts(t *testing.T) {
	for _, tc := range []struct {
		chart Drawable
		says  []string
	}{
		{hookupChart(), []string{">modulus (Ω)<", ">phase (°)<", ">a || b<", ">a<", ">b<", ">8 ohm tap<", ">min ", ">shade: k = 2<"}},
		{shareChart(), []string{">share of the power (%)<", ">frequency (Hz)<", ">a<", ">b<", ">66.7 %<", ">33.3 %<", ">by rated ohms<", ">shade: k = 2<"}},
		{matchChart(), []string{">|Z| / tap<", ">a + b on 16 ohm<", ">tap<", ">80 % of it<"}},
	} {
		for f, magic := range map[Format]string{PNG: "\x89PNG", SVG: "<?xml", PDF: "%PDF"} {
			var a, b bytes.Buffer
			if err := Write(&a, f, tc.chart); err != nil {
				t.Fatal(err)
			}
			if err := Write(&b, f, tc.chart); err != nil {
				t.Fatal(err)
			}
			if !strings.HasPrefix(a.String(), magic) || !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Errorf("%T, %s: %d bytes that start with %.8q; the same chart must give the same picture", tc.chart, f, a.Len(), a.String())
			}
		}
		var svg bytes.Buffer
		if err := Write(&svg, SVG, tc.chart); err != nil {
			t.Fatal(err)
		}
		for _, text := range tc.says {
			if !strings.Contains(svg.String(), text) {
				t.Errorf("%T does not say %s", tc.chart, text)
			}
		}
		_, xs, ys, _ := readSVG(t, svg.Bytes())
		height := 140.
		if _, two := tc.chart.(ImpedanceChart); !two {
			height = singleHeight
		}
		w, h := 180*float64(vg.Millimeter), height*float64(vg.Millimeter)
		if slices.Min(xs) < 0 || slices.Max(xs) > w || slices.Min(ys) < -h || slices.Max(ys) > h {
			t.Errorf("%T: lines from %g, %g to %g, %g leave the page of %g by %g points", tc.chart, slices.Min(xs), slices.Min(ys), slices.Max(xs), slices.Max(ys), w, h)
		}
	}
}

// A cabinet behind shows thin in the upper panel, and not in the lower one.
func TestBehindIsThinAndAbove(t *testing.T) {
	c := hookupChart().complete()
	if a, b := c.look(pen{unit: 10}, 0), c.look(pen{unit: 10}, 1); !(b.width < 0.7*a.width) || a.color == b.color {
		t.Errorf("the hookup is drawn %v, a cabinet behind it %v", a, b)
	}
	sampled, err := c.check()
	if err != nil {
		t.Fatal(err)
	}
	least, most := 0., 0.
	for _, p := range c.Traces[0].Curve.Points {
		if c.inBand(p.Hz) {
			deg := cmplx.Phase(p.Z) * 180 / math.Pi
			least, most = math.Min(least, deg), math.Max(most, deg)
		}
	}
	if a, want := c.phaseAxis(sampled[:1], 20), phaseAxis(least, most, 6); a.min != want.min || a.max != want.max {
		t.Errorf("the phase axis goes from %g to %g, the hookup alone needs %g to %g", a.min, a.max, want.min, want.max)
	}
	var with, without bytes.Buffer
	if err := Write(&with, SVG, c); err != nil {
		t.Fatal(err)
	}
	c.Behind = nil
	if err := Write(&without, SVG, c); err != nil {
		t.Fatal(err)
	}
	if a, b := strings.Count(with.String(), "<path"), strings.Count(without.String(), "<path"); a < b+4 {
		t.Errorf("%d paths with two cabinets behind and %d without; each needs a curve and a legend", a, b)
	}
}

// With FirstBroad the first curve is wider than the others and lets them show.
func TestFirstIsBroad(t *testing.T) {
	c := ImpedanceChart{FirstBroad: true, Traces: []Trace{
		{"measured", curve(eight.z, 20, 20000, 100, even(0.01))},
		{"expected", curve(eight.z, 20, 20000, 100, even(0))},
	}}
	broad, other := c.look(pen{unit: 10}, 0), c.look(pen{unit: 10}, 1)
	if _, _, _, a := broad.color.RGBA(); !(broad.width > 2*other.width) || a > 0xC000 {
		t.Errorf("the first is drawn %v, the second %v", broad, other)
	}
	if _, _, _, a := other.color.RGBA(); a != 0xFFFF {
		t.Errorf("the second is pale: %v", other)
	}
}

// A solid-state amplifier has a lowest load and no tap.
func TestLowestLoad(t *testing.T) {
	c := hookupChart()
	c.TapOhm, c.LeastOhm = nil, 4
	m := matchChart()
	m.Least = true
	var match bytes.Buffer
	if err := Write(&match, SVG, m); err != nil {
		t.Fatal(err)
	}
	for svg, says := range map[string]string{string(render(t, c, SVG)): ">4 ohm least<", match.String(): ">|Z| / lowest load<"} {
		if !strings.Contains(svg, says) || strings.Contains(svg, "of tap") {
			t.Errorf("the picture should say %s and nothing of a band", says)
		}
	}
}

// What is noted is what whoever rated the load found, and else where the curve
// turns; nothing at the ends of the chart, where it was only cut.
func TestSpots(t *testing.T) {
	c := hookupChart().complete()
	if low, high := c.spots(); !(low.Hz > 200 && low.Hz < 500) || !(high.Hz > 70 && high.Hz < 150) {
		t.Errorf("the dip is noted at %g Hz and the peak at %g Hz", low.Hz, high.Hz)
	}
	c.Lowest = Spot{310, 5.2}
	if svg := string(render(t, c, SVG)); !strings.Contains(svg, ">min 5.20 Ω at 310 Hz<") {
		t.Error("the lowest |Z| that was given is not noted")
	}
	c.Lowest = Spot{c.LowHz, 5.2}
	if low, _ := c.spots(); low.Hz != 0 {
		t.Errorf("an end of the chart is noted: %+v", low)
	}
}

// What went wrong: a flat curve had "min 22.0" and "max 22.0" beside each other, and one
// point alone both on top of it.
func TestFlatCurveIsMarkedOnce(t *testing.T) {
	c := ImpedanceChart{
		Traces: []Trace{{"flat", curve(resistor(22), 10, 20000, 30, even(0))}},
		Lowest: Spot{100, 22}, Highest: Spot{1000, 22.01},
	}.complete()
	if low, high := c.spots(); low.Hz != 100 || high.Hz != 0 {
		t.Errorf("flat: %+v and %+v are noted", low, high)
	}
	c.Highest.Ohm = 22.2
	if low, high := c.spots(); low.Hz != 100 || high.Hz != 1000 {
		t.Errorf("not flat: %+v and %+v are noted", low, high)
	}
	one := ImpedanceChart{
		Traces: []Trace{{"one", curve(resistor(22), 1000, 1000, 1, even(0))}}, LowHz: 20, HighHz: 20000,
		Lowest: Spot{1000, 22}, Highest: Spot{1000, 23},
	}.complete()
	if low, high := one.spots(); low.Hz != 0 || high.Hz != 0 {
		t.Errorf("one point: %+v and %+v are noted", low, high)
	}
}

// No curve has a note at an end of its chart.
func TestNoSpotAtAnEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := driver{
			re: rapid.Float64Range(1, 20).Draw(t, "re"), res: rapid.Float64Range(0, 80).Draw(t, "res"),
			fs: rapid.Float64Range(5, 3e4).Draw(t, "fs"), qms: rapid.Float64Range(0.3, 20).Draw(t, "qms"),
			k: rapid.Float64Range(0, 0.05).Draw(t, "k"), n: 0.7,
		}
		low := rapid.Float64Range(5, 100).Draw(t, "low")
		c := ImpedanceChart{Traces: []Trace{{"any", curve(d.z, low, low*rapid.Float64Range(2, 1000).Draw(t, "wide"), rapid.IntRange(2, 100).Draw(t, "points"), even(0))}}}.complete()
		a, b := c.spots()
		for _, s := range []Spot{a, b} {
			if s.Hz != 0 && (s.Hz < c.LowHz*offEnd || s.Hz > c.HighHz/offEnd) {
				t.Fatalf("a note at %g Hz on a chart from %g to %g Hz", s.Hz, c.LowHz, c.HighHz)
			}
		}
	})
}

// The heights drawn are 100 Re(1/Zk)/Re(1/Z) and |Z|/tap.
func TestHookupChartsShowTheirNumbers(t *testing.T) {
	p := shareChart().panel()
	for i, trace := range p.traces {
		for k, s := range trace {
			other := p.traces[1-i][k]
			if math.Abs(s.ohm+other.ohm-100) > 1e-9 || math.Abs(s.uOhm-1) > 1e-12 {
				t.Fatalf("at %g Hz the shares are %g and %g %%, u %g", s.hz, s.ohm, other.ohm, s.uOhm)
			}
		}
	}
	if a := p.y(10); a.min != 0 || a.max < 66.7 || a.max > 100 {
		t.Errorf("the axis of shares goes from %g to %g", a.min, a.max)
	}
	flat := ShareChart{Hz: []float64{100, 1000}, Shares: []Share{{Label: "one", Part: []float64{1, 1}, Rated: 1}}}
	if a := flat.panel().y(10); a.max != 100 {
		t.Errorf("a load that has all the power needs an axis to 100 %%, not to %g", a.max)
	}
}

func TestHookupChartErrors(t *testing.T) {
	share := func(change func(*ShareChart)) Drawable { c := shareChart(); change(&c); return c }
	match := func(change func(*MatchChart)) Drawable { c := matchChart(); change(&c); return c }
	for _, tc := range []struct {
		chart Drawable
		says  string
	}{
		{share(func(c *ShareChart) { c.Shares = nil }), "no curve to draw"},
		{share(func(c *ShareChart) { c.Hz = c.Hz[1:] }), "must be as many"},
		{share(func(c *ShareChart) { c.Shares[1].U = c.Shares[1].U[1:] }), "must be as many"},
		{share(func(c *ShareChart) { c.Shares[0].Part[3] = math.NaN() }), `"a": at `},
		{share(func(c *ShareChart) { c.Shares[0].Rated = 1.5 }), "from 0 to 1"},
		{share(func(c *ShareChart) { c.Shares[0].Label = "" }), "no label"},
		{share(func(c *ShareChart) { c.Hz[4] = c.Hz[3] }), "above the one before it"},
		{share(func(c *ShareChart) { c.LowHz, c.HighHz = 200, 100 }), "band from 200 to 100 Hz"},
		{share(func(c *ShareChart) { c.LowHz, c.HighHz = 30e3, 40e3 }), "choose another band"},
		{share(func(c *ShareChart) { c.WidthMM = 5 }), "side of 5 mm"},
		{match(func(c *MatchChart) { c.Hookups = nil }), "no curve to draw"},
		{match(func(c *MatchChart) { c.Hookups[1].TapOhm = 0 }), "a tap of 0 ohm"},
		{match(func(c *MatchChart) { c.Hookups[1].Curve = impedance.Curve{} }), "no points"},
		{func() Drawable { c := hookupChart(); c.LeastOhm = -4; return c }(), "lowest load of -4 ohm"},
		{func() Drawable { c := hookupChart(); c.Behind[1].Label = ""; return c }(), "has no label"},
		{func() Drawable { c := hookupChart(); c.Behind[1].Curve.Points = nil; return c }(), "no points"},
	} {
		var b bytes.Buffer
		if err := Write(&b, SVG, tc.chart); err == nil || !strings.Contains(err.Error(), tc.says) || b.Len() > 0 {
			t.Errorf("error %v should say %q and leave nothing written", err, tc.says)
		}
	}
}
