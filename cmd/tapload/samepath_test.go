//go:build linux

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/card/portaudio/rig"
	"tapload/measure/impedance"
)

// One recording gives one curve, to the last digit, whether it comes from the
// virtual bench, from its WAV file, or through the sound system from a card
// that answers with it. The word length is 24 bits, which all three carry
// whole; the sound system adds another latency.
func TestOneRecordingThreePaths(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if err := os.WriteFile(in("bench.toml"), []byte(`
sense_ohm = 10
[source]
output_ohm = 5
[card]
bits = 24
latency_s = 0.0371
lead_out_s = 0.3
[input1]
noise_db = -90
[input2]
noise_db = -90
[[load]]
part = "driver"
from = "in"
to = "0"
re_ohm = 6.4
coil = "inductor"
le_mh = 0.5
resonances = [{ fs_hz = 88.0, q_ms = 5.0, r_es_ohm = 51.0 }]
`), 0o600); err != nil {
		t.Fatal(err)
	}
	curve := func(name string, env []string, args ...string) impedance.Curve {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "tapload", slices.Concat([]string{"sweep", "-o", name}, quick, args)...)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), env...)
		if got := finish(t, cmd); got.code != exitDone {
			t.Fatalf("%s: exit code %d: %s", name, got.code, got.stderr)
		}
		rec, err := readRecord(in(name))
		if err != nil {
			t.Fatal(err)
		}
		return rec.Curve
	}

	bench := curve("bench.sweep.json", nil, "--bench", "bench.toml", "--keep", "rec.wav")
	replay := curve("replay.sweep.json", nil, "--replay", "rec.wav")

	kept, err := card.OpenReplay(in("rec.wav"), [2]int{1, 2})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := kept.Play(t.Context(), card.Output{RateHz: kept.RateHz(), Channels: [][]float64{{0}}})
	if err != nil {
		t.Fatal(err)
	}
	var sound [][]float32
	for _, v := range [][]float64{rec.V1, rec.V2} {
		channel := make([]float32, len(v))
		for i, x := range v {
			channel[i] = float32(x)
			if float64(channel[i]) != x {
				t.Fatalf("sample %d, %v, does not fit a float32", i, x)
			}
		}
		sound = append(sound, channel)
	}
	r := rig.Start(t, rig.Options{Recording: sound})
	played := curve("card.sweep.json", r.Env(), "--card", r.Card())

	if !slices.Equal(bench.Points, replay.Points) {
		t.Error("the bench's recording gives another curve from its file")
	}
	if !slices.Equal(bench.Points, played.Points) {
		t.Error("the bench's recording gives another curve through the sound system")
	}
}
