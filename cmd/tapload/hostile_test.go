package main

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"

	"tapload/fixtures/netlist"
	"tapload/fixtures/setup"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/infile/hostile"
	"tapload/measure/oneline"
	"tapload/measure/record"
)

// smallRecord is of an invented cabinet, with as few points as a fit takes.
func smallRecord(t testing.TB, label string, hz float64) string {
	d := netlist.Driver{Re: 6.4, Coil: netlist.Coil{K: 0.0125, N: 0.7}, Resonances: []netlist.Resonance{{Hz: hz, Qm: 5, Res: 45}}}
	r := record.Record{Label: label, Taken: time.Unix(0, 0).UTC(), SenseOhm: 10}
	shared := impedance.Source{ID: "sense-resistor:invented"}
	for k := range 80 {
		at := 10 * math.Pow(2000, float64(k)/79)
		z := d.Impedance(at)
		r.Curve.Points = append(r.Curve.Points, impedance.Point{Hz: at, Z: z, Noise: impedance.Circular(1e-6)})
		shared.DZ = append(shared.DZ, 0.001*z)
	}
	r.Curve.Shared = []impedance.Source{shared}
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// A command that meets a bad file says so in a sentence, exits with an error and
// leaves all files as they were.
func TestMalformedFiles(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	left, right, both := smallRecord(t, "left", 80), smallRecord(t, "right", 95), smallRecord(t, "both", 88)
	writeText(t, "left.sweep.json", left)
	writeText(t, "right.sweep.json", right)
	writeText(t, "both.sweep.json", both)
	tapload := func(args ...string) (code int, out, log string) {
		var stdout, stderr strings.Builder
		e := env{stdout: &stdout, stderr: &stderr, getenv: func(string) string { return "" }, now: time.Now, sound: noCards{}, settings: "settings"}
		code = run(t.Context(), args, e)
		return code, stdout.String(), stderr.String()
	}
	clear := func() { // what commands have written
		for _, out := range []string{"fit.png", "hookup.svg", "plan.svg", "compare.svg", "proof.svg", "plot.svg", "out.csv", "out.sweep.json", "jig.svg", "report.html"} {
			_ = os.Remove(out)
		}
	}
	read := func(name string) string {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	made := func(name string, args ...string) string { // by the program itself
		code, out, log := tapload(args...)
		if code != exitDone {
			t.Fatalf("%v exited with %d: %s", args, code, log)
		}
		if name == "" {
			return out
		}
		return read(name)
	}
	bench := fmt.Sprintf("seed = 1\nsense_ohm = 10\n[source]\noutput_ohm = 5\n[[load]]\npart = \"resistor\"\nfrom = \"in\"\nto = \"0\"\nohm = %d\n", 22)
	writeText(t, "bench.toml", bench)
	sweep := []string{"--bench", "bench.toml", "--low", "500", "--period", "0.2"}
	jig := made("a.jig.json", slices.Concat([]string{"jig", "known", "--sense-ohm", "10", "--ohm", "22", "-o", "a.jig.json"}, sweep)...)
	fit := made("", "fit", "left.sweep.json", "--json")
	csv := made("", "export", "left.sweep.json", "--format", "csv")
	touchstone := made("", "export", "left.sweep.json", "--format", "touchstone")
	var wav bytes.Buffer
	if err := card.WriteRecording(&wav, card.Recording{RateHz: 8000, Bits: 16, V1: make([]float64, 400), V2: make([]float64, 400)}); err != nil {
		t.Fatal(err)
	}
	const job = "reference = \"L-7\"\n[amplifier]\nname = \"head\"\ntaps_ohm = [4, 8, 16]\nwatts = 50\n[[cabinet]]\nlabel = \"left\"\nrecord = \"left.sweep.json\"\n[[cabinet]]\nlabel = \"b\"\nrated_ohm = 8\n[hookup]\nformula = \"left + b\"\ntap_ohm = 16\n"
	for _, folder := range []string{"job", "settings"} {
		if err := os.Mkdir(folder, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	writeText(t, "job/left.sweep.json", left)
	const limits, bad = "[percent]\nre = [-5, 5]\nfs = [-10, 10]\nz_max = \"none\"\n", "bad.sweep.json"
	rows := hostile.Rows(",", "frequency_hz", "resistance_ohm", "phase_deg", ";", "0,5")

	for _, c := range []struct {
		file  string
		of    hostile.Maker
		sound []string
		args  []string
	}{
		{bad, hostile.JSON, []string{left}, []string{"fit", bad, "--plot", "fit.png"}},
		{bad, hostile.JSON, []string{left, fit}, []string{"hookup", "a + b", "a=" + bad, "b=8", "--tap", "4,8,16", "-o", "hookup.svg"}},
		{bad, hostile.JSON, []string{fit}, []string{"plan", "a=" + bad, "b=8", "--tap", "4,8,16", "-o", "plan.svg"}},
		{bad, hostile.JSON, []string{right}, []string{"compare", "left.sweep.json", bad, "-o", "compare.svg"}},
		{"limits.toml", hostile.TOML, []string{limits}, []string{"compare", "left.sweep.json", "right.sweep.json", "--limits", "limits.toml"}},
		{bad, hostile.JSON, []string{both}, []string{"box", "verify", "--cab", "left.sweep.json", "--cab", "right.sweep.json", "--seen", bad, "-o", "proof.svg"}},
		{bad, hostile.JSON, []string{left}, []string{"plot", bad, "-o", "plot.svg"}},
		{bad, hostile.JSON, []string{left}, []string{"export", bad, "-o", "out.csv"}},
		{"in.csv", rows, []string{csv}, []string{"import", "in.csv", "-o", "out.sweep.json"}},
		{"in.s1p", hostile.Rows(" ", "[End]", "#", "Z", "S"), []string{touchstone}, []string{"import", "in.s1p", "-o", "out.sweep.json"}},
		{"in.wav", hostile.WAV, []string{wav.String()}, []string{"sweep", "--replay", "in.wav", "--sense-ohm", "10", "-o", "out.sweep.json"}},
		{"bad.toml", hostile.TOML, []string{bench}, slices.Concat([]string{"sweep", "-o", "out.sweep.json"}, []string{"--bench", "bad.toml"}, sweep[2:])},
		{"bad.jig.json", hostile.JSON, []string{jig}, []string{"jig", "show", "bad.jig.json", "--plot", "jig.svg"}},
		{"job/job.toml", hostile.TOML, []string{job}, []string{"report", "--job", "job", "-o", "report.html"}},
		{"job/job.toml", hostile.TOML, []string{job}, []string{"job", "status", "--job", "job"}},
		{"settings/" + setup.FileName, hostile.TOML, []string{"shop = \"Workshop\"\npaper = \"a4\"\nrate_hz = 48000\nsense_ohm = 10\n"}, []string{"setup"}},
	} {
		name := strings.Join(c.args, " ")
		n := 5
		if os.Getenv("TAPLOAD_SEEDS") == "all" {
			n = 100
		}
		for _, text := range c.sound {
			writeText(t, c.file, text)
			if code, _, log := tapload(c.args...); code == exitUsage || code == exitError && c.file != "in.wav" { // which holds no signal
				t.Fatalf("%s exited with %d where all is sound: %s", name, code, log)
			}
			clear()
		}
		refused := 0
		for number := range uint64(n) {
			text := hostile.Make(c.of, c.sound, number)
			writeText(t, c.file, text)
			before := filesBelow(t, dir)
			err := hostile.Read(t, text, func(t testing.TB, _ string) error {
				code, _, log := tapload(c.args...)
				if code != exitError && code != exitUsage {
					return nil
				}
				_, said, found := strings.Cut(foldedLine.ReplaceAllString("\n"+log, " "), "\ntapload: ")
				if said, _, _ = strings.Cut(said, "\n"); !found {
					t.Errorf("exit code %d, and nothing is said but %q", code, log)
				}
				if after := filesBelow(t, dir); !slices.Equal(after, before) {
					t.Errorf("there was %v, and now %v", before, after)
				}
				return errors.New(said)
			})
			if t.Failed() {
				t.Fatalf("%s: input number %d: %.4000q", name, number, text)
			}
			if err == nil { // it has done what it is for
				clear()
				continue
			}
			refused++
		}
		t.Logf("%s: %d inputs, %d refused", name, n, refused)
		if refused < n/2 {
			t.Errorf("%s refused %d of %d", name, refused, n)
		}
		if err := os.Remove(c.file); err != nil {
			t.Fatal(err)
		}
	}
}

// filesBelow lists what lies in a folder and below, with sizes and times.
func filesBelow(t testing.TB, dir string) (all []string) {
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			all = append(all, fmt.Sprint(path, info.Size(), info.ModTime()))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// A flag takes numbers that are some, and says in a sentence what it takes.
func TestMalformedFlags(t *testing.T) {
	values := hostile.Rows(" ", "1", "0", "-1", "k", "Hz", "ohm", "%", ",", "a=", "=", "open", "OL", "dB", "4,8,16", "1,2", "a=1,b=2", "a=1,a=2", "1e400", "nan", "1,5")
	for _, c := range []struct {
		of    func() pflag.Value
		sound []string
	}{
		{func() pflag.Value { return new(hertz) }, []string{"50", "20 kHz", "1.5 k"}},
		{func() pflag.Value { return new(ohms) }, []string{"8", "1.5k ohm"}},
		{func() pflag.Value { return new(fraction) }, []string{"1 %", "0.5%"}},
		{func() pflag.Value { return new(levels) }, []string{"-12", "-30, -20, -12.5"}},
		{func() pflag.Value { return new(taps) }, []string{"4, 8, 16", "4 ,8"}},
		{func() pflag.Value { return new(inputs) }, []string{"1, 2", "3,4"}},
		{func() pflag.Value { return new(meterOhms) }, []string{"28", "open", "1.5k ohm"}},
		{func() pflag.Value { k := kelvins(); return &k }, []string{"20", "a=20, b=15", "-5 K"}},
	} {
		t.Run(fmt.Sprintf("%T", c.of()), func(t *testing.T) {
			hostile.Test(t, values, c.sound, func(t testing.TB, text string) error {
				flag := c.of()
				if err := flag.Set(text); err != nil {
					return err
				}
				shown := strings.ToLower(flag.String())
				if k, is := flag.(*perCabinet); is { // whose names may be anything
					shown = fmt.Sprint(k.all, slices.Collect(maps.Values(k.of)))
				}
				if strings.Contains(shown, "nan") || strings.Contains(shown, "inf") {
					t.Errorf("it is %s", shown)
				}
				return nil
			})
		})
	}
}

// What went wrong: a folder's name was written to the terminal as it is, escape
// sequences and all, and its line breaks began lines as if the program said them.
func TestNamesOfFoldersAreWords(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no folder can have such a name here")
	}
	const forged = "warning: nothing is wrong"
	for _, name := range []string{"h\x1b]0;PWNED\a\x1b[2J", "hall\n" + forged, "hall\r" + forged, "h\u009b2J\u2028" + forged} {
		folder := t.TempDir()
		hall := filepath.Join(folder, name)
		bench := filepath.Join(folder, "b.toml")
		if err := os.WriteFile(bench, []byte(resistorBench), 0o666); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			code int
			args []string
		}{
			{exitError, []string{"job", "status", "--job", hall}},
			{exitDone, []string{"job", "new", hall, "--reference", "A-17"}},
			{exitError, []string{"job", "new", hall, "--reference", "A-17"}},
			{exitDone, []string{"sweep", "--bench", bench, "--low", "20", "--period", "1", "--job", hall, "--label", "cab"}},
			{exitDone, []string{"job", "add", "note", "hello", "--job", hall}},
			{exitDone, []string{"job", "rename", "cabinet", "cab", "red", "--job", hall}},
			{exitDone, []string{"fit", "red", "--job", hall}},
			{exitDone, []string{"job", "status", "--job", hall}},
			{exitDone, []string{"shop", folder}},
			{exitDone, []string{"shop", folder, "--like", "red", "--job", hall}},
			{exitError, []string{"jig", "show", filepath.Join(hall, "none.json")}},
			{exitError, []string{"fit", filepath.Join(hall, "none.sweep.json"), filepath.Join(hall, "none-2.sweep.json")}},
			{exitError, []string{"demo", "-o", hall}},
		} {
			e, stdout, stderr := testEnv()
			if code := run(t.Context(), c.args, e); code != c.code {
				t.Errorf("%q exited with %d: %s", c.args, code, stderr)
			}
			for _, said := range []string{stdout.String(), stderr.String()} {
				for line := range strings.Lines(said) {
					if line = strings.TrimSuffix(line, "\n"); oneline.Plain(line) != nil || strings.HasPrefix(line, forged) {
						t.Errorf("%q: %q", c.args, line)
					}
				}
			}
		}
	}
}

// What was joined of several errors is said line by line.
func TestFail(t *testing.T) {
	e, _, stderr := testEnv()
	e.fail(errors.Join(errors.New("a\nb"), errors.Join(errors.New("c"), fmt.Errorf("%w; %w", errors.New("d"), errors.New("e")))))
	if got, want := stderr.String(), "tapload: a b\nc\nd; e\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
