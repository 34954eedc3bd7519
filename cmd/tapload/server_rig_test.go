//go:build linux

package main

import (
	"fmt"
	"math/cmplx"
	"path/filepath"
	"slices"
	"testing"

	"tapload/measure/card/portaudio/rig"
	"tapload/measure/impedance"
)

// flawedRig is rigLoad on a jig that is wrong by some percent everywhere until
// it is calibrated: invented.
var flawedRig = func() rig.Load {
	l := rigLoad
	l.LeadOhm, l.InputOhm, l.Gain2, l.Lag2 = 0.15, 10e3, 1.04, 2e-6
	return l
}()

// flawedKnown is the resistor that calibrates it, in ohm.
const flawedKnown = 10

// TestServerSweep calibrates the jig and measures the load behind each of the
// servers that Linux desktops have, and holds the curve against the closed form
// of the simulated circuit.
func TestServerSweep(t *testing.T) {
	for _, server := range []rig.Server{rig.PulseAudio, rig.PipeWire} {
		t.Run(server.String(), func(t *testing.T) {
			t.Parallel() // they play and record in real time
			r := rig.Start(t, rig.Options{Server: server})
			worst := worstPoint(t, calibratedSweep(t, r, flawedRig, 48000), flawedRig.Circuit(48000))
			t.Logf("%v: at worst %v", server, worst)
			if worst.off > 1e-3 {
				t.Errorf("%v", worst)
			}
		})
	}
}

// calibratedSweep has the program measure load and, before it, the standards on
// the same jig, in the order of the guide, while one server runs at rateHz.
func calibratedSweep(t *testing.T, r *rig.Rig, load rig.Load, rateHz int, flags ...string) impedance.Record {
	t.Helper()
	dir := t.TempDir()
	for _, step := range []struct {
		load rig.Load
		args []string
	}{
		{load.Open(), []string{"jig", "open", "-o", "jig.json"}},
		{load.Short(), []string{"jig", "short", "-o", "jig.json"}},
		{load.Known(flawedKnown), []string{"jig", "known", "-o", "jig.json", "--ohm", fmt.Sprint(flawedKnown), "--tolerance", "0.1%"}},
		{load, []string{"sweep", "--jig", "jig.json", "-o", "x.sweep.json"}},
	} {
		r.Connect(step.load.Circuit(rateHz).Chains())
		cmd := program(t, r, slices.Concat(step.args, []string{"--card", r.Card()}, quick, flags)...)
		cmd.Dir = dir
		if got := finish(t, cmd); got.code != exitDone {
			t.Fatalf("%v: exit code %d: %s", step.args, got.code, got.stderr)
		}
	}
	rec, err := readRecord(filepath.Join(dir, "x.sweep.json"))
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// offPoint is how far a point of a curve is from the truth.
type offPoint struct {
	hz        float64
	got, want complex128
	off       float64 // abs(got - want)/abs(want)
}

func (p offPoint) String() string {
	return fmt.Sprintf("%.2g %% off at %.4g Hz: %.6g, want %.6g", 100*p.off, p.hz, p.got, p.want)
}

// worstPoint returns the point from 20 Hz to 20 kHz that is furthest from what
// c is.
func worstPoint(t *testing.T, rec impedance.Record, c rig.Circuit) (worst offPoint) {
	t.Helper()
	points := 0
	for _, p := range rec.Curve.Points {
		if p.Hz < 20 || p.Hz > 20e3 {
			continue
		}
		points++
		want := c.Truth(p.Hz)
		if off := cmplx.Abs(p.Z-want) / cmplx.Abs(want); !(off <= worst.off) {
			worst = offPoint{p.Hz, p.Z, want, off}
		}
	}
	if points < 300 {
		t.Errorf("%d points from 20 Hz to 20 kHz", points)
	}
	return worst
}

// TestServerResamples: the server runs at another rate than the one that the
// program asks for, as PulseAudio does at 44.1 kHz unless told otherwise.
func TestServerResamples(t *testing.T) {
	for _, server := range []rig.Server{rig.PulseAudio, rig.PipeWire} {
		for _, rates := range []struct{ server, asked int }{{44100, 48000}, {48000, 44100}, {96000, 48000}} {
			t.Run(fmt.Sprintf("%v at %d Hz, asked for %d Hz", server, rates.server, rates.asked), func(t *testing.T) {
				r := rig.Start(t, rig.Options{Server: server, RateHz: rates.server})
				rec := calibratedSweep(t, r, flawedRig, rates.server, "--rate", fmt.Sprint(rates.asked))
				worst := worstPoint(t, rec, flawedRig.Circuit(rates.server))
				t.Logf("at worst %v", worst)
				t.Logf("%v", rec.Warnings)
			})
		}
	}
}
