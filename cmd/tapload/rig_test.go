//go:build linux

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"tapload/measure/card/portaudio/rig"
)

// The load on the simulated card: invented.
var rigLoad = rig.Load{SourceOhm: 5, SenseOhm: 10, ReOhm: 6.4, LeH: 0.6e-3, FsHz: 92, ResOhm: 58, Qms: 5.5}

// quick are the signal flags of a short chirp: 2.9 s in all.
var quick = []string{"--low", "20", "--period", "1"}

// command prepares the program as a separate process in an empty folder.
func program(t *testing.T, r *rig.Rig, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "tapload", args...)
	cmd.Dir = t.TempDir()
	cmd.Env = append(append(os.Environ(), "TAPLOAD_CONFIG="+t.TempDir()), r.Env()...)
	return cmd
}

// startUntil starts cmd, waits for a line of its standard error, and returns what
// follows it.
func startUntil(t *testing.T, cmd *exec.Cmd, heard func(line string) bool) io.Reader {
	t.Helper()
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	reader := bufio.NewReader(stderr)
	for {
		line, err := reader.ReadString('\n')
		if err != nil {
			t.Fatalf("it ended before it played: %v", errors.Join(err, cmd.Wait()))
		}
		if heard(line) {
			return reader
		}
	}
}

func finish(t *testing.T, cmd *exec.Cmd) outcome {
	t.Helper()
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	err := cmd.Run()
	return outcome{exitCode(t, err), stdout.String(), foldedLine.ReplaceAllString(stderr.String(), " ")}
}

func exitCode(t *testing.T, err error) int {
	t.Helper()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	if exit != nil {
		return exit.ExitCode()
	}
	return 0
}

func sweepArgs(r *rig.Rig, more ...string) []string {
	return slices.Concat([]string{"sweep", "--card", r.Card(), "-o", "x.sweep.json"}, quick, more)
}

// TestCardSweep measures the load behind the sound server and holds the curve
// against the closed form of the simulated circuit.
func TestCardSweep(t *testing.T) {
	circuit := rigLoad.Circuit(48000)
	r := rig.Start(t, rig.Options{Chains: circuit.Chains()})
	cmd := program(t, r, sweepArgs(r, "--keep", "rec.wav", "--label", "rig")...)
	got := finish(t, cmd)
	if got.code != exitDone {
		t.Fatalf("exit code %d: %s", got.code, got.stderr)
	}
	if n := strings.Count(got.stderr, caution); n != 1 {
		t.Errorf("the caution was given %d times: %q", n, got.stderr)
	}
	if !strings.Contains(got.stderr, "playing: ") {
		t.Errorf("no progress: %q", got.stderr)
	}
	rec, err := readRecord(filepath.Join(cmd.Dir, "x.sweep.json"))
	if err != nil {
		t.Fatal(err)
	}
	if rec.Label != "rig" || len(rec.Curve.Points) < 300 {
		t.Errorf("record %q has %d points", rec.Label, len(rec.Curve.Points))
	}
	for _, p := range rec.Curve.Points {
		want := circuit.Truth(p.Hz)
		// The rig rounds to float32, 150 dB below full scale; what is left is
		// the bias that the smoothing may have.
		if e := cmplx.Abs(p.Z-want) / cmplx.Abs(want); e > 1e-3 {
			t.Errorf("at %.4g Hz Z is %v, want %v: %.2g %% off", p.Hz, p.Z, want, 100*e)
		}
	}

	// The kept recording gives the very same curve without the card.
	again := exec.Command("tapload", slices.Concat([]string{"sweep", "--replay", "rec.wav", "-o", "y.sweep.json"}, quick)...)
	again.Dir = cmd.Dir
	if got := finish(t, again); got.code != exitDone {
		t.Fatalf("replay: exit code %d: %s", got.code, got.stderr)
	}
	replayed, err := readRecord(filepath.Join(cmd.Dir, "y.sweep.json"))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(replayed.Curve.Points, rec.Curve.Points) {
		t.Error("the kept recording gives another curve than the card did")
	}
}

// TestCardFaults: each fault of a card is one sentence and leaves no record.
func TestCardFaults(t *testing.T) {
	plain := rigLoad.Circuit(48000).Chains()
	tests := []struct {
		name  string
		rig   rig.Options
		flags []string
		want  string // in the sentence
	}{
		{"lost block", rig.Options{Chains: plain, DropAt: 60000}, nil, "lost"},
		{"clipped", rig.Options{Chains: []rig.Chain{{rig.Section{B0: 6}}, {rig.Section{B0: 3}}}}, nil, "clip"},
		{"wrong rate", rig.Options{Chains: plain}, []string{"--rate", "44100"}, "does not run at 44100 Hz"},
		{"no such card", rig.Options{Chains: plain}, []string{"--card", "no such card"}, "no such card"},
		{"no such input", rig.Options{Chains: plain}, []string{"--channels", "3,4"}, "input 4"},
		{"dead inputs", rig.Options{Chains: []rig.Chain{{rig.Section{}}, {rig.Section{}}}}, nil, "never moves"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := rig.Start(t, tt.rig)
			cmd := program(t, r, sweepArgs(r, tt.flags...)...)
			got := finish(t, cmd)
			sentence := lastSentence(got.stderr)
			if got.code != exitError || !strings.Contains(sentence, tt.want) || got.stdout != "" {
				t.Errorf("exit code %d, stdout %q, stderr %q; want %d and a sentence with %q", got.code, got.stdout, got.stderr, exitError, tt.want)
			}
			if left := names(t, cmd.Dir); len(left) > 0 {
				t.Errorf("it left %v", left)
			}
		})
	}
}

// lastSentence returns the error that a program ended with.
func lastSentence(stderr string) string {
	_, s, _ := strings.Cut(foldedLine.ReplaceAllString(stderr, " "), "tapload: ")
	return s
}

// TestCardKeepsFaultyRecording: a recording that cannot be used is kept to
// look at, and the sentence says where.
func TestCardKeepsFaultyRecording(t *testing.T) {
	r := rig.Start(t, rig.Options{Chains: rigLoad.Circuit(48000).Chains(), DropAt: 60000})
	cmd := program(t, r, sweepArgs(r, "--keep", "rec.wav")...)
	got := finish(t, cmd)
	if got.code != exitError || !strings.Contains(got.stderr, "rec.wav") {
		t.Errorf("exit code %d, stderr %q", got.code, got.stderr)
	}
	if left := names(t, cmd.Dir); !slices.Equal(left, []string{"rec.wav"}) {
		t.Errorf("it left %v", left)
	}
}

// TestCardStopsMidSweep: what ends a sweep while sound plays.
func TestCardStopsMidSweep(t *testing.T) {
	tests := []struct {
		name string
		stop func(*rig.Rig, *os.Process) error
		want string
	}{
		{"ctrl-c", func(_ *rig.Rig, p *os.Process) error { return p.Signal(os.Interrupt) }, "stopped before the end"},
		{"terminated", func(_ *rig.Rig, p *os.Process) error { return p.Signal(syscall.SIGTERM) }, "stopped before the end"},
		{"server dies", func(r *rig.Rig, _ *os.Process) error { r.KillServer(); return nil }, "has not answered"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			const tries = 3
			for i := 1; stopMidSweep(t, tt.stop, tt.want); i++ {
				if i == tries {
					t.Fatalf("the sound server ran in none of %d tries", tries)
				}
				t.Log("the machine was too busy for the sound server, again")
			}
		})
	}
}

// stopMidSweep stops a sweep once it says what it hears, and wants that said. It
// reports whether the sound server never ran before, for want of a processor.
func stopMidSweep(t *testing.T, stop func(*rig.Rig, *os.Process) error, want string) (starved bool) {
	r := rig.Start(t, rig.Options{Chains: rigLoad.Circuit(48000).Chains(), RealTime: true})
	defer r.Stop()
	// Three quarters of it are to come when it says what it hears.
	cmd := program(t, r, "sweep", "--card", r.Card(), "-o", "x.sweep.json", "--period", "4")
	stderr := bufio.NewReader(startUntil(t, cmd, func(line string) bool { return strings.HasPrefix(line, "playing:") }))
	said, err := stderr.ReadString('\n')
	if err == nil && strings.HasPrefix(said, "playing:") {
		if err := stop(r, cmd.Process); err != nil {
			t.Fatal(err)
		}
	}
	rest, err := io.ReadAll(stderr)
	if err != nil {
		t.Fatal(err)
	}
	rest = append([]byte(said), rest...)
	code := exitCode(t, cmd.Wait())
	sentence := lastSentence(string(rest))
	if code == exitError && strings.Contains(sentence, "without losing sound") {
		return true
	}
	if code != exitError || !strings.Contains(sentence, want) {
		t.Errorf("exit code %d, stderr %q; want %d and a sentence with %q", code, rest, exitError, want)
	}
	if left := names(t, cmd.Dir); len(left) > 0 {
		t.Errorf("it left %v", left)
	}
	return false
}

// listedDevice is a device of "cards --json".
type listedDevice struct {
	API, Name, Card, For string
	Inputs, Outputs      int
	RateHz               float64 `json:"rate_hz"`
	Default              bool
}

func TestCardsLists(t *testing.T) {
	r := rig.Start(t, rig.Options{})
	got := finish(t, program(t, r, "cards"))
	if got.code != exitDone || strings.Count(got.stdout, "\nsimcard  ") != 1 || !strings.Contains(got.stdout, "48000 Hz  studio's sound server") {
		t.Errorf("exit code %d, stdout %q, stderr %q", got.code, got.stdout, got.stderr)
	}
	got = finish(t, program(t, r, "cards", "--json"))
	var list struct{ Cards []listedDevice }
	if err := json.Unmarshal([]byte(got.stdout), &list); err != nil {
		t.Fatalf("%v in %q", err, got.stdout)
	}
	want := listedDevice{API: rig.API, Name: "simcard", Inputs: 2, Outputs: 2, RateHz: 48000, Card: "simcard", For: "studio-server"}
	found := slices.IndexFunc(list.Cards, func(c listedDevice) bool { c.Default = false; return c == want })
	if found < 0 {
		t.Errorf("%+v is not among %+v", want, list.Cards)
	}
}
