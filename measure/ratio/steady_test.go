package ratio

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// warped returns rec as recorded by a clock that is ahead by the given seconds
// at each moment.
func warped(rec card.Recording, ahead func(seconds float64) float64) card.Recording {
	rate := float64(rec.RateHz)
	k := newKernel(rate, 20000)
	taps := make([]float64, 2*k.half)
	warp := func(x []float64) []float64 {
		y := make([]float64, len(x))
		for i := range y {
			at := float64(i) - rate*ahead(float64(i)/rate)
			whole := math.Floor(at)
			k.fill(taps, at-whole)
			for j, w := range taps {
				if n := int(whole) - k.half + 1 + j; n >= 0 && n < len(x) {
					y[i] += w * x[n]
				}
			}
		}
		return y
	}
	rec.V1, rec.V2 = warp(rec.V1), warp(rec.V2)
	return rec
}

// What is slow, a clock that wanders, hum at a high rate and a knock leave a
// good curve; what lasts leaves none. None of them passes for lost samples.
func TestUnsteadyToldApart(t *testing.T) {
	plainOnly(t)
	truth := divider(10, cabinet)
	for _, tc := range []struct {
		name  string
		rate  int
		spoil func(rec *card.Recording, from, period int) // the first counted sample
		says  string                                      // of a fault
		seen  func(Seen) bool
	}{
		{"offset that settles", 48000, func(rec *card.Recording, from, period int) {
			for i := range rec.V1 {
				rec.V1[i] += 0.1 * math.Exp(-float64(i)/48000)
				rec.V2[i] -= 0.2 * math.Exp(-float64(i)/48000)
			}
		}, "", func(s Seen) bool { return s.Unsteady.WanderPPM == 0 }},
		{"thump", 48000, func(rec *card.Recording, from, period int) {
			for i := range rec.V1[from+2*period/3:] {
				s := float64(i) / 48000
				rec.V2[from+2*period/3+i] += 0.1 * s / 0.1 * math.Exp(1-s/0.1) * math.Cos(2*math.Pi*2*s)
			}
		}, "", func(s Seen) bool { return s.Unsteady.Slow > 0.02 && s.Unsteady.WanderPPM == 0 }},
		{"clock that wanders", 48000, func(rec *card.Recording, from, period int) {
			*rec = warped(*rec, func(s float64) float64 { return 20e-6 * math.Sin(2*math.Pi*s/3) * 3 / (2 * math.Pi) })
		}, "", func(s Seen) bool { return s.Unsteady.WanderPPM > 5 && s.Unsteady.WanderPPM < 60 }},
		{"wandering hum", 192000, func(rec *card.Recording, from, period int) {
			r, phase := rand.New(rand.NewPCG(3, 4)), 0.0
			hz := 50.02
			for i := range rec.V1 {
				hz += 3e-5 * r.NormFloat64()
				phase += 2 * math.Pi * hz / 192000
				rec.V1[i] += 3e-3 * math.Sin(phase)
				rec.V2[i] += 2e-3 * math.Sin(phase)
			}
		}, "", func(s Seen) bool { return s.Unsteady.WanderPPM == 0 && s.Unsteady.Knocks == nil }},
		{"contact", 48000, func(rec *card.Recording, from, period int) {
			for i := from + period/5; i < from+3*period/4; i++ {
				rec.V2[i] *= 0.7
			}
		}, "which no burst does", nil},
		{"knock", 48000, func(rec *card.Recording, from, period int) {
			for i := range 2000 {
				rec.V2[from+period/2+i] += 0.1 * math.Exp(-float64(i)/300) * math.Sin(float64(i)/20)
			}
		}, "", func(s Seen) bool { return len(s.Unsteady.Knocks) == 1 }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sig := chirp(t, signal.ChirpOptions{RateHz: tc.rate, PeriodSeconds: 1.2, LowHz: 40})
			y := synthetic{sig: sig, before: 9600, after: 9600, g: truth, noise: 1e-5}
			rec := y.record(t)
			tc.spoil(&rec, y.before+sig.Frame().LeadIn, sig.Frame().Period)
			r, err := Of(t.Context(), rec, sig)
			if tc.says != "" {
				wantFault(t, err, card.Dropout, tc.says)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if worst, _, _ := agreement(r, truth); worst > 5.5 || !tc.seen(r.Seen) {
				t.Errorf("largest error %.1f standard uncertainties, seen %+v, %+v", worst, r.Seen.Unsteady, r.Seen.Bursts)
			}
		})
	}
}

// Noise alone makes no clock.
func TestClockNeedsSignificance(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 1.2, LowHz: 40, Peak: 2e-3})
	for seed := range uint64(16) {
		r, err := Of(t.Context(), synthetic{sig: sig, after: 9600, g: divider(10, cabinet), noise: 3e-4, seed: seed}.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		if r.Seen.ClockPPM != 0 {
			t.Errorf("seed %d: clock of %g ppm", seed, r.Seen.ClockPPM)
		}
	}
}

// What went wrong: the difference between two periods of hum whose frequency moves
// follows the slope of the hum, as a step in time makes it follow that of the signal.
// A shorted jig, behind which there is hardly any signal, was refused for lost samples.
func TestHumOfAShortLosesNoSamples(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{})
	f := sig.Frame()
	short := func(float64) complex128 { return 1e-4 }
	rec := synthetic{sig: sig, after: 4800, g: short, noise: 3e-5}.record(t)
	length := float64(len(rec.V1))
	for i := range rec.V1 {
		x := float64(i)
		turn := 2 * math.Pi * (49.98*x + 0.02*x*(x/length-1)) / 48000 // 49.96 to 50.00 Hz
		hum := math.Sin(turn) + 0.3*math.Sin(2*turn) + 0.2*math.Sin(3*turn)
		rec.V1[i] += 1e-3 * hum
		rec.V2[i] += 2e-3 * hum
	}
	if _, err := Of(t.Context(), rec, sig); err != nil {
		t.Errorf("hum that moves: %v", err)
	}
	at := f.LeadIn + f.Period + f.Period/5
	rec.V1, rec.V2 = slices.Delete(rec.V1, at, at+64), slices.Delete(rec.V2, at, at+64)
	_, err := Of(t.Context(), rec, sig)
	wantFault(t, err, card.Dropout, "lost or doubled")
}
