package measure_test

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/signal"
)

func check(t testing.TB, b *bench.Bench, s measure.CheckSetup) measure.Checked {
	t.Helper()
	s.Card = bench.NewSeries(b)
	if s.Jig.SenseOhm == 0 {
		s.Jig = statedJig(t, b.SenseOhm, 0.05)
	}
	c, err := measure.Check(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// statedJig is a jig that nothing has calibrated, of a sense resistor of 1 %.
func statedJig(t testing.TB, ohm, mismatch float64) jig.Jig {
	t.Helper()
	j, err := jig.Uncalibrated(jig.Options{Name: "test", SenseOhm: ohm, Tolerance: 0.01, Mismatch: mismatch})
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func problems(c measure.Checked) (codes []string) {
	for _, f := range c.Findings {
		if f.Severity == measure.Problem {
			codes = append(codes, f.Code)
		}
	}
	return codes
}

// usualBench is an ordinary card of 16 bits with all that is allowed to be
// wrong with one, drawn from the seed, and a load from 2 to 300 ohm.
func usualBench(seed uint64) *bench.Bench {
	g := rand.New(rand.NewPCG(seed, 1))
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*g.Float64() }
	l := loads[g.IntN(len(loads))].load
	b := idealBench(l, between(-100, -60), seed)
	b.SenseOhm = []float64{10, 22, 33}[g.IntN(3)]
	if l == netlist.Element(netlist.Resistor(300)) {
		b.SenseOhm = 33
	}
	b.Bits = []int{16, 24}[g.IntN(2)]
	b.Latency, b.LeadOut = between(0, 0.7), between(0.1, 0.4)
	b.LeadOhm = between(0, 0.05)
	b.Source.Ohm = between(0, 50)
	b.Source.Level = between(0.5, 1.3)
	if g.IntN(2) == 0 {
		b.Source.CouplingHz = between(1, 6)
	}
	b.Crosstalk = bench.DB(between(-100, -60))
	b.ClockError = between(-40e-6, 40e-6)
	b.HumHz, b.HumHarmonics = []float64{50, 60}[g.IntN(2)]*between(0.999, 1.001), []float64{0.2, 0.4, 0.1}
	for i := range b.Inputs {
		in := &b.Inputs[i]
		in.Gain = between(0.96, 1.04)
		in.LowpassHz = []float64{between(60e3, 150e3)}
		in.CouplingHz = between(1, 3)
		in.LoadOhm = between(10e3, 50e3)
		in.Hum = bench.DB(between(-90, -50))
		in.Offset = between(-0.03, 0.03)
	}
	return b
}

// alterationCodes are the findings of what a desktop does, warnings or not.
var alterationCodes = []string{card.Mixed, card.Resampled, card.EchoCancel, card.AutomaticGain.String()}

// faultsOnGoodCards counts what check and a sweep find wrong with cards that
// are not.
func faultsOnGoodCards(tb testing.TB, from, to uint64) (checks, sweeps int) {
	sig := chirp(tb, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40})
	for seed := from; seed < to; seed++ {
		b := usualBench(seed)
		altered := func(f measure.Finding) bool { return slices.Contains(alterationCodes, f.Code) }
		if c := check(tb, b, measure.CheckSetup{}); !c.Pass() || !(c.Level > 0.05) || slices.ContainsFunc(c.Findings, altered) {
			checks++
			tb.Logf("seed %d: check says %+v, level %.3f", seed, c.Findings, c.Level)
		}
		rec, err := measure.Run(context.Background(), measure.Setup{Card: b, Signal: sig, Jig: exactJig(tb, b.SenseOhm)})
		if err != nil || warned(rec.Warnings, card.Resampled) {
			sweeps++
			tb.Logf("seed %d: sweep says %v, %v", seed, err, rec.Warnings)
		}
	}
	return checks, sweeps
}

// No good card is found at fault, in check or in a sweep, over noise from -60 to
// -100 dB, loads from 2 to 300 ohm and all that usual cards have. The benchmark
// does the same over 200 seeds.
func TestNoFaultOnAGoodCard(t *testing.T) {
	seeds := uint64(4)
	if testing.Short() {
		seeds = 1
	}
	if checks, sweeps := faultsOnGoodCards(t, 0, seeds); checks+sweeps > 0 {
		t.Errorf("%d checks and %d sweeps of %d found a fault", checks, sweeps, seeds)
	}
}

func BenchmarkNoFaultOnAGoodCard(b *testing.B) {
	for b.Loop() {
		checks, sweeps := faultsOnGoodCards(b, 0, 200)
		b.ReportMetric(float64(checks), "false-checks/200")
		b.ReportMetric(float64(sweeps), "false-sweeps/200")
	}
}

// Every fault of a card, a jig or a load is named, by check and by a sweep: as
// a fault, or as a warning that rides in the record.
func TestEveryFaultIsNamed(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40, Peak: 0.4})
	for _, tc := range []struct {
		name         string
		change       func(*bench.Bench)
		check, sweep string
		warns        bool // the sweep goes on
	}{
		{"swapped inputs", func(b *bench.Bench) { b.Swapped = true }, "swapped", "swapped", false},
		{"first input dead", func(b *bench.Bench) { b.Inputs[0].Unplugged, b.Crosstalk = true, 0 }, "dead-input", "dead-input", false},
		{"first input dead, crosstalk", func(b *bench.Bench) { b.Inputs[0].Unplugged = true }, "dead-input", "dead-input", false},
		{"second input dead", func(b *bench.Bench) { b.Inputs[1].Unplugged, b.Crosstalk = true, 0 }, "dead-input", "dead-input", false},
		{"mono card", func(b *bench.Bench) { b.Mono = true }, "same-signal", "same-signal", false},
		{"first input inverted", func(b *bench.Bench) { b.Inputs[0].Inverted = true }, "inverted", "inverted", false},
		{"second input inverted", func(b *bench.Bench) { b.Inputs[1].Inverted = true }, "inverted", "inverted", false},
		{"clipped", func(b *bench.Bench) { b.Inputs[0].Clip = 0.08 }, "clipped", "clipped", false},
		{"too quiet", func(b *bench.Bench) { b.Source.Level = 0.006 }, "low-level", "low-level", true},
		{"hum", func(b *bench.Bench) { b.HumHz, b.Inputs[0].Hum, b.Inputs[1].Hum = 50, 0.05, 0.03 }, "hum", "hum", true},
		{"loud hum", func(b *bench.Bench) { b.HumHz, b.Inputs[0].Hum = 60, 0.2 }, "hum", "hum", true},
		{"automatic gain", func(b *bench.Bench) { b.Gain = bench.GainControl{Level: 0.1, Seconds: 0.5} }, "automatic-gain", "automatic-gain", false},
		{"leveller ahead of the output", func(b *bench.Bench) { b.Source.Leveller = bench.GainControl{Level: 0.1, Seconds: 0.5} }, "automatic-gain", "automatic-gain", false},
		{"inputs that run at 44.1 kHz", func(b *bench.Bench) { b.RecordsAtHz = 44100 }, "wrong-rate", "wrong-rate", false},
		{"inputs that run at 96 kHz", func(b *bench.Bench) { b.RecordsAtHz = 96000 }, "wrong-rate", "wrong-rate", false},
		{"open load", func(b *bench.Bench) { b.Load[0].Element = netlist.Open() }, "open-load", "open-load", false},
		{"shorted load", func(b *bench.Bench) { b.Load[0].Element = netlist.Wire }, "shorted-load", "shorted-load", false},
		{"lost samples", func(b *bench.Bench) { b.Dropouts = []bench.Dropout{{At: 1.0, Samples: 96, Kind: bench.Lost}} }, "dropout", "dropout", false},
		{"lost blocks", func(b *bench.Bench) { b.Flags = []bench.Flag{{Lapse: card.InputOverflow, Blocks: 2}} }, "lost-blocks", "lost-blocks", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			b := idealBench(loads[1].load, -88, 1)
			b.SenseOhm, b.Bits, b.Crosstalk, b.LeadOhm, b.Latency, b.LeadOut = 10, 16, 1e-3, 0.01, 0.3, 0.3
			b.Source.Ohm, b.Inputs[1].Gain, b.Inputs[0].LoadOhm, b.Inputs[1].LoadOhm = 22, 1.0005, 10e3, 10e3
			tc.change(b)
			c := check(t, b, measure.CheckSetup{})
			found := slices.ContainsFunc(c.Findings, func(f measure.Finding) bool { return f.Code == tc.check && f.Text != "" && f.Advice != "" })
			if !found || (!tc.warns && c.Pass()) {
				t.Errorf("check says %+v, want %s", c.Findings, tc.check)
			}
			if got := problems(c); len(got) > 0 && (got[0] != tc.check || len(got) > 1 || c.Level != 0) {
				t.Errorf("check finds %v at level %g, want %s alone and no level", got, c.Level, tc.check)
			}
			rec, err := measure.Run(context.Background(), measure.Setup{Card: b, Signal: sig, Jig: exactJig(t, 10)})
			var fault *card.Fault
			switch {
			case tc.warns:
				if err != nil || !warned(rec.Warnings, tc.sweep) {
					t.Errorf("sweep says %v, %v, want a warning %s", err, rec.Warnings, tc.sweep)
				}
			case !errors.As(err, &fault) || fault.Cause.String() != tc.sweep:
				t.Errorf("sweep says %v, want %s", err, tc.sweep)
			case len(rec.Curve.Points) > 0:
				t.Error("a record came with the fault")
			}
		})
	}
}

// A sense resistor of another value shows when a known one is measured, and
// only then.
func TestSenseResistorOfAnotherValue(t *testing.T) {
	for _, tc := range []struct {
		sense  float64 // true; 10 ohm is stated
		load   netlist.Element
		known  float64
		expect []string
	}{
		{10.05, netlist.Resistor(8.2), 8.2, nil},
		{22, netlist.Resistor(8.2), 8.2, []string{"sense-resistor"}},
		{8.2, netlist.Resistor(8.2), 8.2, []string{"sense-resistor"}},
		{22, netlist.Resistor(8.2), 0, nil},
		{10, loads[1].load, 8, []string{"not-a-resistor"}},
	} {
		b := idealBench(tc.load, -90, 1)
		b.SenseOhm = tc.sense
		c := check(t, b, measure.CheckSetup{
			Jig:   statedJig(t, 10, 0.04),
			Known: jig.Resistor{Ohm: tc.known, Tolerance: 0.01},
		})
		if got := problems(c); !slices.Equal(got, tc.expect) {
			t.Errorf("%g ohm, stated 10, known %g: found %v, want %v", tc.sense, tc.known, c.Findings, tc.expect)
		}
	}
}

// The proposed level leaves the inputs 6 dB and the load 1 V, by the divider.
func TestProposedLevel(t *testing.T) {
	b := idealBench(netlist.Resistor(30), -95, 1)
	b.SenseOhm, b.Source.Level = 10, 2
	c := check(t, b, measure.CheckSetup{})
	if math.Abs(c.Level-0.25) > 0.005 { // 2 V at full scale, 0.5 V wanted
		t.Errorf("level %.4f, want 0.25", c.Level)
	}
	// With 8 V at full scale, input 2 hears 3/4 of V1: 8 V 2 (3/4) level = sqrt 2 V.
	c = check(t, b, measure.CheckSetup{FullScaleVolt: 8})
	if want := math.Sqrt2 / 12; math.Abs(c.Level-want) > 0.02*want {
		t.Errorf("level %.4f, want %.4f", c.Level, want)
	}
	if slices.ContainsFunc(c.Findings, func(f measure.Finding) bool { return f.Code == "volts-unknown" }) {
		t.Error("the volts are said to be unknown though they were given")
	}
}

// What silence shows: the noise without the hum, and the hum.
func TestSilence(t *testing.T) {
	for _, hz := range []float64{50, 60, 49.9, 60.06} {
		b := idealBench(netlist.Resistor(8), -80, 4)
		b.HumHz, b.HumHarmonics = hz, []float64{0, 0.3}
		b.Inputs[0].Hum, b.Inputs[1].Hum = 2e-3, 4e-3
		b.Inputs[1].Noise = 3e-4
		c := check(t, b, measure.CheckSetup{})
		if math.Abs(c.HumHz-hz) > 0.05 || math.Abs(c.Hum/4e-3-1) > 0.05 {
			t.Errorf("hum of %.2f Hz and %.2e, want %.2f Hz and 4e-3", c.HumHz, c.Hum, hz)
		}
		if math.Abs(c.Noise[0]/1e-4-1) > 0.1 || math.Abs(c.Noise[1]/3e-4-1) > 0.1 {
			t.Errorf("hum of %g Hz: noise %.2e, want 1e-4 and 3e-4", hz, c.Noise)
		}
	}
	c := check(t, idealBench(netlist.Resistor(8), -80, 4), measure.CheckSetup{})
	if c.HumHz != 0 || len(c.Findings) != 1 || c.Findings[0].Severity != measure.Remark {
		t.Errorf("without hum: %.2f Hz, findings %v", c.HumHz, c.Findings)
	}
}

// A card that cannot be used at all is an error, not a finding.
func TestCheckWithoutACard(t *testing.T) {
	b := idealBench(netlist.Resistor(8), -80, 4)
	b.Absent = true
	_, err := measure.Check(context.Background(), measure.CheckSetup{Card: b, Jig: statedJig(t, 10, 0.01)})
	var fault *card.Fault
	if !errors.As(err, &fault) || fault.Cause != card.Absent {
		t.Errorf("got %v, want an absent card", err)
	}
}
