package live

import (
	"context"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/browsertest"
	"tapload/plot/report"
)

// invented is a World of its own: a load whose resonance wanders, and steps that
// answer at once.
type invented struct {
	watching, did atomic.Int32
	state         atomic.Value // of the moments; "steady" where it is not set
	hold          chan struct{}
}

func (i *invented) world() World {
	return World{
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
		Stand: func() Stand {
			return Stand{
				Title: "Lantern Hall (invented)", Facts: []string{"virtual bench", "10 ohm resistor", "jig of today 14:05"}, TapsOhm: []float64{4, 8, 16},
				Steps: []Step{
					{Name: "measure", Title: "Measure a cabinet", Says: "Sweeps what is plugged in, and puts it into the job.", Button: "Measure it",
						Fields: []Field{{Name: "label", Says: "its name", Required: true}, {Name: "drivers", Says: "drivers in it", Choices: []string{"1", "2", "4"}, Value: "1"}},
						Ticks:  []Tick{{"open", true}, {"short", false}}},
					{Name: "boxes", Title: "Boxes to build", Says: "Draws the boxes of the hookup.", Button: "Draw them", WhyNot: "The job has no hookup yet."},
				},
				History: []Entry{{"dance", "14:12", "dance: 8 ohm", func() (report.Document, error) {
					return report.Document{Title: "dance", Lead: "8 ohm, made anew"}, nil
				}}},
			}
		},
		Do: func(ctx context.Context, step string, filled map[string]string, tell func(string)) Answer {
			i.did.Add(1)
			tell("half of it")
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
		"opened": map[string]any{"count": n / 20, "worst_ohm": 40},
	}
	if state != "steady" {
		m["says"], m["detail"] = state, ""
		return m
	}
	var hz, r, x []float64
	for f := 10.; f < 20000; f *= 1.04 {
		d := f/109 - 109/f
		z := complex(7.2, 2*math.Pi*f*3e-4) + complex(40, 0)/complex(1, 4*d)
		hz, r, x = append(hz, f), append(r, real(z)), append(x, imag(z))
	}
	m["curve"] = map[string]any{"frequency_hz": hz, "resistance_ohm": r, "reactance_ohm": x}
	return m
}

// serve serves an invented World until the test ends.
func serve(t *testing.T, w World) *Server {
	t.Helper()
	s, err := Listen(w)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- s.Serve(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
	return s
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
	i := &invented{}
	s := serve(t, i.world())
	p := browsertest.Start(t).Open(s.URL())
	p.Size(1280, 800)
	const verdict = "document.getElementById('verdict').textContent"
	p.Wait(verdict + " === '8 ohm, safe on the 8 ohm tap'")
	p.Wait("document.querySelectorAll('#chart path.z[d]').length === 1 && document.querySelectorAll('.step').length === 2")
	look(t, p, "laptop")

	// axe-core 4.14.1, by Deque Systems, MPL-2.0, as npm has it.
	axe, err := os.ReadFile("testdata/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	if sum := fmt.Sprintf("%x", sha256.Sum256(axe)); sum != "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c" {
		t.Fatalf("testdata/axe.min.js has the checksum %s, which is not that of the release", sum)
	}
	p.Eval(string(axe)+";true", nil)
	for _, dark := range []bool{false, true} {
		p.Dark(dark)
		p.Eval("document.querySelectorAll('details').forEach((d) => { d.name = ''; d.open = true })", nil)
		var findings []string
		p.Eval("axe.run().then((r) => r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.html).join(' ')))", &findings)
		if len(findings) > 0 {
			t.Errorf("dark %v: %s", dark, strings.Join(findings, "\n"))
		}
		look(t, p, fmt.Sprintf("laptop-dark-%v", dark))
		for _, phone := range []int{390, 320} {
			p.Size(phone, 844)
			var wide int
			p.Eval("document.documentElement.scrollWidth", &wide)
			if wide > phone {
				t.Errorf("the page is %d pixels wide on a phone of %d", wide, phone)
			}
			p.Wait("document.querySelector('#chart').viewBox.baseVal.width < " + fmt.Sprint(phone))
			look(t, p, fmt.Sprintf("phone-%d-dark-%v", phone, dark))
		}
		p.Size(1280, 800)
	}
	p.Dark(false)

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
	tab := func(id string) {
		t.Helper()
		for range 40 {
			p.Key("Tab")
			var at string
			p.Eval("document.activeElement?.id ?? ''", &at)
			if at == id {
				return
			}
		}
		t.Fatalf("Tab does not lead to %s", id)
	}
	p.Eval("document.activeElement?.blur()", nil)
	tab("chart")
	p.Key("ArrowRight")
	p.Wait("document.getElementById('reading').textContent.includes('ohm')")
	tab("freeze")
	p.Key("Enter")
	p.Wait("document.querySelector('#freeze[aria-pressed=true]') && document.querySelector('#chart .was').getAttribute('d') !== ''")
	tab("hold")
	p.Key(" ")
	p.Wait("/opened/.test(document.getElementById('contact').textContent)")
	tab("measure-label")
	p.Type("red")
	tab("do-measure")
	p.Key("Enter")
	p.Wait("document.getElementById('work').textContent === 'measured red'")
	tab("answer-0")
	var answer string
	p.Eval("fetch(document.getElementById('answer-0').href).then((r) => r.text())", &answer)
	if !strings.Contains(answer, "page of red") {
		t.Errorf("the answer is %.200s", answer)
	}
	if i.did.Load() != 1 {
		t.Errorf("%d steps were done, 1 was ordered", i.did.Load())
	}

	// What is not steady is not shown as if it were.
	i.state.Store("settling")
	p.Wait(verdict + " === 'settling' && document.getElementById('verdict').className === 'unsteady'")
	look(t, p, "settling")
}
