//go:build linux

package main

import (
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

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
	if n := strings.Count(got.stderr, connectedCaution); n != 1 || strings.Contains(got.stderr, caution) {
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
