package ratio

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// endless is an exponential chirp from 20 Hz to 20 kHz that comes again and again, as
// a recorder hears it whose clock runs faster by drift.
type endless struct {
	rateHz, period, frames int
	drift                  float64
}

func (e endless) About() card.Recording { return card.Recording{RateHz: e.rateHz} }
func (e endless) Frames() int           { return e.frames }

func (e endless) Pieces(context.Context, func(v1, v2 []float64) error) error {
	return errors.ErrUnsupported
}

func (e endless) ReadAt(_ context.Context, v1, _ []float64, from, step int) error {
	rise := float64(e.period) / float64(e.rateHz) / math.Log(1000)
	for i := range v1 {
		at := math.Mod(float64(from+i*step)/(1+e.drift), float64(e.period)) / float64(e.rateHz)
		v1[i] = 0.5 * math.Sin(2*math.Pi*math.Mod(20*rise*math.Expm1(at/rise), 1))
	}
	return nil
}

// Between periods of half a minute at 192 kHz that lie two minutes apart, clocks of 90 ppm
// and more move a segment by more than could be told: a sound recording was refused for
// samples that it had lost.
func TestClocksOfLongSweeps(t *testing.T) {
	for _, ppm := range []float64{-300, -90, -20, 0, 40, 89, 200, 350} {
		f := signal.Frame{Period: 5_760_000, Periods: 5}
		sound := endless{192000, f.Period, f.Period*f.Periods + 1<<16, ppm * 1e-6}
		drift, err := driftOf(t.Context(), sound, 0, f)
		if err != nil || math.Abs(1e6*drift-ppm) > 1e-4 {
			t.Errorf("clocks %g ppm apart: %.6f, error %v", ppm, 1e6*drift, err)
		}
	}
}

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

// Clocks that are further apart than can be followed were called lost samples.
func TestFarClocksAreNamed(t *testing.T) {
	m, err := signal.NewMultitone(t.Context(), signal.MultitoneOptions{PeriodSeconds: 0.9, LowHz: 40})
	if err != nil {
		t.Fatal(err)
	}
	for _, sig := range []signal.Periodic{chirp(t, signal.ChirpOptions{PeriodSeconds: 1.4}), m} {
		rec := synthetic{sig: sig, before: 9600, after: 9600, g: divider(10, cabinet), noise: 1e-4}.record(t)
		for _, clock := range []float64{6e-4, -7e-4, 1e-3, -2e-3, 4e-3, -9e-3} {
			fast := warped(rec, func(at float64) float64 { return at * clock })
			_, err := Of(t.Context(), fast, sig)
			wantFault(t, err, card.WrongRate, "apart")
		}
		f := sig.Frame()
		at := f.LeadIn + f.Period + f.Period/3
		short := rec
		short.V1, short.V2 = slices.Delete(slices.Clone(rec.V1), at, at+300), slices.Delete(slices.Clone(rec.V2), at, at+300)
		_, err := Of(t.Context(), short, sig)
		wantFault(t, err, card.Dropout, "lost or doubled")
	}
}

// Of a thousand short periods that lost samples all pairs of segments were looked at,
// again for each segment more, which had no end.
func TestLossInManyPeriodsIsNamedSoon(t *testing.T) {
	m, err := signal.NewMultitone(t.Context(), signal.MultitoneOptions{RateHz: 8000, PeriodSeconds: 0.1, LowHz: 100, HighHz: 1000, Periods: 1000})
	if err != nil {
		t.Fatal(err)
	}
	rec := synthetic{sig: m, before: 4800, after: 4800, g: divider(10, cabinet), noise: 1e-4}.record(t)
	f := m.Frame()
	at := f.LeadIn + 700*f.Period
	rec.V1, rec.V2 = slices.Delete(rec.V1, at, at+300), slices.Delete(rec.V2, at, at+300)
	_, err = Of(t.Context(), rec, m)
	wantFault(t, err, card.Dropout, "lost or doubled")
}
