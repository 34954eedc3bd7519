//go:build linux

package portaudio

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/card/portaudio/rig"
)

// A desktop's sound server runs at the rate that is asked for: not one sample
// differs, but the way through the server takes its time.
func TestRigServersEverySample(t *testing.T) {
	for _, server := range []rig.Server{rig.PulseAudio, rig.PipeWire} {
		t.Run(server.String(), func(t *testing.T) {
			t.Parallel() // they play in real time
			x := chirp(t)
			circuit := load.Circuit(48000)
			r := rig.Start(t, rig.Options{Server: server, Chains: circuit.Chains()})
			o := unflagged(t, r, job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000, Channels: [][]float64{x}}})
			late, err := everySample(o.Recording, circuit, x)
			if err != nil {
				t.Error(err)
			}
			t.Logf("%d frames late", late)
		})
	}
}

// unflagged does a job on r once more where this machine was too busy for it: a
// recording that was refused, or has a flag, is not promised to be right.
func unflagged(t *testing.T, r *rig.Rig, j job) (o outcome) {
	t.Helper()
	for range 3 {
		o = do(t, r, j)
		switch {
		case o.Failed != "" && !slices.Contains([]card.Cause{card.Stopped, card.LostBlocks, card.Unknown}, o.Fault.Cause):
			t.Fatal(o.Failed)
		case o.Failed == "" && len(o.Recording.Flags) == 0:
			return o
		}
		t.Logf("once more: flags %+v %s", o.Recording.Flags, o.Failed)
	}
	t.Fatal("three recordings were flagged or refused")
	return o
}

// everySample returns by how many frames rec is later than x was handed to the
// card, or where it is not what c makes of x.
func everySample(rec card.Recording, c rig.Circuit, x []float64) (late int, err error) {
	x = append(x[:len(x):len(x)], make([]float64, len(rec.V1))...)
	want := [2][]float64{c.V1.Filter(x), c.V2.Filter(x)}
	first := func(v []float64) int {
		for i, y := range v {
			if y != 0 {
				return i
			}
		}
		return -1
	}
	late = first(rec.V1) - first(want[0])
	for ch, v := range [][]float64{rec.V1, rec.V2} {
		for i, got := range v {
			expect := 0.0
			if i >= late {
				expect = want[ch][i-late]
			}
			// A server may take subnormal numbers for 0.
			if math.Abs(got-expect) >= 0x1p-126 {
				return late, fmt.Errorf("V%d[%d] = %g, want %g (%d frames late)", ch+1, i, got, expect, late)
			}
		}
	}
	return late, nil
}
