package ratio

import (
	"math"
	"math/rand/v2"
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

// What went wrong: blocks too weak to tell a gain counted as unchanged. Of a chirp of
// 0.1 s one block in ten is strong, and a gain that was 6 dB higher before the first
// counted period went unseen, as did one that settled by 3 dB. A gain at rest is one in
// noise too, and where hardly a block is strong.
func TestLevelOfShortChirps(t *testing.T) {
	noises := []float64{1e-6, 1e-3, 0.02}
	for _, o := range []signal.ChirpOptions{
		{PeriodSeconds: 0.1, LowHz: 200}, {PeriodSeconds: 0.15, LowHz: 200}, {PeriodSeconds: 0.3, LowHz: 100}, {PeriodSeconds: 0.8, LowHz: 40},
		{PeriodSeconds: 1.5, LowHz: 20, HighHz: 400},
	} {
		sig := chirp(t, o)
		f := sig.Frame()
		played := sig.Samples()
		for seed, noise := range noises {
			found := func(gain func(i int) float64) error {
				r := rand.New(rand.NewPCG(uint64(seed), 41))
				rec := card.Recording{RateHz: sig.RateHz, V1: make([]float64, len(played)), Inputs: [2]int{1, 2}}
				for i, x := range played {
					rec.V1[i] = gain(i)*x + noise*r.NormFloat64()
				}
				return level(t.Context(), rec, f, f.LeadIn, 0)
			}
			if err := found(func(int) float64 { return 1 }); err != nil {
				t.Errorf("period of %g s, noise %g, gain at rest: %v", o.PeriodSeconds, noise, err)
			}
			if noise > 0.01 {
				continue
			}
			wantFault(t, found(func(i int) float64 {
				if i < f.LeadIn {
					return 2
				}
				return 1
			}), card.AutomaticGain, "dB from what it is later")
			wantFault(t, found(func(i int) float64 {
				return 1 + 0.41*math.Exp(-float64(i)/float64(f.LeadIn))
			}), card.AutomaticGain, "dB from what it is later")
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
