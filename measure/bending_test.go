package measure_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

// cubed is a card whose inputs bend: a third harmonic of the given part of a tone
// of the given peak, with what a cube does to the tone itself.
type cubed struct {
	card.Card
	part [2]float64
	peak float64
}

func (c cubed) Play(ctx context.Context, out card.Output) (card.Recording, error) {
	rec, err := c.Card.Play(ctx, out)
	for ch, x := range [2][]float64{rec.V1, rec.V2} {
		for i, v := range x {
			x[i] += 4 * c.part[ch] * v * v * v / (c.peak * c.peak)
		}
	}
	return rec, err
}

func codes(w []impedance.Warning) (all []string) {
	for _, x := range w {
		all = append(all, x.Code)
	}
	return all
}

// The standards of a calibration do not bend: what bends is an input.
func TestStandardsTellThatAnInputBends(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 1.2, LowHz: 40})
	b := idealBench(netlist.Resistor(10), -90, 0)
	for _, part := range []float64{0, 1e-3} {
		c := jig.Calibration{Options: jig.Options{Name: "test", SenseOhm: 33, Tolerance: 0.01}}
		c, err := measure.Calibrate(t.Context(), measure.Setup{Card: cubed{b, [2]float64{0, part}, 0.25}, Signal: sig}, c, jig.Known, jig.Resistor{Ohm: 10, Tolerance: 0.001})
		if err != nil {
			t.Fatal(err)
		}
		said := c.Standards[jig.Known].Warnings
		if slices.Contains(codes(said), "bending") != (part > 0) || part > 0 && !strings.Contains(said[0].Text, "an input bends") {
			t.Errorf("part %g: said %v", part, said)
		}
	}
}

// A driver that bends is said to, in the record, and does not where it is played
// quietly.
func TestMotorIsSaidToBend(t *testing.T) {
	b, err := bench.Load("../testdata/bench/bent-driver.toml")
	if err != nil {
		t.Fatal(err)
	}
	j, err := jig.Uncalibrated(jig.Options{SenseOhm: b.SenseOhm, Tolerance: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 2.7, LowHz: 20})
	for _, tc := range []struct {
		volt  float64
		bends bool
	}{{0.2, false}, {10, true}} {
		quieter := *b
		quieter.Source.Level = tc.volt
		for i := range quieter.Inputs {
			quieter.Inputs[i].Gain = 1 / tc.volt
		}
		r, err := measure.Run(t.Context(), measure.Setup{Card: &quieter, Signal: sig, Jig: j})
		if err != nil {
			t.Fatal(err)
		}
		if got := slices.Contains(codes(r.Warnings), "bending"); got != tc.bends {
			t.Errorf("%g V: warnings %v", tc.volt, codes(r.Warnings))
		}
	}
}
