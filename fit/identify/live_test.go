package identify_test

import (
	"context"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tapload/fit/identify"
	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/signal"
)

func driver(re, k, hz, q, res float64) netlist.Element {
	return netlist.Driver{Re: re, Coil: netlist.Coil{K: k, N: 0.66}, Resonances: []netlist.Resonance{{Hz: hz, Qm: q, Res: res}}}
}

// From cabinet to cabinet the right rating stands within 2.5 s of the change, and
// none stands while a window holds both.
func TestLiveRatesWhatIsPluggedIn(t *testing.T) {
	// Invented; the ratings are those of their lowest |Z|, well inside.
	cabinets := []struct {
		load  netlist.Element
		rated float64
	}{
		{driver(13.3, 0.040, 134, 4.4, 71), 16}, {driver(6.4, 0.02, 109, 5, 46), 8}, {driver(3.2, 0.01, 88, 5, 25), 4},
		{driver(6.3, 0.02, 82, 7, 55), 8}, {driver(6.5, 0.021, 112, 6, 60), 8}, {driver(13.1, 0.046, 107, 5.6, 96), 16},
		{driver(13.4, 0.045, 111, 5.1, 88), 16}, {driver(3.3, 0.012, 95, 4, 30), 4}, {driver(13.3, 0.040, 134, 4.4, 71), 16},
		{driver(6.4, 0.02, 109, 5, 46), 8}, {driver(3.2, 0.01, 88, 5, 25), 4},
	}
	in := bench.Input{Noise: bench.DB(-92), LoadOhm: 48e3, CouplingHz: 1.2}
	plug := func(e netlist.Element) []netlist.Branch {
		return []netlist.Branch{{Name: "cabinet", From: bench.In, To: bench.Ground, Element: e}}
	}
	b := &bench.Bench{SenseOhm: 10, Source: bench.Source{Ohm: 12, CouplingHz: 1.5}, Inputs: [2]bench.Input{in, in}, Bits: 16, Load: plug(cabinets[0].load)}
	series := bench.NewSeries(b)
	sig, err := measure.LiveSignal(t.Context(), signal.MultitoneOptions{Peak: bench.DB(-12)})
	if err != nil {
		t.Fatal(err)
	}
	j, err := jig.Uncalibrated(jig.Options{Name: "test", SenseOhm: 10, Tolerance: 0.01, Mismatch: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	at, changed, slowest := 0, 0.0, 0.0
	first := true
	var last identify.LiveEvent
	synctest.Test(t, func(t *testing.T) {
		ctx, end := context.WithCancel(t.Context())
		defer end()
		setup := measure.Setup{Card: series, Signal: sig, Jig: j, Label: "cabinet", Now: time.Unix(1.8e9, 0)}
		err := identify.Live(ctx, setup, identify.Known{}, func(e identify.LiveEvent) {
			last = e
			since := e.Seconds - changed
			if e.Load != nil {
				if since < 1.4-0.01 {
					t.Errorf("cabinet %d: a rating %.2f s after the change", at, since)
				}
				if e.Load.RatedOhm == nil || *e.Load.RatedOhm != cabinets[at].rated || e.Load.TapOhm != cabinets[at].rated {
					t.Errorf("cabinet %d, %.1f s after the change: %s", at, since, e.Line())
				}
				if first {
					first, slowest = false, max(slowest, since)
				}
			} else if since > 2.5 {
				t.Errorf("cabinet %d: %q %.1f s after the change", at, e.Line(), since)
			}
			if since < 2.8+0.037*float64(at) {
				return
			}
			if at++; at == len(cabinets) {
				end()
				return
			}
			changed, first = e.Seconds, true
			if err := series.Connect(plug(cabinets[at].load)); err != nil {
				t.Error(err)
			}
		})
		if err != nil {
			t.Fatal(err)
		}
	})
	t.Logf("the slowest first rating came %.1f s after the change", slowest)
	if want := "4 ohm, safe on 4; steady"; last.Line() != want {
		t.Errorf("line %q, want %q", last.Line(), want)
	}
	if beside := last.Beside(); !strings.HasPrefix(beside, "lowest 4.") {
		t.Errorf("beside it %q", beside)
	}
	data, err := json.Marshal(last)
	if err != nil {
		t.Fatal(err)
	}
	var keys struct {
		State string `json:"state"`
		Load  struct {
			Rated      float64                      `json:"rated_ohm"`
			Candidates []float64                    `json:"candidates"`
			Verdict    string                       `json:"verdict"`
			Tap        float64                      `json:"tap_ohm"`
			Min        struct{ Ohm, Hz, U float64 } `json:"z_min"`
			Resonances []float64                    `json:"resonances_hz"`
		} `json:"load"`
		Held struct{ Ohm float64 } `json:"held_z_min"`
	}
	if err := json.Unmarshal(data, &keys); err != nil {
		t.Fatal(err)
	}
	l := keys.Load
	if keys.State != "steady" || l.Rated != 4 || l.Verdict != "pass" || l.Tap != 4 || l.Min.U <= 0 || len(l.Resonances) != 1 || math.Abs(l.Resonances[0]-88) > 1 || keys.Held.Ohm > l.Min.Ohm {
		t.Errorf("%s", data)
	}
}
