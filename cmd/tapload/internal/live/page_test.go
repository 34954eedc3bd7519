package live

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/browsertest"
	"tapload/cmd/tapload/internal/manual"
	"tapload/plot/report"
)

// invented is a World of its own: a load whose resonance wanders, and steps that
// answer at once.
type invented struct {
	watching, did atomic.Int32
	holding       atomic.Bool
	fresh, told   atomic.Bool  // nothing is there to measure with, and the page was told so
	state         atomic.Value // of the moments; "steady" where it is not set
	hold          chan struct{}
}

func (i *invented) world() World {
	first, _ := manual.Find("first")
	return World{
		First: first.Page(), Changed: func() bool { return i.fresh.Load() != i.told.Load() },
		Watch: func(ctx context.Context, tell func(any)) error {
			i.watching.Add(1)
			defer i.watching.Add(-1)
			for n := 1; ; n++ {
				select {
				case <-ctx.Done():
					return nil
				case <-time.After(100 * time.Millisecond):
				}
				tell(i.moment(n))
			}
		},
		Hold: i.holding.Store,
		Stand: func(context.Context) Stand {
			i.told.Store(i.fresh.Load())
			return Stand{
				First: i.told.Load(), Title: "Lantern Hall (invented)", Caution: "Caution: measure with no amplifier connected, and start quiet.",
				Facts: []string{"virtual bench", "10 ohm resistor", "jig of today 14:05"}, TapsOhm: []float64{4, 8, 16},
				Steps: []Step{
					{Name: "measure", Title: "Measure a cabinet", Says: "Sweeps what is plugged in, and puts it into the job.", Button: "Measure it", Next: true,
						Fields: []Field{{Name: "label", Says: "its name", Required: true}, {Name: "drivers", Says: "drivers in it", Choices: []string{"1", "2", "4"}, Value: "1"}},
						Ticks:  []Tick{{"open", true}, {"short", false}}},
					{Name: "boxes", Title: "Boxes to build", Says: "Draws the boxes of the hookup.", Button: "Draw them", WhyNot: "The job has no hookup yet."},
				},
				History: []Entry{{"dance", "14:12", "dance: 8 ohm", func(ctx context.Context, w io.Writer) error {
					return report.Document{Title: "dance", Lead: "8 ohm, made anew"}.HTML(ctx, w, report.A4)
				}}},
			}
		},
		Do: func(ctx context.Context, step string, filled map[string]string, tell func(At)) Answer {
			i.did.Add(1)
			half := 50
			tell(At{Says: "playing", Percent: &half, Peaks: [2]float64{0.2, 0.1}, Ticks: []Tick{{"open", true}, {"short", true}}})
			if i.hold != nil {
				select {
				case <-i.hold:
				case <-ctx.Done():
					return Answer{Says: "stopped"}
				}
			}
			return Answer{OK: true, Says: "measured " + filled["label"], Pages: []report.Document{{Title: "page of " + filled["label"], Lead: "8 ohm"}}}
		},
	}
}

func (i *invented) moment(n int) map[string]any {
	state, ok := i.state.Load().(string)
	if !ok {
		state = "steady"
	}
	m := map[string]any{
		"number": n, "state": state, "says": "8 ohm, safe on the 8 ohm tap", "detail": "lowest 7.3 ohm at 304 Hz, resonance 109 Hz, sure to 0.4 %",
		"inputs": []map[string]any{{"peak": 0.2, "clipped": false}, {"peak": 0.11, "clipped": false}}, "warnings": []any{},
	}
	if i.holding.Load() {
		m["cable"] = "2 contacts opened, the worst by 40 ohm in series; lowest 7.30 ohm at 304 Hz."
	}
	switch state {
	case "settling":
		m["says"], m["detail"] = state, ""
		return m
	case "fault":
		m["says"], m["detail"] = "nothing plugged in", "check plug, lead and jack of the load"
		return m
	}
	resonance := 109.
	if state == "moved" {
		m["state"], resonance = "steady", 120
	}
	var hz, r, x []float64
	for f := 10.; f < 20000; f *= 1.04 {
		z := load(f, resonance)
		hz, r, x = append(hz, f), append(r, real(z)), append(x, imag(z))
	}
	m["curve"] = map[string]any{"frequency_hz": hz, "resistance_ohm": r, "reactance_ohm": x}
	return m
}

// load is the impedance of an invented loudspeaker, in ohm.
func load(hz, resonanceHz float64) complex128 {
	return complex(7.2, 2*math.Pi*hz*3e-4) + complex(40, 0)/complex(1, 4*(hz/resonanceHz-resonanceHz/hz))
}

// serve serves an invented World until the test ends.
func serve(t *testing.T, w World) *Server {
	t.Helper()
	s, end := serveUntil(t, w)
	t.Cleanup(end)
	return s
}

// serveUntil serves an invented World until end is called.
func serveUntil(t *testing.T, w World) (s *Server, end func()) {
	t.Helper()
	s, err := Listen(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- s.Serve(ctx) }()
	return s, func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}
}

// look writes what the page looks like to the folder that TAPLOAD_SHOTS names.
func look(t *testing.T, p *browsertest.Page, name string) {
	t.Helper()
	if folder := os.Getenv("TAPLOAD_SHOTS"); folder != "" {
		if err := os.WriteFile(folder+"/"+name+".png", p.Screenshot(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// One browser sees all of the page: what it shows, by clicks and by the keyboard
// alone, on a phone, in the dark, and as a screen reader has it.
func TestPageInABrowser(t *testing.T) {
	i := &invented{hold: make(chan struct{})}
	i.fresh.Store(true)
	s, end := serveUntil(t, i.world())
	browser := browsertest.Start(t)
	p := browser.Open(s.URL())
	p.Size(1280, 800)
	const verdict = "document.getElementById('verdict').textContent"
	p.Wait("document.querySelectorAll('#first img').length === 2 && [...document.querySelectorAll('#first img')].every((i) => i.naturalWidth > 300)")
	p.Wait("document.querySelector('#step-measure').open") // which comes next
	p.Wait(verdict + " === '8 ohm, safe on the 8 ohm tap'")
	p.Wait("document.querySelectorAll('.step').length === 2")

	// axe-core 4.14.1, by Deque Systems, MPL-2.0, as npm has it.
	axe, err := os.ReadFile("testdata/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	if sum := fmt.Sprintf("%x", sha256.Sum256(axe)); sum != "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c" {
		t.Fatalf("testdata/axe.min.js has the checksum %s, which is not that of the release", sum)
	}
	p.Eval(string(axe)+";true", nil)
	accessible := func(state string) {
		t.Helper()
		for _, dark := range []bool{false, true} {
			if dark && testing.Short() && state != "steps open" {
				continue // left to make check
			}
			p.Dark(dark)
			var findings []string
			p.Eval("axe.run({resultTypes: ['violations']}).then((r) => r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.html).join(' ')))", &findings)
			if len(findings) > 0 {
				t.Errorf("%s, dark %v: %s", state, dark, strings.Join(findings, "\n"))
			}
			look(t, p, fmt.Sprintf("%s-dark-%v", state, dark))
		}
		p.Dark(false)
	}
	// Who never measured sees how, in the place of the curve, on one screen.
	accessible("first")
	var high int
	if p.Eval("document.documentElement.scrollHeight", &high); high > 800 {
		t.Errorf("the page of a first measurement is %d pixels high on a screen of 800", high)
	}
	p.Size(390, 844)
	look(t, p, "first-phone")
	p.Size(1280, 800)
	i.fresh.Store(false)
	p.Wait("document.getElementById('first').hidden && document.getElementById('chart').getBoundingClientRect().height > 0")
	p.TabTo("help")
	p.Key("Enter")
	p.Wait("document.querySelector('#help[aria-pressed=true]') && !document.getElementById('first').hidden && document.getElementById('measured').hidden")
	look(t, p, "first-again")
	p.Key("Enter")
	p.Wait("document.getElementById('first').hidden")
	accessible("steady")
	p.Wait("document.querySelectorAll('#chart path.z[d]').length === 1")
	// The names of the taps stand beside the curve, and on the picture.
	beside := func(width int) {
		t.Helper()
		var names int
		p.Eval(`(() => {
			const z = document.querySelector('#chart path.z').getBBox(), end = document.querySelector('#chart').viewBox.baseVal.width;
			return [...document.querySelectorAll('#chart text.tap')].map((t) => t.getBBox()).filter((b) => b.x >= z.x + z.width && b.x + b.width <= end).length;
		})()`, &names)
		if names != 3 {
			t.Errorf("%d pixels wide: %d names of 3 taps stand beside the curve", width, names)
		}
	}
	beside(1280)
	look(t, p, "laptop")
	i.state.Store("settling")
	p.Wait(verdict + " === 'settling' && document.getElementById('verdict').className === 'unsteady'")
	accessible("settling")
	i.state.Store("fault")
	p.Wait(verdict + " === 'nothing plugged in' && document.getElementById('verdict').className === 'bad'")
	accessible("fault")
	i.state.Store("steady")
	p.Wait("document.getElementById('verdict').className === ''")
	p.Eval("document.querySelectorAll('details').forEach((d) => { d.name = ''; d.open = true })", nil)
	accessible("steps open")
	for _, phone := range []int{390, 320} {
		p.Size(phone, 844)
		var wide int
		p.Eval("document.documentElement.scrollWidth", &wide)
		if wide > phone {
			t.Errorf("the page is %d pixels wide on a phone of %d", wide, phone)
		}
		p.Wait("document.querySelector('#chart').viewBox.baseVal.width < " + fmt.Sprint(phone))
		beside(phone)
		look(t, p, fmt.Sprintf("phone-%d", phone))
	}
	p.Size(1280, 800)

	tree := p.Tree()
	for _, want := range []browsertest.Node{
		{Role: "heading", Name: "Lantern Hall (invented)"}, {Role: "meter", Name: "input 1"}, {Role: "meter", Name: "input 2"},
		{Role: "button", Name: "Freeze this curve"}, {Role: "button", Name: "Measure it"}, {Role: "textbox", Name: "its name"},
		{Role: "image", Name: "Impedance over frequency; the arrow keys read it"}, {Role: "link", Name: "dance: 8 ohm"}, {Role: "combobox", Name: "drivers in it"},
	} {
		if !slices.Contains(tree, want) {
			t.Errorf("a screen reader has no %s %q; it has %v", want.Role, want.Name, tree)
		}
	}
	if !slices.ContainsFunc(tree, func(n browsertest.Node) bool { return n.Role == "status" }) {
		t.Error("a screen reader has no status")
	}

	// By keyboard alone: Tab to a button or field, and no further.
	p.Eval("document.activeElement?.blur()", nil)
	p.TabTo("chart")
	p.Key("ArrowRight")
	p.Wait("document.getElementById('reading').textContent.includes('ohm')")
	const reading = "document.getElementById('reading').textContent"
	p.Eval(`(() => {
		const chart = document.getElementById('chart'), { left, width } = chart.getBoundingClientRect(), z = document.querySelector('#chart path.z').getBBox();
		chart.dispatchEvent(new PointerEvent('pointermove', { clientX: left + (z.x + z.width / 2) * width / chart.viewBox.baseVal.width }));
	})()`, nil)
	// The middle of the curve is at the geometric mean of its ends, 630 Hz, within half
	// a step of 4 % and what its ends are off 20 Hz and 20 kHz.
	p.Wait("Math.abs(Math.log(parseFloat(" + reading + ") / 630)) < 0.05 && / ohm, /.test(" + reading + ")")
	p.TabTo("freeze")
	p.Key("Enter")
	p.Wait("document.querySelector('#freeze[aria-pressed=true]') && document.querySelector('#chart .was').getAttribute('d') !== ''")
	const compared = "document.getElementById('compared').textContent"
	p.Wait(compared + " === 'The same as the frozen curve, within 0.1 %.'")
	i.state.Store("moved")
	p.Wait("/^[0-9.]+ % (lower|higher) than the frozen curve at [0-9.]+ Hz, where it differs most; usually by (less than )?[0-9.]+ %.$/.test(" + compared + ")")
	var said string
	p.Eval(compared, &said)
	if want := mostMoved(109, 120); !strings.HasPrefix(said, want) {
		t.Errorf("the curves compare as %q, want %q", said, want)
	}
	look(t, p, "compared")
	p.Key("Enter")
	p.Wait(compared + " === ''")
	i.state.Store("steady")
	p.TabTo("hold")
	p.Key(" ")
	p.Wait("/2 contacts opened/.test(document.getElementById('contact').textContent) && document.querySelector('#hold[aria-pressed=true]')")
	p.Key(" ")
	p.Wait("document.getElementById('contact').textContent === '' && document.querySelector('#hold[aria-pressed=false]')")
	p.TabTo("measure-label")
	p.Type("red")
	p.TabTo("do-measure")
	p.Key("Enter")
	p.Wait("document.activeElement.id === 'stop' && document.getElementById('progress').value === 50")
	if title, ticked := p.Text("work"), p.Text("ticks-measure"); title != "Measure a cabinet: playing" || strings.Contains(ticked, "to do") {
		t.Errorf("a step that runs says %q and has the ticks %q", title, ticked)
	}
	accessible("running")
	tree = p.Tree()
	for _, want := range []browsertest.Node{{Role: "progressbar", Name: "How far it is"}, {Role: "button", Name: "Stop"}} {
		if !slices.Contains(tree, want) {
			t.Errorf("while a step runs a screen reader has no %s %q; it has %v", want.Role, want.Name, tree)
		}
	}
	other := browser.Open(s.URL()) // which sees the same, and cannot begin anything
	other.Wait("!document.getElementById('stop').hidden && document.getElementById('do-measure').disabled")
	var refused string
	other.Eval("fetch('do/measure', {method: 'POST', body: new URLSearchParams({label: 'blue'})}).then((r) => r.text())", &refused)
	if !strings.HasPrefix(refused, "something else is being done") {
		t.Errorf("a second page that begins a step is told %q", refused)
	}
	p.Call("Page.bringToFront", nil, nil)
	p.Key("Enter") // at Stop
	p.Wait("document.getElementById('work').textContent === 'stopped' && document.activeElement.id === 'title-measure'")
	p.TabTo("do-measure")
	p.Key("Enter")
	p.Wait("document.activeElement.id === 'stop'")
	close(i.hold)
	p.Wait("document.getElementById('work').textContent === 'measured red' && document.activeElement.id === 'answer-0'")
	accessible("answer")
	var answer string
	p.Eval("fetch(document.getElementById('answer-0').href).then((r) => r.text())", &answer)
	if !strings.Contains(answer, "page of red") {
		t.Errorf("the answer is %.200s", answer)
	}
	if i.did.Load() != 2 {
		t.Errorf("%d steps were done, 2 were ordered", i.did.Load())
	}
	end()
	p.Wait(verdict + " === 'the program does not answer' && /an address of its own/.test(document.getElementById('detail').textContent)")
	look(t, p, "ended")
}

// A browser that does not start, or ends badly, is told of.
func TestBrowserThatDoesNotStart(t *testing.T) {
	for _, name := range []string{"false", "no-such-browser"} {
		told := make(chan error, 1)
		err := Browse("http://127.0.0.1:1/", func(variable string) string {
			if variable == "BROWSER" {
				return name
			}
			return ""
		}, func(err error) { told <- err })
		if err == nil {
			err = <-told
		}
		if !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// mostMoved says how the invented curve with another resonance differs.
func mostMoved(wasHz, isHz float64) string {
	most, at := 0., 0.
	for f := 10.; f < 20000; f *= 1.04 {
		if by := math.Hypot(real(load(f, isHz)), imag(load(f, isHz)))/math.Hypot(real(load(f, wasHz)), imag(load(f, wasHz))) - 1; f >= 20 && math.Abs(by) > math.Abs(most) {
			most, at = by, f
		}
	}
	word := "higher"
	if most < 0 {
		word = "lower"
	}
	return fmt.Sprintf("%.2g %% %s than the frozen curve at %.3g Hz, where it differs most", 100*math.Abs(most), word, at)
}
