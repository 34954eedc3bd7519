package ratio

import (
	"math"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

func tones(t testing.TB, o signal.TonesOptions) signal.Tones {
	t.Helper()
	s, err := signal.NewTones(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// quickTones are few and short enough for many seeds.
var quickTones = signal.TonesOptions{LowHz: 100, PerOctave: 3, DwellSeconds: 0.1, SettleSeconds: 0.05}

// Without noise only what the load still rings is left, and the offsets.
func TestTonesRatioIsExact(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		sig := tones(t, signal.TonesOptions{RateHz: rate, LowHz: 40, PerOctave: 2, SettleSeconds: 0.4})
		truth := divider(10, cabinet)
		rec := synthetic{sig: sig, before: rate/3 + 7, after: rate / 4, g: truth}.record(t)
		for i := range rec.V1 {
			rec.V1[i] += 0.02
			rec.V2[i] -= 0.05
		}
		r, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		steps := sig.Steps()
		if len(r.Points) != len(steps) {
			t.Fatalf("%d points of %d tones", len(r.Points), len(steps))
		}
		for i, p := range r.Points {
			if want := steps[i].Hz(rate); p.Hz != want {
				t.Errorf("point %d at %v Hz, want %v", i, p.Hz, want)
			}
		}
		if e := worstRelative(r, truth, 5); e > 1e-6 {
			t.Errorf("%d Hz: largest relative error %.2g", rate, e)
		}
		if want := (float64(rate/3+7) + float64(sig.Dwells()[0])) / float64(rate); math.Abs(r.Seen.StartSeconds-want) > 1e-5 {
			t.Errorf("first dwell found at %.6f s, want %.6f s", r.Seen.StartSeconds, want)
		}
	}
}

func TestTonesNoiseCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("many sweeps")
	}
	sig := tones(t, quickTones)
	y := synthetic{sig: sig, after: 4800, g: divider(10, cabinet), noise: 1e-2}
	if c, parts := y.covers(t, 24); c < 0.93 || c > 0.97 {
		t.Errorf("%.2f %% of %d parts inside their 95 %% intervals", 100*c, parts)
	}
}

func TestWhatMustNotMoveTones(t *testing.T) {
	if testing.Short() {
		t.Skip("slow resampling")
	}
	sig := tones(t, signal.TonesOptions{LowHz: 70, PerOctave: 4, SettleSeconds: 0.1, DwellSeconds: 0.1})
	truth := divider(10, cabinet)
	base := synthetic{sig: sig, before: 5000, after: 9600, g: truth, noise: 1e-5}
	for _, tc := range []struct {
		name  string
		spoil func(*card.Recording)
		ppm   float64
		mains int
	}{
		{"nothing", func(*card.Recording) {}, 0, 0},
		{"hum of 50 Hz", func(r *card.Recording) {
			addTone(*r, 50, 1, 3.2e-3, 1e-3)
			addTone(*r, 150, 2, 1e-3, 3e-4)
			addTone(*r, 1000, 2, 3e-4, 3e-4)
		}, 0, 3},
		{"hum of 60.03 Hz", func(r *card.Recording) { addTone(*r, 60.03, 1, 3e-4, 3.2e-3) }, 0, 1},
		{"clock -300 ppm and hum", func(r *card.Recording) {
			*r = skew(*r, -300)
			addTone(*r, 49.97, 1, 3.2e-3, 1e-3)
		}, -300, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rec := base.record(t)
			tc.spoil(&rec)
			r, err := Of(t.Context(), rec, sig)
			if err != nil {
				t.Fatal(err)
			}
			worst, inside, parts := agreement(r, truth)
			// The largest of 72 normal deviates is above 4 once in 200 times.
			if c := float64(inside) / float64(parts); worst > 4 || c < 0.9 {
				t.Errorf("largest error %.1f standard uncertainties, %.1f %% inside 95 %%", worst, 100*c)
			}
			want := 1e6 * (1/(1-tc.ppm*1e-6) - 1) // skew takes its steps on the player's clock
			if math.Abs(r.Seen.ClockPPM-want) > 0.02 {
				t.Errorf("clock difference %.3f ppm, want %.3f", r.Seen.ClockPPM, want)
			}
			if len(r.Seen.Mains) != tc.mains {
				t.Errorf("hum seen as %+v", r.Seen.Mains)
			}
		})
	}
}

// A load that rings longer than the tones settle is noticed, and what it
// still rings is left out.
func TestTonesNoticeRinging(t *testing.T) {
	sig := tones(t, signal.TonesOptions{LowHz: 60, HighHz: 180, SettleSeconds: 0.01, DwellSeconds: 1.5})
	// Q 80 at 95 Hz behind 1 kohm: a decay by e takes 0.27 s, so a sixth is left after
	// the half second that tones below 100 Hz settle at least.
	ringing := divider(1000, func(hz float64) complex128 { return 6 + 300/complex(1, 80*(hz/95-95/hz)) })
	r, err := Of(t.Context(), synthetic{sig: sig, after: 4800, g: ringing, noise: 1e-5}.record(t), sig)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Seen.Ringing) < 5 {
		t.Errorf("ringing seen at %v Hz", r.Seen.Ringing)
	}
	if worst, _, _ := agreement(r, ringing); worst > 8 {
		t.Errorf("largest error %.1f standard uncertainties", worst)
	}
	r, err = Of(t.Context(), synthetic{sig: tones(t, signal.TonesOptions{LowHz: 60, HighHz: 180, SettleSeconds: 3}), after: 4800, g: ringing, noise: 1e-5}.record(t), sig)
	if err == nil {
		t.Errorf("tones with other times to settle were taken as these: %d points", len(r.Points))
	}
}

func TestTonesFaults(t *testing.T) {
	sig := tones(t, quickTones)
	good := synthetic{sig: sig, before: 9600, after: 9600, g: divider(10, cabinet), noise: 1e-4}
	dwell := 9600 + sig.Dwells()[4]
	for _, tc := range []struct {
		name  string
		spoil func(*card.Recording)
		cause card.Cause
		says  string
	}{
		{"ends early", func(r *card.Recording) { r.V1, r.V2 = r.V1[:100000], r.V2[:100000] }, card.TooShort, "before the signal does"},
		{"begins too late", func(r *card.Recording) { r.V1, r.V2 = r.V1[20000:], r.V2[20000:] }, card.NoSignal, "is not in input 1"},
		{"a block of silence", func(r *card.Recording) { clear(r.V2[dwell+1000 : dwell+1100]) }, card.Dropout, "not a steady sine"},
		{"a lost block", func(r *card.Recording) {
			r.V1 = append(r.V1[:dwell+700], r.V1[dwell+732:]...)
			r.V2 = append(r.V2[:dwell+700], r.V2[dwell+732:]...)
		}, card.Dropout, "lost or doubled"},
		{"a block twice", func(r *card.Recording) {
			r.V1 = append(r.V1[:dwell+64:dwell+64], r.V1[dwell:]...)
			r.V2 = append(r.V2[:dwell+64:dwell+64], r.V2[dwell:]...)
		}, card.Dropout, "lost or doubled"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rec := good.record(t)
			tc.spoil(&rec)
			_, err := Of(t.Context(), rec, sig)
			wantFault(t, err, tc.cause, tc.says)
		})
	}
}

// A third harmonic of a load is said, with what it may do to the tone; that of a
// source, which is in both inputs, is not.
func TestTonesThatBend(t *testing.T) {
	sig := tones(t, signal.TonesOptions{LowHz: 70, PerOctave: 4, SettleSeconds: 0.1, DwellSeconds: 0.1})
	flat := func(float64) complex128 { return 0.4 }
	for _, tc := range []struct {
		name         string
		source, load float64
	}{{"nothing", 0, 0}, {"load of -60 dB", 0, 1e-3}, {"source of -30 dB", 0.032, 0}} {
		t.Run(tc.name, func(t *testing.T) {
			rec := synthetic{sig: sig, after: 4800, g: flat, noise: 3e-5, seed: 2}.record(t)
			for i := range rec.V1 {
				u := rec.V1[i] / sig.Peak
				third := sig.Peak * (4*u*u*u - 3*u)
				rec.V1[i] += tc.source * third
				rec.V2[i] += 0.4*tc.source*third + tc.load*third
			}
			r, err := Of(t.Context(), rec, sig)
			if err != nil {
				t.Fatal(err)
			}
			b := r.Seen.Bending
			if (b != nil) != (tc.load > 0) {
				t.Fatalf("found %+v", b)
			}
			if b == nil {
				return
			}
			if want := tc.load / 0.4; math.Abs(b.Orders[0].Part/want-1) > 0.1 || len(b.Moves) < 20 || math.Abs(b.Moves[0].Part/(3*want/0.6)-1) > 0.1 {
				t.Errorf("found %+v, want a third harmonic of %.4f that moves |Z| by %.4f", *b, want, 3*want/0.6)
			}
		})
	}
}
