package ratio

import (
	"fmt"
	"math"
	"testing"

	"tapload/measure/signal"
)

// BenchmarkLowLevel reports the variance of G over seeded sweeps that are 40
// and 60 dB below full scale, in noise of -70 dB, over that of the best
// unbiased estimate from the cells' own lines, sum |V1|^2 being known. It also
// counts the sweeps in which a clock was claimed.
func BenchmarkLowLevel(b *testing.B) {
	const sweeps = 24
	for _, db := range []float64{-40, -60} {
		b.Run(fmt.Sprintf("%g_dB", db), func(b *testing.B) {
			sig := chirp(b, signal.ChirpOptions{Peak: math.Pow(10, db/20)})
			truth := divider(10, cabinet)
			y := synthetic{sig: sig, after: 9600, g: truth}
			clean := y.record(b)
			heard, err := inputsOf(b.Context(), clean)
			if err != nil {
				b.Fatal(err)
			}
			s, _, err := spectrumOf(b.Context(), clean, heard, sig, mostAtOnce)
			if err != nil {
				b.Fatal(err)
			}
			cells, first, end := s.cells()
			y.noise = math.Pow(10, -70.0/20)
			for b.Loop() {
				var sum, stated, parts, clocks, left float64
				for seed := range uint64(sweeps) {
					y.seed = seed
					r, err := Of(b.Context(), y.record(b), sig)
					if err != nil {
						b.Fatal(err)
					}
					if r.Seen.ClockPPM != 0 {
						clocks++
					}
					left += float64(r.Seen.LeftOut)
					byHz := map[int]Point{}
					for _, p := range r.Points {
						byHz[int(math.Round(2*p.Hz/s.stepHz/float64(s.periods)))] = p
					}
					for _, c := range cells[first:end] {
						p, ok := byHz[c.lo+c.hi]
						if !ok {
							continue
						}
						var power float64
						for k := c.lo; k <= c.hi; k++ {
							power += abs2(s.x1.At(k * s.periods))
						}
						bound := y.noise * y.noise * float64(s.samples) * (1 + abs2(truth(p.Hz))) / power
						sum += abs2(p.G-truth(p.Hz)) / bound
						stated += (p.Noise.RR + p.Noise.II) / bound
						parts++
					}
				}
				b.ReportMetric(sum/parts, "variance/bound")
				b.ReportMetric(stated/parts, "stated/bound")
				b.ReportMetric(clocks, "clocks")
				b.ReportMetric(left/sweeps, "left-out")
			}
		})
	}
}
