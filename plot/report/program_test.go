package report

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/signal"
)

// A program of 60 lines does a job without any command: it imports neither them
// nor the library that they are made with.
func TestAProgramWithoutCommands(t *testing.T) {
	const program = "./testdata/bench-program"
	source, err := os.ReadFile(filepath.Join(program, "main.go"))
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(source, []byte("\n")); n > 60 {
		t.Errorf("the program has %d lines", n)
	}
	deps, err := exec.Command("go", "list", "-deps", program).Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	for dep := range strings.Lines(string(deps)) {
		if strings.HasPrefix(dep, "tapload/cmd") || strings.Contains(dep, "cobra") || strings.Contains(dep, "pflag") {
			t.Errorf("the program needs %s", dep)
		}
	}

	folder := t.TempDir()
	cabinet := func(fs float64) netlist.Element {
		return netlist.Driver{Re: 6.4, Coil: netlist.Coil{K: 0.02, N: 0.7}, Resonances: []netlist.Resonance{{Hz: fs, Qm: 5, Res: 40}}}
	}
	a, b := cabinet(90), cabinet(110)
	for name, load := range map[string]netlist.Element{"a.json": a, "b.json": b, "box.json": netlist.Series{a, b}} {
		swept(t, filepath.Join(folder, name), load)
	}
	exe := filepath.Join(folder, "bench-program")
	if out, err := exec.Command("go", "build", "-ldflags=-s -w", "-o", exe, program).CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	run := exec.Command(exe)
	run.Dir = folder
	screen, err := run.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, screen)
	}
	for name, want := range map[string]string{
		"a": "a: rated 8 ohm", "b": "b: rated 8 ohm", "plan": "2 hookups of 2 loads; ", "proof": "Right: two cabinets in series",
	} {
		page, err := os.ReadFile(filepath.Join(folder, name+".html"))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(strings.ReplaceAll(string(page), noBreak, " "), want) || !strings.Contains(string(screen), want) {
			t.Errorf("page or screen of %s do not say %q:\n%s", name, want, screen)
		}
	}
}

// swept writes the record of a load on the virtual bench.
func swept(t *testing.T, path string, load netlist.Element) {
	t.Helper()
	c, err := signal.NewChirp(signal.ChirpOptions{LowHz: 20, PeriodSeconds: 1})
	if err != nil {
		t.Fatal(err)
	}
	j, err := jig.Uncalibrated(jig.Options{Name: "test", SenseOhm: 10})
	if err != nil {
		t.Fatal(err)
	}
	quiet := bench.Input{Gain: 1, LoadOhm: 1e6, Noise: bench.DB(-100)}
	card := &bench.Bench{
		Name: "a good card", Seed: uint64(len(path)), SenseOhm: 10, Inputs: [2]bench.Input{quiet, quiet}, Latency: 0.05, LeadOut: 0.1,
		Load: []netlist.Branch{{Name: "load", From: bench.In, To: bench.Ground, Element: load}},
	}
	rec, err := measure.Run(context.Background(), measure.Setup{Card: card, Signal: c, Jig: j, Label: strings.TrimSuffix(filepath.Base(path), ".json"), Now: time.Unix(1.8e9, 0)})
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if err := rec.Write(file); err != nil {
		t.Fatal(err)
	}
}
