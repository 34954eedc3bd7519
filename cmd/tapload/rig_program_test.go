//go:build linux

package main

import (
	"bufio"
	"encoding/json"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapload/measure"
	"tapload/measure/card/portaudio/rig"
)

// A file through a real sound server: the cautions come once, and the curve is
// that of the simulated circuit.
func TestCardProgram(t *testing.T) {
	circuit := rigLoad.Circuit(48000)
	r := rig.Start(t, rig.Options{Chains: circuit.Chains()})
	cmd := program(t, r, "sweep", "--card", r.Card(), "--signal", "tune.wav", "--low", "100", "--amplifier-connected", "-o", "x.sweep.json")
	tune := exec.CommandContext(t.Context(), "tapload", "stimulus", "-o", "tune.wav", "--period", "1", "--low", "20")
	tune.Dir = cmd.Dir
	if got := finish(t, tune); got.code != exitDone {
		t.Fatal(got.stderr)
	}
	got := finish(t, cmd)
	if got.code != exitDone {
		t.Fatalf("exit code %d: %s", got.code, got.stderr)
	}
	said := strings.Join(strings.Fields(got.stderr), " ")
	if n := strings.Count(said, connectedCaution); n != 1 || strings.Contains(said, caution) {
		t.Errorf("the cautions were given %d times: %q", n, got.stderr)
	}
	rec, err := readRecord(filepath.Join(cmd.Dir, "x.sweep.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range rec.Curve.Points {
		want := circuit.Truth(p.Hz)
		if e := cmplx.Abs(p.Z-want) / cmplx.Abs(want); e > 0.01 {
			t.Errorf("at %.4g Hz Z is %v, want %v: %.2g %% off", p.Hz, p.Z, want, 100*e)
		}
	}

	// Nothing plays: no record.
	silent := program(t, r, "sweep", "--card", r.Card(), "--signal", "listen", "--seconds", "3", "--low", "100", "--amplifier-connected", "-o", "x.sweep.json")
	if got := finish(t, silent); got.code != exitError || !strings.Contains(got.stderr, "hearing: ") {
		t.Errorf("exit code %d: %s", got.code, got.stderr)
	}
	if _, err := os.Stat(filepath.Join(silent.Dir, "x.sweep.json")); err == nil {
		t.Error("a record was left behind")
	}
}

// A live view through a real sound server: the curve is that of the simulated
// circuit within what it states, and Ctrl-C ends it well.
func TestCardLive(t *testing.T) {
	circuit := rigLoad.Circuit(48000)
	r := rig.Start(t, rig.Options{Chains: circuit.Chains(), RealTime: true})
	cmd := program(t, r, "live", "--card", r.Card(), "--json")
	var stderr strings.Builder
	cmd.Stderr = &stderr
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	steady := 0
	lines := bufio.NewScanner(stdout)
	for lines.Buffer(nil, 1<<20); lines.Scan(); {
		var e struct {
			State string             `json:"state"`
			Curve *measure.LiveCurve `json:"curve"`
		}
		if err := json.Unmarshal(lines.Bytes(), &e); err != nil {
			t.Fatalf("%v: %s", err, lines.Text())
		}
		if e.State != measure.Steady.String() {
			if time.Since(began) > 20*time.Second {
				t.Fatalf("not steady after 20 s: %s", lines.Text())
			}
			continue
		}
		for i, hz := range e.Curve.Hz {
			z, want := complex(e.Curve.Resistance[i], e.Curve.Reactance[i]), circuit.Truth(hz)
			if d := cmplx.Abs(z - want); d > 3*e.Curve.Uncertainty[i]+1e-3*cmplx.Abs(want) {
				t.Fatalf("at %.4g Hz Z is %v, want %v", hz, z, want)
			}
		}
		if steady++; steady == 5 {
			if err := cmd.Process.Signal(os.Interrupt); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := cmd.Wait(); err != nil || steady < 5 {
		t.Errorf("%d steady events, then %v: %s", steady, err, stderr.String())
	}
	if !strings.Contains(stderr.String(), caution) {
		t.Errorf("no caution: %s", stderr.String())
	}
}
