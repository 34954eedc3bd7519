package plot

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"math/cmplx"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"pgregory.net/rapid"

	"tapload/measure/impedance"
	"tapload/plot/plottest"
)

func demo() ImpedanceChart {
	return ImpedanceChart{
		Title:  "Unmarked cabinet (invented)",
		Traces: []Trace{{"cabinet under test", curve(cabinet.z, 10, 24000, 480, worse(0.004))}},
		TapOhm: []float64{4, 8, 16},
	}
}

func render(t testing.TB, c ImpedanceChart, f Format) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := Write(&buf, f, c); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func TestSVGSaysWhatIsShown(t *testing.T) {
	texts, _, _, root := readSVG(t, render(t, demo(), SVG))
	got := contents(texts)
	for _, want := range []string{
		"Unmarked cabinet (invented)", "cabinet under test", "shade: k = 2", "80 % of it",
		"4 ohm tap", "8 ohm tap", "16 ohm tap",
		"modulus (Ω)", "phase (°)", "frequency (Hz)",
		"20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k",
		"−60", "−30", "0", "30", "60",
	} {
		if !slices.Contains(got, want) {
			t.Errorf("no text %q among %q", want, got)
		}
	}
	for _, unwanted := range []string{"10 Hz", "50k", "100k"} {
		if slices.Contains(got, unwanted) {
			t.Errorf("text %q is outside the band", unwanted)
		}
	}
	if n := len(regexp.MustCompile(`shade`).FindAllString(strings.Join(got, "\n"), -1)); n != 1 {
		t.Errorf("the shade is explained %d times", n)
	}
	if root["role"] != "img" || !strings.Contains(root["aria-label"], "20 Hz to 20 kHz: cabinet under test") {
		t.Errorf("root element does not describe the picture: %v", root)
	}
}

func TestNotesAreTrue(t *testing.T) {
	// A resonance without a coil has its peak at fs with Re + Res, exactly; the
	// middle of a log grid from 20 to 320 Hz is 80 Hz.
	d := driver{re: 7, res: 50, fs: 80, qms: 5, n: 1}
	c := ImpedanceChart{Traces: []Trace{{"resonance", curve(d.z, 20, 320, 301, even(0))}}}
	texts, _, _, _ := readSVG(t, render(t, c, SVG))
	got := contents(texts)
	if want := "max 57.0 Ω at 80 Hz"; !slices.Contains(got, want) {
		t.Errorf("no note %q among %q", want, got)
	}
	if slices.Contains(got, "shade: k = 2") {
		t.Error("a curve without uncertainty has a shade in its legend")
	}
}

func TestSameBytesEachTime(t *testing.T) {
	c := demo()
	c.WidthMM, c.HeightMM = 80, 60
	c.Traces = append(c.Traces, Trace{"ported (invented), µ Ω ü", curve(ported, 20, 20000, 200, even(0.01))})
	for _, f := range []Format{PNG, SVG, PDF} {
		first := render(t, c, f)
		for range 4 {
			if !bytes.Equal(first, render(t, c, f)) {
				t.Errorf("%s: two runs differ", f)
				break
			}
		}
	}
}

// Dates hide from a comparison of two files made within a second.
func TestPDFDatesAreFixed(t *testing.T) {
	got := regexp.MustCompile(`(Creation|Mod)Date \(D:\d+`).FindAllString(string(render(t, demo(), PDF)), -1)
	if want := []string{"CreationDate (D:20000101000000", "ModDate (D:20000101000000"}; !slices.Equal(got, want) {
		t.Errorf("dates %q, want %q", got, want)
	}
}

func TestSamples(t *testing.T) {
	degrees := 180 / math.Pi
	for _, c := range []struct {
		name       string
		z          complex128
		noise      impedance.Cov
		shared     complex128
		uOhm, uDeg float64
	}{
		{"error along Z", 10, impedance.Cov{RR: 1}, 0, 1, 0},
		{"error across Z", 10, impedance.Cov{II: 1}, 0, 0, 0.1 * degrees},
		{"error along a reactance", 10i, impedance.Cov{II: 1}, 0, 1, 0},
		{"noise 3 and shared 4 across", 20, impedance.Cov{II: 9}, 4i, 0, 0.25 * degrees},
		{"no phase left", 1e-3, impedance.Circular(2), 0, 1, 180},
	} {
		s := samples(impedance.Curve{
			Points: []impedance.Point{{Hz: 1, Z: c.z, Noise: c.noise}},
			Shared: []impedance.Source{{ID: "x", DZ: []complex128{c.shared}}},
		})[0]
		if !(math.Abs(s.uOhm-c.uOhm) < 1e-9 && math.Abs(s.uDeg-c.uDeg) < 1e-9) {
			t.Errorf("%s: u %g ohm and %g degrees, want %g and %g", c.name, s.uOhm, s.uDeg, c.uOhm, c.uDeg)
		}
	}
}

func TestRuns(t *testing.T) {
	trace := func(deg ...float64) (s []sample) {
		for _, d := range deg {
			one := sample{ohm: 1, deg: d}
			if math.IsNaN(d) {
				one.ohm = 0
			}
			s = append(s, one)
		}
		return s
	}
	none := math.NaN()
	for _, c := range []struct {
		q     quantity
		trace []sample
		want  []int // lengths
	}{
		{phase, trace(10, 20, 30), []int{3}},
		{phase, trace(170, 179, -179, -170), []int{2, 2}},
		{phase, trace(80, -90), []int{2}},
		{phase, trace(none, 10, none, none, 20, 30, none), []int{1, 2}},
		{phase, trace(none), nil},
		{modulus, trace(170, -170, none), []int{3}},
	} {
		var got []int
		for _, r := range c.q.runs(c.trace) {
			got = append(got, len(r))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("phases %v: runs of %v, want %v", c.trace, got, c.want)
		}
	}
}

// Curves must differ in their dashes as well as in their colours, for those who
// print without colour or see it differently.
func TestCurvesDiffer(t *testing.T) {
	colours, patterns := map[string]bool{}, map[string]bool{}
	c := ImpedanceChart{}
	for i := range 7 {
		c.Traces = append(c.Traces, Trace{fmt.Sprint("curve ", i), curve(resistor(float64(4+i)), 20, 20000, 60, even(0))})
	}
	style := regexp.MustCompile(`fill:none;stroke:(#[0-9A-F]{6});stroke-width:1\.55([^"]*)`)
	for _, m := range style.FindAllStringSubmatch(string(wide(render(t, c, SVG))), -1) {
		colours[m[1]], patterns[m[2]] = true, true
	}
	if len(colours) != 7 || len(patterns) != 7 {
		t.Errorf("7 curves have %d colours and %d dash patterns", len(colours), len(patterns))
	}
}

// Each labelled tick must have its grid line in both panels: 10 frequencies
// twice, 5, 10, 20, 50 and 100 ohm, and 5 phases.
func TestGridUnderEachLabel(t *testing.T) {
	c := demo()
	c.TapOhm = nil
	if got, want := strings.Count(string(wide(render(t, c, SVG))), `style="fill:none;stroke:#D2D2D2`), 2*10+5+5; got != want {
		t.Errorf("%d grid lines, want %d", got, want)
	}
}

func TestNotesKeepClear(t *testing.T) {
	frame := panel{Rectangle: vg.Rectangle{Max: vg.Point{X: 100, Y: 100}}}
	room := crowd{panel: frame, lines: [][]vg.Point{{{X: 0, Y: 50}, {X: 100, Y: 50}}}, notes: []vg.Rectangle{rectangle(10, 10, 30, 20)}}
	for _, c := range []struct {
		name string
		r    vg.Rectangle
		want bool
	}{
		{"clear", rectangle(40, 10, 60, 20), true},
		{"on the line", rectangle(40, 45, 60, 55), false},
		{"within the margin of the line", rectangle(40, 40, 60, 48), false},
		{"on another note", rectangle(20, 15, 40, 25), false},
		{"half outside", rectangle(90, 10, 110, 20), false},
	} {
		if got := room.free(c.r, 3); got != c.want {
			t.Errorf("%s: free is %v", c.name, got)
		}
	}
}

func rectangle(x0, y0, x1, y1 vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: x0, Y: y0}, Max: vg.Point{X: x1, Y: y1}}
}

func TestApart(t *testing.T) {
	for _, c := range []struct{ want, got []vg.Length }{
		{[]vg.Length{10, 50}, []vg.Length{10, 50}},
		{[]vg.Length{50, 45, 10}, []vg.Length{55, 45, 10}},
		{[]vg.Length{99, 98}, []vg.Length{100, 90}},
		{[]vg.Length{-5}, []vg.Length{0}},
	} {
		if got := apart(c.want, 10, 0, 100); !slices.Equal(got, c.got) {
			t.Errorf("apart(%v) = %v, want %v", c.want, got, c.got)
		}
	}
}

// frames finds the edges of the panels in a picture: rows and columns most of
// which is dark grey.
func frames(img image.Image) (rows, columns []float64) {
	b := img.Bounds()
	dark := func(x, y int) bool {
		r, g, b, _ := img.At(x, y).RGBA()
		return r == g && g == b && r < 0xC000
	}
	find := func(n, across int, at func(i, j int) bool) []float64 {
		var found []float64
		sum, count := 0, 0
		for i := range n {
			hits := 0
			for j := range across {
				if at(i, j) {
					hits++
				}
			}
			if 2*hits > across {
				sum, count = sum+i, count+1
			} else if count > 0 {
				found = append(found, float64(sum)/float64(count)+0.5)
				sum, count = 0, 0
			}
		}
		return found
	}
	rows = find(b.Dy(), b.Dx(), func(y, x int) bool { return dark(x, y) })
	columns = find(b.Dx(), b.Dy(), func(x, y int) bool { return dark(x, y) })
	return rows, columns
}

// The curve must pass where the closed form says, in both panels: pixels are
// found from the frame in the picture and the ends of the axes alone.
func TestPNGShowsTheCurve(t *testing.T) {
	c := demo()
	c.TapOhm = nil
	img, err := png.Decode(bytes.NewReader(render(t, c, PNG)))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := img.Bounds().Size(), image.Pt(1063, 827); got != want { // 180 and 140 mm at 150 per inch
		t.Fatalf("picture of %v pixels, want %v", got, want)
	}
	rows, columns := frames(img)
	if len(rows) != 4 || len(columns) != 2 {
		t.Fatalf("frame edges at rows %v and columns %v, want 4 and 2", rows, columns)
	}
	blue := func(x, y float64) bool {
		r, g, b, _ := img.At(int(x), int(y)).RGBA()
		return r>>8 < 0x40 && g>>8 < 0xA0 && b>>8 > 0x90
	}
	near := func(x, y float64) bool {
		for dy := -2.; dy <= 2; dy++ {
			if blue(x, y+dy) {
				return true
			}
		}
		return false
	}
	for _, hz := range []float64{25, 50, 70, 84, 110, 200, 400, 1000, 3000, 15000} {
		z := cabinet.z(hz)
		x := columns[0] + (columns[1]-columns[0])*math.Log(hz/20)/math.Log(1000)
		ohm := rows[1] + (rows[0]-rows[1])*math.Log(cmplx.Abs(z)/5)/math.Log(20) // axis 5 to 100 ohm
		deg := rows[3] + (rows[2]-rows[3])*(cmplx.Phase(z)*180/math.Pi+60)/120   // axis -60 to 60 degrees
		for name, y := range map[string]float64{"modulus": ohm, "phase": deg} {
			if !near(x, y) {
				t.Errorf("%s at %g Hz: no curve at pixel (%.1f, %.1f)", name, hz, x, y)
			}
			if hz > 150 && (near(x, y-12) || near(x, y+12)) {
				t.Errorf("%s at %g Hz: curve off pixel (%.1f, %.1f)", name, hz, x, y)
			}
		}
	}
}

// The shade must end two standard uncertainties from the curve.
func TestPNGShade(t *testing.T) {
	c := ImpedanceChart{Traces: []Trace{{"10 ohm (invented)", curve(resistor(10), 20, 20000, 200, even(0.1))}}}
	img, err := png.Decode(bytes.NewReader(render(t, c, PNG)))
	if err != nil {
		t.Fatal(err)
	}
	rows, columns := frames(img)
	if len(rows) != 4 || len(columns) != 2 {
		t.Fatalf("frame edges at rows %v and columns %v, want 4 and 2", rows, columns)
	}
	x := columns[0] + 0.37*(columns[1]-columns[0])
	at := func(ohm float64) color.Color {
		return img.At(int(x), int(rows[1]+(rows[0]-rows[1])*math.Log(ohm/5)/math.Log(10))) // axis 5 to 50 ohm
	}
	// Noise: 10 % in total, so 7.1 % of |Z| in its direction; shared 7.1 %: together 10 %.
	tinted := func(c color.Color) bool { r, _, b, _ := c.RGBA(); return b>>8 > r>>8+20 }
	for _, ohm := range []float64{8.1, 9, 11, 11.9} {
		if !tinted(at(ohm)) {
			t.Errorf("no shade at %g ohm, which is within 10 ± 2", ohm)
		}
	}
	for _, ohm := range []float64{7.9, 12.2} {
		if tinted(at(ohm)) {
			t.Errorf("shade at %g ohm, which is outside 10 ± 2", ohm)
		}
	}
}

func TestPDFText(t *testing.T) {
	c := demo()
	c.Traces[0].Label = "Größe 10 µF, 8 Ω, 測"
	doc := render(t, c, PDF)
	if !bytes.HasPrefix(doc, []byte("%PDF-1.")) {
		t.Fatalf("not a PDF: %q", doc[:8])
	}
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Skip("pdftotext is not installed (Debian: poppler-utils); the text of the PDF is not checked")
	}
	cmd := exec.Command(tool, "-layout", "-", "-")
	cmd.Stdin = bytes.NewReader(doc)
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Größe 10 µF, 8 Ω, □", "modulus (Ω)", "phase (°)", "−60", "16 ohm tap", " Ω at 84 Hz"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("no %q in the text of the PDF:\n%s", want, text)
		}
	}
}

func TestErrors(t *testing.T) {
	good := demo().Traces
	fine := curve(cabinet.z, 20, 20000, 50, even(0.01))
	broken := curve(cabinet.z, 20, 20000, 50, even(0.01))
	broken.Points[3].Z = complex(math.NaN(), 0)
	for _, c := range []struct {
		name  string
		chart ImpedanceChart
		want  string
	}{
		{"no traces", ImpedanceChart{}, "impedance chart: there is no curve to draw; give at least one"},
		{"broken curve", ImpedanceChart{Traces: []Trace{{"a", broken}}}, `curve 1 ("a"): point 3 (`},
		{"empty curve", ImpedanceChart{Traces: []Trace{{"a", impedance.Curve{}}}}, `curve 1 ("a"): curve has no points`},
		{"outside", ImpedanceChart{Traces: []Trace{{"a", fine}}, LowHz: 1, HighHz: 5}, `curve 1 ("a") runs from 20 to 20000 Hz and has no point from 1 to 5 Hz; choose another band`},
		{"all zero", ImpedanceChart{Traces: []Trace{{"a", curve(resistor(0), 20, 2000, 9, even(0))}}}, "which is what a log axis here can show"},
		{"tap 0", ImpedanceChart{Traces: good, TapOhm: []float64{8, 0}}, "tap 2 of 0 ohm must be a number from"},
		{"tap NaN", ImpedanceChart{Traces: good, TapOhm: []float64{math.NaN()}}, "tap 1 of NaN ohm must be"},
		{"tap negative", ImpedanceChart{Traces: good, TapOhm: []float64{-8}}, "tap 1 of -8 ohm must be"},
		{"band upside down", ImpedanceChart{Traces: good, LowHz: 2000, HighHz: 200}, "the band from 2000 to 200 Hz is none"},
		{"band negative", ImpedanceChart{Traces: good, LowHz: -1}, "the band from -1 to 20000 Hz is none"},
		{"too small", ImpedanceChart{Traces: good, WidthMM: 20}, "a side of 20 mm is outside 50 to 1000 mm"},
		{"nameless", ImpedanceChart{Traces: []Trace{{"a", fine}, {" \n", fine}}}, "curve 2 of 2 has no label"},
		{"too many", ImpedanceChart{Traces: slices.Repeat(good, 25)}, "25 curves cannot be told apart in one chart; draw at most 24"},
	} {
		var out bytes.Buffer
		err := Write(&out, SVG, c.chart)
		switch {
		case err == nil:
			t.Errorf("%s: no error", c.name)
		case !strings.Contains(err.Error(), c.want):
			t.Errorf("%s: error %q does not contain %q", c.name, err, c.want)
		case strings.ContainsAny(err.Error(), "\n") || strings.HasSuffix(err.Error(), "."):
			t.Errorf("%s: error %q is not one sentence without a full stop", c.name, err)
		case out.Len() > 0:
			t.Errorf("%s: %d bytes written despite the error", c.name, out.Len())
		}
	}
	if err := Write(io.Discard, "gif", demo()); err == nil || !strings.Contains(err.Error(), `"gif" names no picture format; end it in .png, .svg or .pdf`) {
		t.Errorf("unknown format: %v", err)
	}
	full := errors.New("disk full")
	if err := Write(failing{full}, SVG, demo()); !errors.Is(err, full) {
		t.Errorf("failing writer: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

func TestParseFormat(t *testing.T) {
	for in, want := range map[string]Format{"png": PNG, ".SVG": SVG, "out/a.b.Pdf": PDF, "svg": SVG} {
		if got, err := ParseFormat(in); got != want || err != nil {
			t.Errorf("ParseFormat(%q) = %q, %v, want %q", in, got, err, want)
		}
	}
	for _, in := range []string{"", "chart", "chart.gif", "png.txt", "out/"} {
		if _, err := ParseFormat(in); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("%q names no picture format", in)) {
			t.Errorf("ParseFormat(%q): error %v", in, err)
		}
	}
}

// Whatever a curve holds that passes its Check, a chart of it is well-formed,
// has no number that is none, and stays on its page with every line and text.
func TestAnyChartStaysOnItsPage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		anyChart := ImpedanceChart{
			Title:    rapid.String().Draw(t, "title"),
			WidthMM:  rapid.Float64Range(50, 300).Draw(t, "width"),
			HeightMM: rapid.Float64Range(50, 300).Draw(t, "height"),
			TapOhm:   rapid.SliceOfN(rapid.SampledFrom([]float64{0.1, 2.67, 4, 5.33, 8, 16, 500}), 0, 4).Draw(t, "taps"),
		}
		size := rapid.SampledFrom([]float64{0, 1e-300, 1e-9, 0.01, 1, 22, 300, 1e6, 1e12, 1e19})
		for i := range rapid.IntRange(1, 8).Draw(t, "traces") {
			label := fmt.Sprint(i, rapid.StringN(0, 60, -1).Draw(t, "label"))
			rough, first := rapid.Bool().Draw(t, "rough"), true
			anyChart.Traces = append(anyChart.Traces, Trace{label, curve(func(hz float64) complex128 {
				scale := 22.
				if rough && !first { // each curve has one point that can be drawn
					scale = size.Draw(t, "size")
				}
				first = false
				return cmplx.Rect(scale, rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "angle"))
			}, rapid.Float64Range(15, 1000).Draw(t, "low"), 30000, rapid.IntRange(1, 12).Draw(t, "points"), func(float64) float64 {
				return rapid.SampledFrom([]float64{0, 1e-4, 0.1, 3, 1e3}).Draw(t, "u")
			})})
		}
		var out bytes.Buffer
		if err := Write(&out, SVG, anyChart); err != nil {
			if !regexp.MustCompile(`no point from|a log axis here`).MatchString(err.Error()) {
				t.Fatal(err)
			}
			return
		}
		_, xs, ys, _ := readSVG(t, out.Bytes())
		mm := 72 / 25.4
		if w := anyChart.WidthMM * mm; slices.Min(xs) < -0.01 || slices.Max(xs) > w+0.01 {
			t.Fatalf("x from %g to %g on a page of %g points", slices.Min(xs), slices.Max(xs), w)
		}
		if h := anyChart.HeightMM * mm; slices.Min(ys) < -0.01 || slices.Max(ys) > h+0.01 {
			t.Fatalf("y from %g to %g on a page of %g points", slices.Min(ys), slices.Max(ys), h)
		}
		for _, p := range plottest.Problems(out.Bytes(), phoneText*pointsPX) {
			t.Error(p)
		}
	})
}

func BenchmarkWrite(b *testing.B) {
	c := demo()
	c.Traces = append(c.Traces, Trace{"ported (invented)", curve(ported, 20, 20000, 480, even(0.01))})
	for _, f := range []Format{PNG, SVG, PDF} {
		b.Run(string(f), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := Write(io.Discard, f, c); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	c.Traces = []Trace{{"dense", curve(ported, 20, 20000, 20000, even(0.01))}}
	b.Run("svg 20000 points", func(b *testing.B) {
		for b.Loop() {
			if err := Write(io.Discard, SVG, c); err != nil {
				b.Fatal(err)
			}
		}
	})
}
