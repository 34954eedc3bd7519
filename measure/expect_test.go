package measure_test

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/signal"
)

// A check passed a short and an open load, and proposed levels at which an input
// that clips below its full scale did. On usual cards with a load, nothing or a
// wire, inputs alike within 5 % and some that clip early, it is right of all
// three, told what to expect or not, and the sweep that follows does not clip;
// over 50 benches with TAPLOAD_SEEDS=all.
func TestCheckTellsWhatIsConnected(t *testing.T) {
	seeds := uint64(3)
	if os.Getenv("TAPLOAD_SEEDS") == "all" {
		seeds = 50
	}
	early, backed := 0, 0
	for seed := range seeds {
		g := rand.New(rand.NewPCG(seed, 21))
		b := usualBench(1000 + seed)
		for i := range b.Inputs {
			b.Inputs[i].Gain = 0.98 + 0.04*g.Float64()
			if g.IntN(2) == 0 {
				b.Inputs[i].Clip = 0.25 + 0.5*g.Float64()
			}
		}
		b.LeadOhm = 0.01 + 0.2*g.Float64()
		load := b.Load[0].Element
		is := measure.Expected(seed % 3)
		b.Load[0].Element = [...]netlist.Element{measure.ExpectLoad: load, measure.ExpectOpen: netlist.Open(), measure.ExpectShort: netlist.Wire}[is]
		says := is
		if g.IntN(3) == 0 {
			says = measure.Expected(g.IntN(3))
		}
		c := check(t, b, measure.CheckSetup{Expect: says})
		if c.Pass() != (is == says) || c.Looks == nil || !is.As(c.Looks.Kind) {
			t.Errorf("seed %d: with %v connected and %v expected the check finds %+v, which looks like %v", seed, is, says, c.Findings, c.Looks)
			continue
		}
		if !c.Pass() {
			if c.Level != 0 {
				t.Errorf("seed %d: a level after a fault", seed)
			}
			continue
		}
		if min(clip(b.Inputs[0]), clip(b.Inputs[1])) < 0.5 {
			early++
		}
		for _, f := range c.Findings {
			if f.Code == "clips" {
				backed++
			}
		}
		sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 1.1, LowHz: 20, Peak: math.Pow(10, c.LevelDB()/20)})
		_, _, err := measure.Ratio(context.Background(), measure.Setup{Card: b, Signal: sig})
		if f := new(card.Fault); errors.As(err, &f) && f.Cause == card.Clipped {
			t.Errorf("seed %d: a sweep at the proposed %.0f dB: %v", seed, c.LevelDB(), err)
		}
	}
	t.Logf("%d benches; %d that passed clip below half of full scale, %d levels were taken down", seeds, early, backed)
}

func clip(in bench.Input) float64 {
	if in.Clip == 0 {
		return 1
	}
	return in.Clip
}

// With what a jig file corrects, a load of many times the sense resistor is not
// an open end, as it may be without.
func TestCheckWithACalibratedJig(t *testing.T) {
	b := idealBench(netlist.Resistor(300), -90, 1)
	b.SenseOhm, b.Inputs[1].Gain = 10, 1.01
	open := *b
	open.Load = []netlist.Branch{{Name: "open", From: bench.In, To: bench.Ground, Element: netlist.Open()}}
	c, err := measure.Calibrate(context.Background(), measure.Setup{Card: &open, Signal: chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40})},
		jig.Calibration{Options: jig.Options{Name: "test", SenseOhm: 10, Tolerance: 0.01, Mismatch: 0.05}}, jig.Open, jig.Resistor{})
	if err != nil {
		t.Fatal(err)
	}
	j, err := c.Jig()
	if err != nil {
		t.Fatal(err)
	}
	if c := check(t, b, measure.CheckSetup{}); c.Pass() || c.Looks.Kind != jig.OpenEnd {
		t.Errorf("without a calibration: %+v, %v; an open end is as likely", c.Findings, c.Looks)
	}
	if c := check(t, b, measure.CheckSetup{Jig: j}); !c.Pass() || c.Looks.Kind != jig.ResistorEnd || math.Abs(c.Looks.Ohm-300) > 15 {
		t.Errorf("with a calibration: %+v, %v; want a resistor of 300 ohm", c.Findings, c.Looks)
	}
}

// A perfect short behind a jig whose short standard had leads came out below 0
// ohm, and was refused as inputs of opposite polarity. Told as what it is, it is a
// short to a check; inputs that are inverted are still told as that.
func TestLessThanTheShortStandard(t *testing.T) {
	at := func(lead float64, load netlist.Element, inverted bool) *bench.Bench {
		b := idealBench(load, -90, 1)
		b.LeadOhm, b.Inputs[0].Inverted = lead, inverted
		return b
	}
	c, err := measure.Calibrate(t.Context(), measure.Setup{Card: at(0.3, netlist.Wire, false), Signal: chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40})},
		jig.Calibration{Options: jig.Options{Name: "test", SenseOhm: 33, Tolerance: 0.01, Mismatch: 0.01}}, jig.Short, jig.Resistor{})
	if err != nil {
		t.Fatal(err)
	}
	j, err := c.Jig()
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name  string
		bench *bench.Bench
		cause card.Cause
		says  string
		short bool // to a check
		live  bool // that a live view is asked too
	}{
		{"a wire of 10 mohm", at(0.01, netlist.Wire, false), card.ShortedLoad, "has 0.29 ohm less than the short standard", true, true},
		{"a wire with shorter leads", at(0.1, netlist.Wire, false), card.ShortedLoad, "has 0.20 ohm less than the short standard", true, false},
		{"a wire, an input inverted", at(0.2, netlist.Wire, true), card.Inverted, "opposite polarity", false, true},
		{"a load, an input inverted", at(0, loads[1].load, true), card.Inverted, "opposite polarity", false, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := measure.Run(t.Context(), measure.Setup{Card: tc.bench, Signal: chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40}), Jig: j})
			var fault *card.Fault
			if !errors.As(err, &fault) || fault.Cause != tc.cause || !strings.Contains(fault.Text, tc.says) {
				t.Errorf("a sweep says %v, want the cause %v and %q", err, tc.cause, tc.says)
			}
			if c := check(t, tc.bench, measure.CheckSetup{Jig: j, Expect: measure.ExpectShort}); c.Pass() != tc.short {
				t.Errorf("a check that expects a short: %+v", c.Findings)
			}
			if underRace || !tc.live {
				return // plainOnly says why
			}
			named := 0
			watch(t, measure.Setup{Card: bench.NewSeries(tc.bench), Jig: j}, 2, func(e measure.Event) {
				if e.State == measure.Steady || e.State == measure.Faulty && e.Fault.Code != tc.cause.String() {
					t.Errorf("a live view at %.1f s: %v, %+v", e.Seconds, e.State, e.Fault)
				}
				if e.State == measure.Faulty {
					named++
				}
			})
			if named == 0 {
				t.Error("a live view never names it")
			}
		})
	}
}
