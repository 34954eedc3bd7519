//go:build linux

package windows

import (
	"math/cmplx"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"tapload/measure/card/portaudio/rig"
	"tapload/measure/record"
)

const rateHz = 48000

// load is an invented driver on a jig that needs its calibration.
var load = rig.Load{SourceOhm: 5, SenseOhm: 10, ReOhm: 6.4, LeH: 0.6e-3, FsHz: 92, ResOhm: 58, Qms: 5.5, LeadOhm: 0.12, InputOhm: 1e4, Gain2: 0.97, Lag2: 2e-7}

// interfaces are those of the library, the best first, and how far a calibrated
// curve may be from the truth. The last two carry 16 bits a sample: the rounding
// to them is 1/4 of the limit.
var interfaces = []struct {
	name   string
	within float64 // of |Z|
}{{"Windows WASAPI", 1e-5}, {"Windows DirectSound", 1e-3}, {"MME", 1e-3}}

// attempts is how often a measurement is tried that lost some sound on the way,
// which happens under Wine on a machine that does other things too.
const attempts = 8

// listener is a machine with a sound card.
type listener struct {
	*machine
	rig *rig.Rig
}

// sound measures the simulated load through each interface of the sound-card
// library, as it comes in the archive.
func (m *machine) sound(t *testing.T) {
	r := rig.Start(t, rig.Options{Server: rig.PulseAudio, Name: "Prüfkarte", RateHz: rateHz, Chains: load.Circuit(rateHz).Chains()})
	m.env = slices.Concat(m.env, r.Env(), []string{
		// Wine asks for 30 ms, which no busy machine keeps.
		"PULSE_LATENCY_MSEC=200",
	})
	l := listener{m, r}
	t.Run("cards", l.cards)
	t.Run("check", l.checks)
	for _, i := range interfaces {
		t.Run(i.name, func(t *testing.T) { l.calibrated(t, i.name, i.within) })
	}
	t.Run("another rate", l.resampled)
	t.Run("Ctrl-C", l.interrupted)
}

// Every card is listed once, with the interfaces that it has below it on demand.
func (l listener) cards(t *testing.T) {
	l.write("Karten/start", "")
	got, details := l.run("Karten", "cards"), l.run("Karten", "cards", "--details")
	if got.code != 0 || details.code != 0 {
		t.Fatalf("%+v\n%+v", got, details)
	}
	t.Logf("\n%s", got.stdout)
	for _, name := range []string{"PulseAudio ", "Prüfkarte  ", "Prüfkarte circuit "} {
		if n := strings.Count(got.stdout, "\n"+name); n != 1 {
			t.Errorf("%q is listed %d times in %q", name, n, got.stdout)
		}
	}
	for _, i := range interfaces {
		if strings.Contains(got.stdout, i.name) || !strings.Contains(details.stdout, i.name) {
			t.Errorf("%s is listed in %q, or not in %q", i.name, got.stdout, details.stdout)
		}
	}
}

// card returns the flags that name the card on one interface, or on the best.
func card(api string) []string {
	if api != "" {
		api += ": "
	}
	return []string{"--card", api + "PulseAudio"}
}

// lost are parts of sentences of measurements that are refused because sound was
// lost on the way.
var lost = []string{"lost", "changes while the signal plays", "clocks", "does not rise above the noise", "is not in input", "does not hear", "stopped after", "holds", "hardly runs", "never ran for", "two equal periods of what is played differently"}

// measured runs the program until no sound is lost, and returns what it said
// then. Nothing that it refuses may leave a file, but the raw recording where --keep
// names one.
func (l listener) measured(t *testing.T, folder string, args ...string) outcome {
	t.Helper()
	for n := 1; ; n++ {
		before := l.names(folder)
		got := l.run(folder, args...)
		if got.code == 0 {
			return got
		}
		left := l.names(folder)
		if i := slices.Index(args, "--keep"); i >= 0 && !slices.Contains(before, args[i+1]) {
			left = slices.DeleteFunc(left, func(name string) bool { return name == args[i+1] })
		}
		if !slices.Equal(left, before) {
			t.Errorf("%q failed and left %v of %v", args, left, before)
		}
		if got.code != 1 || !slices.ContainsFunc(lost, func(s string) bool { return strings.Contains(got.stderr, s) }) {
			t.Fatalf("%q: exit code %d: %s", args, got.code, got.stderr)
		}
		i := strings.LastIndex(got.stderr, "tapload: ")
		t.Logf("attempt %d: %s", n, strings.TrimSpace(got.stderr[max(i, 0):]))
		if n == attempts {
			t.Fatalf("%q: %d attempts lost sound", args, n)
		}
	}
}

// calibrated calibrates a jig and measures a load with it.
func (l listener) calibrated(t *testing.T, api string, within float64) {
	began := time.Now()
	folder := "Messung " + api
	l.write(folder+"/start", "")
	for _, s := range []struct {
		load rig.Load
		args []string
	}{
		{load.Open(), []string{"jig", "open"}},
		{load.Short(), []string{"jig", "short"}},
		{load.Known(10), []string{"jig", "known", "--ohm", "10", "--tolerance", "0.01%"}},
	} {
		l.rig.Connect(s.load.Circuit(rateHz).Chains())
		l.measured(t, folder, slices.Concat(s.args, []string{"-o", "Vorrichtung.json", "--sense-ohm", "10"}, card(api), quick)...)
	}
	circuit := load.Circuit(rateHz)
	l.rig.Connect(circuit.Chains())
	l.measured(t, folder, slices.Concat([]string{"sweep", "--jig", "Vorrichtung.json", "-o", "Größe.sweep.json", "--keep", "roh.wav"}, card(api), quick)...)

	f, err := os.Open(l.path(folder, "Größe.sweep.json"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rec, err := record.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	worst, at, points := 0.0, 0.0, 0
	for _, p := range rec.Curve.Points {
		if p.Hz < 20 || p.Hz > 20000 {
			continue
		}
		points++
		truth := circuit.Truth(p.Hz)
		if e := cmplx.Abs(p.Z-truth) / cmplx.Abs(truth); e > worst {
			worst, at = e, p.Hz
		}
	}
	t.Logf("%s: worst error %.2g %% at %.0f Hz, %d points, in %.0f s", api, 100*worst, at, points, time.Since(began).Seconds())
	if worst > within || points < 400 {
		t.Errorf("%.2g %% off at %.0f Hz, %d points", 100*worst, at, points)
	}
	for _, w := range rec.Warnings {
		t.Errorf("warning: %s", w.Text)
	}
}

// A card that is named without an interface is used through the best.
func (l listener) checks(t *testing.T) {
	l.rig.Connect(load.Circuit(rateHz).Chains())
	l.write("Prüfung/start", "")
	var got outcome
	for range attempts {
		if got = l.run("Prüfung", slices.Concat([]string{"check"}, card(""))...); got.code == 0 {
			break
		}
		t.Logf("once more after\n%s%s", got.stdout, got.stderr)
	}
	if got.code != 0 || !strings.HasPrefix(got.stdout, "Pass: ") || !strings.Contains(got.stderr, `"Windows WASAPI: PulseAudio" records`) {
		t.Errorf("%+v", got)
	}
}

// At another rate than that of the mixer each of them resamples, which is said.
// (WASAPI of Windows itself would not run then; that of Wine does.)
func (l listener) resampled(t *testing.T) {
	const folder = "Andere Rate"
	l.rig.Connect(load.Circuit(rateHz).Chains())
	l.write(folder+"/start", "")
	for _, i := range interfaces {
		got := l.measured(t, folder, slices.Concat([]string{"sweep", "--rate", "44100", "-o", i.name + ".sweep.json", "--sense-ohm", "10"}, card(i.name), quick)...)
		if want := `warning: the mixer of Windows resamples the output: "PulseAudio" runs at 48000 Hz, the program at 44100 Hz`; !strings.Contains(got.stderr, want) {
			t.Errorf("%s: no %q in %q", i.name, want, got.stderr)
		}
	}
}

// Ctrl-C while it plays: the sound ends, no file is left, and the exit code is
// that of Linux. A program that ended under a playing driver crashed in it, with
// 139, in 5 of 180 on a busy machine; with the card let go of first in none.
func (l listener) interrupted(t *testing.T) {
	const folder = "Abbruch"
	l.write(folder+"/start", "")
	for _, api := range interfaces {
		began := time.Now()
		got := l.console(t, folder, slices.Concat([]string{program, "sweep", "-o", "x.sweep.json", "--keep", "x.wav", "--sense-ohm", "10"}, card(api.name)), [2]string{"playing", "\x03"})
		if got.code != 1 || !strings.Contains(got.stdout, "tapload: stopped before the end; no result was written") {
			t.Errorf("%s: exit code %d, %q", api.name, got.code, got.stdout)
		}
		if took := time.Since(began); took > 10*time.Second {
			t.Errorf("%s: it played on for %v", api.name, took)
		}
		if got := l.names(folder); !slices.Equal(got, []string{"start"}) {
			t.Errorf("%s: left %v", api.name, got)
		}
	}
}
