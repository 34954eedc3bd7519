package ratio

import (
	"math"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// A gain of 0.8 at the beginning is said in decibels, 20 lg 0.8 = -1.9; one of 0.97
// is within what levels may differ by, 6 %.
func TestLevelAtTheBeginning(t *testing.T) {
	f := signal.Frame{LeadIn: 24000, Period: 48000, Periods: 2, Fade: 480}
	for _, tc := range []struct {
		gain float64
		says string
	}{{0.8, "-1.9 dB"}, {1.25, "+1.9 dB"}, {0.97, ""}} {
		rec := card.Recording{RateHz: 48000, V1: make([]float64, f.LeadIn+f.Periods*f.Period), Inputs: [2]int{1, 2}}
		for i := range rec.V1 {
			rec.V1[i] = 0.1 * math.Sin(2*math.Pi*float64(i)/48)
			if i < f.LeadIn {
				rec.V1[i] *= tc.gain
			}
		}
		switch err := level(t.Context(), rec, f, f.LeadIn, 0); {
		case tc.says != "":
			wantFault(t, err, card.AutomaticGain, tc.says)
		case err != nil:
			t.Errorf("a gain of %g: %v", tc.gain, err)
		}
	}
}

// Samples that are missing anywhere between the start and the end of the signal, be it
// in the last period, are told by the lead-in that comes again too early.
func TestLostInTheLastPeriod(t *testing.T) {
	sig := chirp(t, quick)
	f := sig.Frame()
	whole := synthetic{sig: sig, after: 4800, g: func(float64) complex128 { return 0.5 }, noise: 1e-5}.record(t)
	if err := lost(t.Context(), whole, f, f.LeadIn, 0); err != nil {
		t.Error(err)
	}
	rec := whole
	at := f.LeadIn + (f.Periods-1)*f.Period + f.Period/2
	rec.V1, rec.V2 = slices.Delete(slices.Clone(whole.V1), at, at+200), slices.Delete(slices.Clone(whole.V2), at, at+200)
	wantFault(t, lost(t.Context(), rec, f, f.LeadIn, 0), card.Dropout, "lost or doubled")
}
