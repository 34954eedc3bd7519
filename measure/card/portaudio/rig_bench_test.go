//go:build linux

package portaudio

import (
	"strings"
	"testing"

	"tapload/measure/card"
	"tapload/measure/card/portaudio/rig"
	"tapload/measure/signal"
)

// BenchmarkRig plays a chirp of 2 s and counts in how many recordings every
// sample is right, in how many a block was late, and what processor time a
// process takes, its start and the search for cards included.
func BenchmarkRig(b *testing.B) {
	c, err := signal.NewChirp(signal.ChirpOptions{LowHz: 20, PeriodSeconds: 1})
	if err != nil {
		b.Fatal(err)
	}
	x := c.Samples()
	circuit := load.Circuit(48000)
	padded := append(x[:len(x):len(x)], make([]float64, extra)...)
	want := [2][]float64{circuit.V1.Filter(padded), circuit.V2.Filter(padded)}
	for _, m := range []struct {
		name             string
		realTime, litter bool
	}{
		{"fast", false, false},
		{"fast, collecting garbage", false, true},
		{"real time", true, false},
		{"real time, collecting garbage", true, true},
	} {
		b.Run(strings.ReplaceAll(m.name, ", ", "-"), func(b *testing.B) {
			r := rig.Start(b, rig.Options{Chains: circuit.Chains(), RealTime: m.realTime})
			exact, late, cpu := 0, 0, 0.0
			for range b.N {
				p := begin(b, r.Env(), job{Options: Options{Name: r.Card()}, Litter: m.litter,
					Output: card.Output{RateHz: 48000, Channels: [][]float64{x}}})
				if err := p.cmd.Start(); err != nil {
					b.Fatal(err)
				}
				o := p.wait()
				if o.Failed != "" {
					b.Fatal(o.Failed)
				}
				if err := wrongSample(o.Recording, want); err != nil {
					b.Log(err)
				} else {
					exact++
				}
				if len(o.Recording.Flags) > 0 {
					late++
				}
				s := p.cmd.ProcessState
				cpu += (s.UserTime() + s.SystemTime()).Seconds()
			}
			b.ReportMetric(float64(exact), "exact")
			b.ReportMetric(float64(late), "late")
			b.ReportMetric(float64(len(padded))/48000, "sound-s")
			b.ReportMetric(cpu/float64(b.N), "cpu-s")
		})
	}
}
