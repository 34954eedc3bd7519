package measure_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/signal"
)

// plugged is e between the terminals of a bench.
func plugged(e netlist.Element) []netlist.Branch {
	return []netlist.Branch{{Name: "load", From: bench.In, To: bench.Ground, Element: e}}
}

var oneLiveSignal = sync.OnceValues(func() (signal.Multitone, error) {
	return measure.LiveSignal(context.Background(), signal.MultitoneOptions{})
})

func liveSignal(t testing.TB) signal.Multitone {
	t.Helper()
	sig, err := oneLiveSignal()
	if err != nil {
		t.Fatal(err)
	}
	return sig
}

// plainOnly skips a test under the race detector, where it takes minutes:
// TestLiveCountsOpenedContacts has more goroutines.
func plainOnly(t *testing.T) {
	t.Helper()
	if underRace {
		t.Skip("left to the plain tests")
	}
}

// watch runs a live view for so long by a clock that stands still while it works,
// and calls on for each event.
func watch(t *testing.T, s measure.Setup, seconds float64, on func(measure.Event)) {
	t.Helper()
	if s.Signal == nil {
		s.Signal = liveSignal(t)
	}
	s.Label, s.Now = "test", time.Unix(1.8e9, 0)
	synctest.Test(t, func(t *testing.T) {
		ctx, end := context.WithCancel(t.Context())
		defer end()
		events := 0
		err := measure.Live(ctx, s, func(e measure.Event) {
			if events++; e.Number != events || math.Abs(e.Seconds-0.1*float64(events)) > 1e-9 {
				t.Errorf("event %d is number %d, after %g s", events, e.Number, e.Seconds)
			}
			on(e)
			if e.Seconds >= seconds-1e-9 {
				end()
			}
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}

// off is by how many standard uncertainties of its own, and 1e-6, the curve of e
// differs from a load at the worst.
func off(e measure.Event, load func(hz float64) complex128) (worst float64) {
	for i, p := range e.Record.Curve.Points {
		z := load(p.Hz)
		d := p.Z - z
		worst = max(worst, cmplx.Abs(d)/math.Sqrt(e.Record.Curve.Total(i).Along(d)+1e-12*real(z*cmplx.Conj(z))))
	}
	return worst
}

// From plug to plug there is no curve of a window that holds both loads, and soon
// one that is the new load's, within what it states.
func TestLiveFollowsThePlug(t *testing.T) {
	plainOnly(t)
	pairs := []netlist.Element{
		loads[0].load, loads[1].load, loads[2].load, loads[3].load,
		netlist.Driver{Re: 6.3, Coil: netlist.Inductor(0.55e-3), Resonances: []netlist.Resonance{{Hz: 95, Qm: 5.5, Res: 48}}},
		loads[1].load, // all but the same
		netlist.Resistor(8), netlist.Resistor(8.2),
		netlist.Driver{Re: 13.3, Coil: netlist.Coil{K: 0.04, N: 0.66}, Resonances: []netlist.Resonance{{Hz: 134, Qm: 4.4, Res: 71}}},
		netlist.Resistor(100), loads[1].load,
	}
	for _, noiseDB := range []float64{-96, -70} {
		t.Run(fmt.Sprintf("noise %g dB", noiseDB), func(t *testing.T) {
			if testing.Short() && noiseDB > -90 {
				t.Skip("left to the plain tests")
			}
			b := idealBench(pairs[0], noiseDB, 1)
			series := bench.NewSeries(b)
			at, changed, steady := 0, 0.0, false
			watch(t, measure.Setup{Card: series, Jig: exactJig(t, 33)}, 3*float64(len(pairs)), func(e measure.Event) {
				if e.State == measure.Steady {
					steady = true
					if from := e.Seconds - 2*0.7; from < changed-0.02 {
						t.Errorf("load %d: steady at %.1f s, %.2f s after the change", at, e.Seconds, e.Seconds-changed)
					}
					b.Load = plugged(pairs[at])
					if worst := off(e, b.Impedance); worst > 5.5 {
						t.Errorf("load %d: %.1f standard uncertainties off, %.1f s after the change", at, worst, e.Seconds-changed)
					}
				}
				if e.State == measure.Faulty {
					t.Errorf("load %d: %+v", at, e.Fault)
				}
				if since := e.Seconds - changed; since > 2.5 && e.State != measure.Steady {
					t.Errorf("load %d: %v %.1f s after the change", at, e.State, since)
				}
				// The moment falls anywhere in a step, and in the period.
				if e.Seconds-changed >= 2.8+0.03*float64(at) && at+1 < len(pairs) {
					at, changed, steady = at+1, e.Seconds, false
					if err := series.Connect(plugged(pairs[at])); err != nil {
						t.Error(err)
					}
				}
			})
			if at != len(pairs)-1 || !steady {
				t.Errorf("saw %d of %d loads", at+1, len(pairs))
			}
		})
	}
}

// A plug that goes in while the sound begins is no automatic gain.
func TestLivePluggedInAtTheBeginning(t *testing.T) {
	plainOnly(t)
	b := idealBench(netlist.Open(), -90, 5)
	b.Source.Ohm = 30
	series, last := bench.NewSeries(b), measure.Event{}
	watch(t, measure.Setup{Card: series, Jig: exactJig(t, 33)}, 3.2, func(e measure.Event) {
		if last = e; e.Number == 6 {
			if err := series.Connect(plugged(loads[1].load)); err != nil {
				t.Error(err)
			}
		}
	})
	if last.State != measure.Steady {
		t.Errorf("%v, %+v", last.State, last.Fault)
	}
}

// A contact that opens for 50 ms is counted, with the ohms that came in series;
// other loads, knocks and a plug that is pulled for longer are not.
func TestLiveCountsOpenedContacts(t *testing.T) {
	load := loads[1].load
	b := idealBench(load, -90, 1)
	series := bench.NewSeries(b)
	connect := func(load []netlist.Branch) {
		if err := series.Connect(load); err != nil {
			t.Error(err)
		}
	}
	step := func(n int, load []netlist.Branch) func() {
		return func() {
			for range n {
				connect(load)
				time.Sleep(50 * time.Millisecond)
				connect(plugged(b.Load[0].Element))
				time.Sleep(50 * time.Millisecond)
			}
		}
	}
	poor := append(plugged(netlist.Resistor(20)), b.Load...)
	poor[0].From, poor[0].To, poor[1].From = bench.In, "plug", "plug"
	poor[0].Name = "contact"
	acts := []struct {
		at    int // event
		do    func()
		count int
		worst float64
	}{
		{30, step(1, plugged(netlist.Open())), 1, math.Inf(1)},
		{60, step(3, plugged(netlist.Open())), 4, math.Inf(1)},
		{90, func() { connect(plugged(netlist.Resistor(4))) }, 4, math.Inf(1)},
		{130, func() { _ = series.Disconnect() }, 4, math.Inf(1)},
	}
	watch(t, measure.Setup{Card: series, Jig: exactJig(t, 33)}, 16, func(e measure.Event) {
		for i, a := range acts {
			if e.Number == a.at {
				go a.do()
			}
			if e.Number == a.at+25 && (e.Opened.Count != a.count || e.Opened.WorstOhm != a.worst) {
				t.Errorf("after act %d: %+v, want %d and %g ohm", i, e.Opened, a.count, a.worst)
			}
		}
		if e.Number > 155 && (e.Fault == nil || e.Fault.Code != card.OpenLoad.String()) {
			t.Errorf("unplugged at %.1f s: %v %+v", e.Seconds, e.State, e.Fault)
		}
	})
	series = bench.NewSeries(b)
	var last measure.Event
	watch(t, measure.Setup{Card: series, Jig: exactJig(t, 33)}, 5, func(e measure.Event) {
		if last = e; e.Number == 30 {
			go step(1, poor)()
		}
	})
	if o := last.Opened; o.Count != 1 || math.Abs(o.WorstOhm/20-1) > 0.2 {
		t.Errorf("20 ohm in series for 50 ms: %+v", o)
	}
}

// Faults are named as a sweep names them, and end when their cause does.
func TestLiveNamesFaults(t *testing.T) {
	plainOnly(t)
	load := loads[1].load
	for _, tc := range []struct {
		name   string
		change func(*bench.Bench)
		cause  card.Cause
	}{
		{"nothing plugged in", func(b *bench.Bench) { b.Load = plugged(netlist.Open()) }, card.OpenLoad},
		{"nothing plugged in, inputs 0.8 % apart", func(b *bench.Bench) {
			b.Load, b.Inputs[1].Gain = plugged(netlist.Open()), 0.992
		}, card.OpenLoad},
		{"short", func(b *bench.Bench) { b.Load, b.LeadOhm = plugged(netlist.Wire), 0.03 }, card.ShortedLoad},
		{"exchanged", func(b *bench.Bench) { b.Swapped = true }, card.Swapped},
		{"mono", func(b *bench.Bench) { b.Mono = true }, card.SameSignal},
		{"inverted", func(b *bench.Bench) { b.Inputs[0].Inverted = true }, card.Inverted},
		{"clipped", func(b *bench.Bench) { b.Source.Level = 3 }, card.Clipped},
		{"clipped before the converter", func(b *bench.Bench) { b.Inputs[0].Clip = 0.3 }, card.Clipped},
		{"automatic gain", func(b *bench.Bench) { b.Gain = bench.GainControl{Level: 0.1, Seconds: 0.2} }, card.AutomaticGain},
		{"no sound", func(b *bench.Bench) { b.Source.Level = 1e-7 }, card.NoSignal},
		{"lead of input 1 off", func(b *bench.Bench) { b.Inputs[0].Unplugged = true }, card.DeadInput},
		{"lead of input 2 off", func(b *bench.Bench) { b.Inputs[1].Unplugged = true }, card.DeadInput},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := idealBench(load, -90, 3)
			tc.change(b)
			j, err := jig.Uncalibrated(jig.Options{Name: "test", SenseOhm: 33, Mismatch: 0.01})
			if err != nil {
				t.Fatal(err)
			}
			named := 0
			watch(t, measure.Setup{Card: bench.NewSeries(b), Jig: j}, 3.2, func(e measure.Event) {
				switch {
				case e.State == measure.Steady:
					t.Errorf("steady at %.1f s", e.Seconds)
				case e.State == measure.Faulty && e.Fault.Code != tc.cause.String():
					t.Errorf("at %.1f s: %+v", e.Seconds, e.Fault)
				case e.State == measure.Faulty:
					named++
				case e.Seconds > 3:
					t.Errorf("%v at %.1f s", e.State, e.Seconds)
				}
			})
			if named == 0 {
				t.Error("never named")
			}
		})
	}
}

// Where blocks are lost no curve is wrong, whether the driver says so or not; and
// where it says so, no curve is of a window that they may have spoilt.
func TestLiveLostBlocks(t *testing.T) {
	plainOnly(t)
	for _, said := range []bool{true, false} {
		b := idealBench(loads[1].load, -90, 4)
		b.Dropouts = []bench.Dropout{{At: 3, Samples: 480, Kind: bench.Lost}, {At: 6, Samples: 1024, Kind: bench.Zero}, {At: 9.2, Samples: 37, Kind: bench.Lost}}
		if said {
			for _, d := range b.Dropouts {
				b.Flags = append(b.Flags, bench.Flag{Lapse: card.InputOverflow, Blocks: 1, From: d.At, To: d.At + 0.1})
			}
		}
		after := map[float64]int{}
		watch(t, measure.Setup{Card: bench.NewSeries(b), Jig: exactJig(t, 33)}, 12, func(e measure.Event) {
			if e.State == measure.Faulty {
				t.Errorf("%+v", e.Fault)
			}
			for _, d := range b.Dropouts {
				if e.Seconds > d.At+0.02 && e.Seconds < d.At+1.35 && e.State == measure.Steady {
					t.Errorf("said: %v: steady at %.1f s", said, e.Seconds)
				}
				if e.Seconds > d.At && e.State == measure.Steady {
					after[d.At]++
				}
			}
			if e.State == measure.Steady {
				if worst := off(e, b.Impedance); worst > 5.5 {
					t.Errorf("said: %v: %.1f standard uncertainties off at %.1f s", said, worst, e.Seconds)
				}
			}
			if want := len(b.Flags); e.Seconds > 10 && e.Late != want {
				t.Errorf("%d late blocks, want %d", e.Late, want)
			}
		})
		if len(after) != 3 {
			t.Errorf("said: %v: steady after %v", said, after)
		}
	}
}

// A live view agrees with a sweep of the same load, within what both state.
func TestLiveAgreesWithASweep(t *testing.T) {
	plainOnly(t)
	b := idealBench(loads[1].load, -80, 11)
	swept := run(t, b, liveSignal(t), 33).Curve
	b.Seed++
	watch(t, measure.Setup{Card: bench.NewSeries(b), Jig: exactJig(t, 33)}, 3, func(e measure.Event) {
		if e.Seconds < 2.95 {
			return
		}
		if e.State != measure.Steady || len(e.Record.Curve.Points) != len(swept.Points) {
			t.Fatalf("%v, %d of %d points", e.State, len(e.Curve.Hz), len(swept.Points))
		}
		for i, p := range e.Record.Curve.Points {
			q := swept.Points[i]
			if d := p.Z - q.Z; cmplx.Abs(d) > 5*math.Sqrt(p.Noise.Add(q.Noise).Along(d)) {
				t.Errorf("%.4g Hz: %.5g ohm live, %.5g swept", p.Hz, p.Z, q.Z)
			}
		}
	})
}

// On a jig that was calibrated with a chirp it is inside what it states of the
// load, with the lowest held.
func TestLiveOnACalibratedJig(t *testing.T) {
	plainOnly(t)
	sweepSignal := chirp(t, signal.ChirpOptions{PeriodSeconds: 2})
	b := idealBench(nil, -95, 9)
	b.SenseOhm, b.Inputs[1].Gain, b.LeadOhm = 33.2, 0.98, 0.07
	b.Inputs[0].LowpassHz, b.Inputs[1].LoadOhm = []float64{60e3}, 20e3
	b.Inputs[0].CouplingHz, b.Source.CouplingHz = 1.2, 1.5
	c := jig.Calibration{Options: jig.Options{Name: "test", SenseOhm: 33, Tolerance: 0.01, Mismatch: 0.05}}
	for k, e := range map[jig.Kind]netlist.Element{jig.Open: netlist.Open(), jig.Short: netlist.Wire, jig.Known: netlist.Resistor(22)} {
		b.Load = plugged(e)
		var err error
		if c, err = measure.Calibrate(t.Context(), measure.Setup{Card: b, Signal: sweepSignal, Now: time.Unix(1.8e9, 0)}, c, k, jig.Resistor{Ohm: 22, Tolerance: 1e-3}); err != nil {
			t.Fatal(err)
		}
	}
	j, err := c.Jig()
	if err != nil {
		t.Fatal(err)
	}
	b.Load = plugged(loads[1].load)
	var last measure.Event
	watch(t, measure.Setup{Card: bench.NewSeries(b), Jig: j}, 3, func(e measure.Event) { last = e })
	if last.State != measure.Steady {
		t.Fatalf("%v %+v", last.State, last.Fault)
	}
	// The leads are the jig's, since the standards were measured in the load's place.
	if worst := off(last, b.Impedance); worst > 5.5 {
		t.Errorf("%.1f standard uncertainties off the load", worst)
	}
	if last.Held == nil || last.Lowest == nil || last.Held.Ohm > last.Lowest.Ohm {
		t.Errorf("lowest %v, held %v", last.Lowest, last.Held)
	}
	if len(last.Warnings) != 0 {
		t.Errorf("warnings %v", last.Warnings)
	}
}

// The keys that programs read.
func TestLiveEventKeys(t *testing.T) {
	var last measure.Event
	b := idealBench(loads[1].load, -90, 1)
	watch(t, measure.Setup{Card: bench.NewSeries(b), Jig: exactJig(t, 33)}, 2.5, func(e measure.Event) { last = e })
	data, err := json.Marshal(last)
	if err != nil {
		t.Fatal(err)
	}
	var keys map[string]any
	if err := json.Unmarshal(data, &keys); err != nil {
		t.Fatal(err)
	}
	for _, k := range []string{"number", "seconds", "state", "restless", "fault", "inputs", "noise_rms", "curve", "lowest", "held", "opened", "late_blocks", "warnings"} {
		if _, ok := keys[k]; !ok {
			t.Errorf("no key %q", k)
		}
	}
	if keys["state"] != "steady" || keys["fault"] != nil || len(keys["warnings"].([]any)) != 0 {
		t.Errorf("state %v, fault %v, warnings %v", keys["state"], keys["fault"], keys["warnings"])
	}
	curve := keys["curve"].(map[string]any)
	for _, k := range []string{"frequency_hz", "resistance_ohm", "reactance_ohm", "u_modulus_ohm"} {
		if n := len(curve[k].([]any)); n != len(last.Record.Curve.Points) {
			t.Errorf("%s: %d values", k, n)
		}
	}
}
