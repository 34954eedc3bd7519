package ratio

import (
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// Where the clocks put the repetition of the lead-in half a sample off, one that
// is half a cycle away matched better: a sound recording was refused for samples
// that it had lost.
func TestClocksLoseNoSamples(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{})
	f := sig.Frame()
	const before, after = 9600, 9600
	rec := synthetic{sig: sig, before: before, after: after, g: divider(10, cabinet), noise: 1e-4}.record(t)
	start := before + f.LeadIn
	again := start - f.LeadIn + f.Period*f.Periods - rec.RateHz - after
	for _, late := range []float64{0.3, 0.5, 0.7} {
		// Only how the end lies to the beginning is looked at.
		end := warped(card.Recording{RateHz: rec.RateHz, V1: rec.V1[again:]}, func(float64) float64 { return late / float64(rec.RateHz) })
		clocks := rec
		clocks.V1 = append(append([]float64(nil), rec.V1[:again]...), end.V1...)
		if err := lost(t.Context(), clocks, f, start, late/float64(f.Period*f.Periods)); err != nil {
			t.Errorf("late by %g of a sample: %v", late, err)
		}
	}
}
