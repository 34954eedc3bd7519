package ratio

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

// quick is a chirp short enough for many seeds.
var quick = signal.ChirpOptions{PeriodSeconds: 0.6, LowHz: 40}

func TestNoiselessRatioIsExact(t *testing.T) {
	for _, rate := range []int{44100, 48000, 88200, 96000, 192000} {
		t.Run(fmt.Sprint(rate), func(t *testing.T) {
			sig := chirp(t, signal.ChirpOptions{RateHz: rate})
			truth := divider(10, cabinet)
			r, err := Of(t.Context(), synthetic{sig: sig, before: rate / 3, after: rate / 4, g: truth}.record(t), sig)
			if err != nil {
				t.Fatal(err)
			}
			// What remains is the sixth-order bias of the cells, largest at
			// the resonance of 1.9 kHz.
			if e := worstRelative(r, truth, 10); e > 2e-7 {
				t.Errorf("largest relative error %.2g, want at most 2e-7", e)
			}
			first, last := r.Points[0].Hz, r.Points[len(r.Points)-1].Hz
			if first > 10 || first < 9.8 || last < 20000 || last > 20300 {
				t.Errorf("grid from %g to %g Hz, want it to just enclose 10 Hz to 20 kHz", first, last)
			}
			if n := len(r.Points); n < 480 || n > 11*PointsPerOctave+10 {
				t.Errorf("%d points for eleven octaves", n)
			}
		})
	}
}

func TestRatesThatDoubleShareAGrid(t *testing.T) {
	grid := func(rate int) (hz []float64) {
		sig := chirp(t, signal.ChirpOptions{RateHz: rate, PeriodSeconds: 0.5, LowHz: 50})
		r, err := Of(t.Context(), synthetic{sig: sig, g: divider(10, cabinet), after: rate / 10}.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range r.Points {
			hz = append(hz, p.Hz)
		}
		return hz
	}
	a, b := grid(48000), grid(96000)
	if len(a) != len(b) {
		t.Fatalf("%d points at 48 kHz, %d at 96 kHz", len(a), len(b))
	}
	for i := range a {
		if math.Abs(a[i]-b[i]) > 1e-9*a[i] {
			t.Fatalf("point %d: %g Hz at 48 kHz, %g Hz at 96 kHz", i, a[i], b[i])
		}
	}
}

func TestStatedNoiseCovers(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, quick)
	clean := synthetic{sig: sig, after: 4800, g: divider(10, cabinet)}
	for _, db := range []float64{-60, -80, -100} {
		clean.noise = math.Pow(10, db/20)
		if c, parts := clean.covers(t, 24); c < 0.935 || c > 0.965 {
			t.Errorf("noise %g dB: %.2f %% of parts inside their 95 %% intervals", db, 100*c)
		} else {
			t.Logf("noise %g dB: %.2f %% of %d parts inside their 95 %% intervals", db, 100*c, parts)
		}
	}
}

// Noise that both channels share, as hum and hiss of the source do, must
// neither bias the ratio nor spoil its covariance.
func TestCommonNoiseCovers(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, quick)
	truth := divider(10, cabinet)
	inside, parts := 0, 0
	for seed := range uint64(16) {
		y := synthetic{sig: sig, after: 4800, g: truth, noise: 1e-3, seed: seed}
		rec := y.record(t)
		y.noise, y.seed = 3e-3, seed+1000
		silent := y
		silent.g = func(float64) complex128 { return 0 }
		common := silent.record(t).V2
		for i := range common {
			rec.V1[i] += common[i]
			rec.V2[i] -= 0.7 * common[i]
		}
		r, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		_, in, of := agreement(r, truth)
		inside, parts = inside+in, parts+of
	}
	if c := float64(inside) / float64(parts); c < 0.93 || c > 0.97 {
		t.Errorf("%.2f %% of parts inside their 95 %% intervals", 100*c)
	}
}

func TestWhatMustNotMoveTheRatio(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{})
	truth := divider(10, cabinet)
	base := synthetic{sig: sig, after: 9600, g: truth, noise: 1e-5}
	highPass := func(hz float64) complex128 { return complex(0, hz) / complex(8, hz) }
	for _, tc := range []struct {
		name string
		make func() card.Recording
		seen func(Seen) error
	}{
		{"latency of 2 s", func() card.Recording { y := base; y.before = 96000; return y.record(t) }, func(s Seen) error {
			if math.Abs(s.StartSeconds-2.6) > 0.003 {
				return fmt.Errorf("signal found at %.4f s, want 2.6 s", s.StartSeconds)
			}
			return nil
		}},
		{"output coupled by a capacitor", func() card.Recording { y := base; y.v1 = highPass; return y.record(t) }, nil},
		{"offset", func() card.Recording {
			rec := base.record(t)
			for i := range rec.V1 {
				rec.V1[i] += 0.02
				rec.V2[i] -= 0.05
			}
			return rec
		}, nil},
		{"hum of 50 Hz", func() card.Recording {
			rec := base.record(t)
			addTone(rec, 50, 1, 3.2e-3, 1e-3)
			addTone(rec, 150, 2, 1e-3, 3e-4)
			return rec
		}, func(s Seen) error {
			if len(s.Mains) != 2 || math.Abs(s.Mains[0].Hz-50) > 1e-3 || math.Abs(s.Mains[0].Peak[0]/3.2e-3-1) > 0.01 {
				return fmt.Errorf("hum seen as %+v", s.Mains)
			}
			return nil
		}},
		{"hum of 60.03 Hz", func() card.Recording { rec := base.record(t); addTone(rec, 60.03, 1, 3e-4, 3.2e-3); return rec }, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r, err := Of(t.Context(), tc.make(), sig)
			if err != nil {
				t.Fatal(err)
			}
			worst, inside, parts := agreement(r, truth)
			// The largest of a thousand normal deviates stays below 5.
			if c := float64(inside) / float64(parts); worst > 5 || c < 0.92 {
				t.Errorf("largest error %.1f standard uncertainties, %.1f %% inside 95 %%", worst, 100*c)
			}
			if e := worstRelative(r, truth, 20); e > 3e-4 {
				t.Errorf("largest relative error %.2g", e)
			}
			if tc.seen != nil {
				if err := tc.seen(r.Seen); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

// skew returns rec as a recorder with a clock faster by ppm would have taken
// it: each sample by a long sum over the band-limited original. Sine and window
// of a term are those of the term next to it, turned.
func skew(rec card.Recording, ppm float64) card.Recording {
	const half = 160
	const window = math.Pi / (2*half + 2)
	var cos, sin [2*half + 1]float64 // of whole samples in the window, from -half on
	for j := range cos {
		sin[j], cos[j] = math.Sincos(window * float64(j-half))
	}
	stretch := func(x []float64) []float64 {
		y := make([]float64, len(x)-2*half)
		for i := range y {
			at := float64(half+i) * (1 - ppm*1e-6)
			n := int(math.Floor(at))
			part := at - float64(n)
			s, c := math.Sincos(window * part)
			wave := math.Sin(math.Pi*part) / math.Pi
			var sum float64
			for k := max(0, n-half); k < min(len(x), n+half); k++ {
				j := n - k + half
				w := c*cos[j] - s*sin[j]
				sinc := 1.0
				if d := at - float64(k); d != 0 {
					sinc = wave / d
				}
				if j%2 != half%2 {
					sinc = -sinc
				}
				sum += x[k] * sinc * w * w
			}
			y[i] = sum
		}
		return y
	}
	rec.V1, rec.V2 = stretch(rec.V1), stretch(rec.V2)
	return rec
}

func TestClockDifference(t *testing.T) {
	sig := chirp(t, quick)
	truth := divider(10, cabinet)
	for _, ppm := range []float64{-180, 40} {
		rec := skew(synthetic{sig: sig, before: 5000, after: 9600, g: truth, noise: 1e-5}.record(t), ppm)
		r, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.Seen.ClockPPM-ppm) > 0.05 {
			t.Errorf("clock difference %.3f ppm, want %g", r.Seen.ClockPPM, ppm)
		}
		worst, inside, parts := agreement(r, truth)
		if c := float64(inside) / float64(parts); worst > 5 || c < 0.9 {
			t.Errorf("%g ppm: largest error %.1f standard uncertainties, %.1f %% inside 95 %%", ppm, worst, 100*c)
		}
	}
}

// atRate returns rec as inputs took it that run r times as fast as they say.
func atRate(rec card.Recording, r float64) card.Recording {
	rec.V1, rec.V2 = stretch(rec.V1, r), stretch(rec.V2, r)
	return rec
}

// ride lets the gain of both inputs fall by 6 dB from the given sample on, with
// a time constant in seconds.
func ride(rec *card.Recording, from int, seconds float64) {
	for i := from; i < len(rec.V1); i++ {
		g := 0.5 + 0.5*math.Exp(-float64(i-from)/(seconds*float64(rec.RateHz)))
		rec.V1[i] *= g
		rec.V2[i] *= g
	}
}

func TestFaults(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 1.2, LowHz: 40})
	other := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.9, LowHz: 200})
	good := synthetic{sig: sig, before: 9600, after: 9600, g: divider(10, cabinet), noise: 1e-4}
	counted := 9600 + sig.Frame().LeadIn // first counted sample in the recording
	for _, tc := range []struct {
		name  string
		spoil func(*card.Recording)
		cause card.Cause
		says  string
	}{
		{"silence", func(r *card.Recording) {
			for i := range r.V1 {
				r.V1[i] *= 1e-9
			}
			for i := range r.V1 {
				r.V1[i] += float64(i%7) * 1e-5
			}
		}, card.DeadInput, "input 1"},
		{"silence in both", func(r *card.Recording) {
			for i := range r.V1 {
				r.V1[i], r.V2[i] = float64(i%7)*1e-5, float64(i%5)*1e-5
			}
		}, card.NoSignal, "input 1"},
		{"recorded at 44.1 kHz", func(r *card.Recording) { *r = atRate(*r, 44100.0/48000) }, card.WrongRate, "looks recorded at 44100 Hz"},
		{"recorded at 96 kHz", func(r *card.Recording) { *r = atRate(*r, 2) }, card.WrongRate, "looks recorded at 96000 Hz"},
		{"clock 0.4 % fast", func(r *card.Recording) { *r = atRate(*r, 1.004) }, card.WrongRate, "about 0.4 % apart"},
		{"clock 0.7 % slow", func(r *card.Recording) { *r = atRate(*r, 0.993) }, card.WrongRate, "about 0.7 % apart"},
		{"gain that settles in 0.3 s", func(r *card.Recording) { ride(r, 9600, 0.3) }, card.AutomaticGain, "the gain of"},
		{"gain that settles in 3 s", func(r *card.Recording) { ride(r, 9600, 3) }, card.AutomaticGain, "the gain of"},
		{"another signal", func(r *card.Recording) {
			*r = synthetic{sig: other, before: 9600, after: 9600, g: divider(10, cabinet), noise: 1e-4}.record(t)
		}, card.NoSignal, "same options"},
		{"ends early", func(r *card.Recording) { r.V1, r.V2 = r.V1[:100000], r.V2[:100000] }, card.TooShort, "missing"},
		{"begins too late", func(r *card.Recording) { r.V1, r.V2 = r.V1[60000:], r.V2[60000:] }, card.TooShort, "missing"},
		{"a block of silence", func(r *card.Recording) { clear(r.V2[counted+30000 : counted+30064]) }, card.Dropout, "input 2"},
		{"a lost block", func(r *card.Recording) {
			r.V1 = append(r.V1[:counted+70000], r.V1[counted+70256:]...)
			r.V2 = append(r.V2[:counted+70000], r.V2[counted+70256:]...)
		}, card.Dropout, "lost or doubled"},
		{"a block twice", func(r *card.Recording) {
			r.V1 = append(r.V1[:counted+80128:counted+80128], r.V1[counted+80000:]...)
			r.V2 = append(r.V2[:counted+80128:counted+80128], r.V2[counted+80000:]...)
		}, card.Dropout, "lost or doubled"},
		{"another rate", func(r *card.Recording) { r.RateHz = 44100 }, card.WrongRate, "44100 Hz"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rec := good.record(t)
			tc.spoil(&rec)
			_, err := Of(t.Context(), rec, sig)
			wantFault(t, err, tc.cause, tc.says)
		})
	}
}

// A recording that starts late is good as long as the lead-in and the tail
// make up for what is missing.
func TestLateStartWithinTheLeadIn(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 1.2, LowHz: 40})
	truth := divider(10, cabinet)
	rec := synthetic{sig: sig, after: 9600, g: truth, noise: 1e-5}.record(t)
	missing := sig.Frame().LeadIn + 4000
	rec.V1, rec.V2 = rec.V1[missing:], rec.V2[missing:]
	r, err := Of(t.Context(), rec, sig)
	if err != nil {
		t.Fatal(err)
	}
	if worst, _, _ := agreement(r, truth); worst > 5 {
		t.Errorf("largest error %.1f standard uncertainties", worst)
	}
}

// No good recording may be taken for a faulty one.
func TestNoFalseDropouts(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, quick)
	for seed := range uint64(48) {
		noise := math.Pow(10, -1.3-float64(seed%40)/10) // -26 dB to -104 dB
		rec := synthetic{sig: sig, after: 4800, g: divider(10, cabinet), noise: noise, seed: seed}.record(t)
		if seed%3 == 0 {
			addTone(rec, 50, float64(seed), 0.05, 0.02)
		}
		var fault *card.Fault
		if _, err := Of(t.Context(), rec, sig); errors.As(err, &fault) {
			t.Fatalf("seed %d, noise %.1g: %v", seed, noise, err)
		}
	}
}

func TestWeakSignalLeavesPointsOut(t *testing.T) {
	sig := chirp(t, quick)
	// The source falls off steeply above 2 kHz: little is left at the top.
	steep := func(hz float64) complex128 { return complex(1/(1+math.Pow(hz/2000, 6)), 0) }
	r, err := Of(t.Context(), synthetic{sig: sig, after: 4800, v1: steep, g: divider(10, cabinet), noise: 1e-4}.record(t), sig)
	if err != nil {
		t.Fatal(err)
	}
	if r.Seen.LeftOut == 0 {
		t.Error("no point was left out")
	}
	for _, p := range r.Points {
		if e := cmplx.Abs(p.G - divider(10, cabinet)(p.Hz)); e > 6*math.Sqrt(p.Noise.RR+p.Noise.II) {
			t.Errorf("%.0f Hz: error %.2g is above what is stated (%.2g)", p.Hz, e, math.Sqrt(p.Noise.RR+p.Noise.II))
		}
	}
}

// BenchmarkOf is the whole analysis of one default sweep; BenchmarkTransforms
// is the two transforms that it cannot do without.
func BenchmarkOf(b *testing.B) {
	sig := chirp(b, signal.ChirpOptions{})
	rec := synthetic{sig: sig, after: 4800, g: divider(10, cabinet), noise: 1e-5}.record(b)
	for b.Loop() {
		if _, err := Of(b.Context(), rec, sig); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTransforms(b *testing.B) {
	sig := chirp(b, signal.ChirpOptions{})
	rec := synthetic{sig: sig, after: 4800, g: divider(10, cabinet), noise: 1e-5}.record(b)
	n := sig.Frame().Period * sig.Frame().Periods
	lines := [2][]complex128{make([]complex128, n/2+1), make([]complex128, n/2+1)}
	room := make([]float64, n)
	for b.Loop() {
		fft := transform.New(n)
		for ch, x := range [2][]float64{rec.V1, rec.V2} {
			copy(fft.Values(lines[ch]), x)
			if err := fft.Forward(b.Context(), lines[ch], room); err != nil {
				b.Fatal(err)
			}
		}
	}
}
