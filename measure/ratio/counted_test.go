package ratio

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// codes returns so many samples that are codes of 24 bits.
func codes(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 24))
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Round(0.2*r.NormFloat64()*(1<<23)) / (1 << 23)
	}
	return x
}

// Samples are the same, one after the other and far apart, of a recording on its own
// clock and not.
func TestCountedSamplesAreReadAnywhere(t *testing.T) {
	rec := card.Recording{RateHz: 48000, V1: codes(40000, 3), V2: codes(40000, 4)}
	for _, drift := range []float64{0, 40e-6} {
		c := &counted{sound: rec, frame: signal.Frame{Period: 15000, Periods: 2}, start: 3000}
		if drift != 0 {
			var err error
			if c.clock, err = newOnClock(rec, c.start, c.samples(), drift, 20000); err != nil {
				t.Fatal(err)
			}
		}
		read := func(v1, v2 []float64, from, step int) {
			t.Helper()
			if err := c.read(t.Context(), v1, v2, from, step); err != nil {
				t.Fatal(err)
			}
		}
		all := [2][]float64{make([]float64, c.samples()), make([]float64, c.samples())}
		read(all[0], all[1], 0, 1)
		if drift == 0 && !slices.Equal(all[1], rec.V2[3000:33000]) {
			t.Error("other samples than those recorded")
		}
		for _, step := range []int{1, 3, 1000} {
			for _, from := range []int{0, 1, 777} {
				n := (c.samples()-from-1)/step + 1
				v1, v2 := make([]float64, n), make([]float64, n)
				read(v1, v2, from, step)
				alone := make([]float64, n)
				read(nil, alone, from, step)
				for i := range n {
					at := from + i*step
					if v1[i] != all[0][at] || v2[i] != all[1][at] || alone[i] != v2[i] {
						t.Fatalf("clock %g, from %d by %d: sample %d is another", drift, from, step, i)
					}
				}
			}
		}
	}
}

// A recording that is transformed in parts, up to its band alone, says what it says when
// it is transformed as a whole: with hum, clocks, a load that warms, a source that changes.
func TestPartsMakeNoDifference(t *testing.T) {
	m, err := signal.NewMultitone(t.Context(), signal.MultitoneOptions{PeriodSeconds: 0.6, LowHz: 40, HighHz: 5000})
	if err != nil {
		t.Fatal(err)
	}
	narrow := chirp(t, signal.ChirpOptions{RateHz: 48000, LowHz: 40, HighHz: 6000, PeriodSeconds: 0.8, Periods: 3})
	for _, tc := range []struct {
		name   string
		sig    signal.Periodic
		warms  float64 // ohms
		clocks bool
	}{
		{"chirp", narrow, 0, false},
		{"warming", narrow, 0.124, false},
		{"clocks", narrow, 0, true},
		{"clocks and warming", narrow, 0.124, true},
		{"whole band", chirp(t, quick), 0, false},
		{"multitone", m, 0.124, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rec := slowly{sig: tc.sig, load: cabinet, ohm: tc.warms, noise: 1e-4}.record(t)
			addTone(rec, 150.3, 1, 2e-3, 1e-3)
			if tc.clocks {
				rec = warped(rec, func(at float64) float64 { return at * 30e-6 })
			}
			f := tc.sig.Frame()
			var orders [2]Harmonic
			ratio := func(most, at int) Ratio {
				t.Helper()
				g, err := ofPeriodic(t.Context(), rec, tc.sig, most, func(s spectrum) {
					if c, ok := tc.sig.(signal.Chirp); ok {
						orders[at] = s.harmonics(t.Context(), rec, c)
					}
				})
				if err != nil {
					t.Fatal(err)
				}
				return g
			}
			want, got := ratio(f.Period*f.Periods, 0), ratio(f.Period*f.Periods/3, 1)
			if by := inParts(f, f.Period*f.Periods/3); by < 3 || by > 5 {
				t.Errorf("%d parts", by)
			}
			if len(got.Points) != len(want.Points) {
				t.Fatalf("%d points, want %d", len(got.Points), len(want.Points))
			}
			for i, p := range got.Points {
				w := want.Points[i]
				u := math.Sqrt(w.Noise.RR + w.Noise.II)
				if p.Hz != w.Hz || cmplx.Abs(p.G-w.G) > 0.02*u || math.Abs(p.Noise.RR/w.Noise.RR-1) > 0.02 {
					t.Errorf("at %g Hz %v ± %g, want %v ± %g", p.Hz, p.G, math.Sqrt(p.Noise.RR), w.G, math.Sqrt(w.Noise.RR))
				}
			}
			for ch := range 2 {
				if a, b := got.Seen.NoiseFloor[ch], want.Seen.NoiseFloor[ch]; math.Abs(a/b-1) > 3e-3 {
					t.Errorf("noise of %g, want %g", a, b)
				}
				if a, b := got.Seen.Level[ch], want.Seen.Level[ch]; math.Abs(a/b-1) > 1e-12 {
					t.Errorf("level of %g, want %g", a, b)
				}
			}
			if (got.Seen.Drift == nil) != (want.Seen.Drift == nil) || (want.Seen.Drift == nil) != (tc.warms == 0) {
				t.Errorf("drift %v, want %v", got.Seen.Drift, want.Seen.Drift)
			}
			if d := want.Seen.Drift; d != nil && math.Abs(got.Seen.Drift.Warms-d.Warms) > 0.01*d.UWarms {
				t.Errorf("warms by %g, want %g", got.Seen.Drift.Warms, d.Warms)
			}
			for i, o := range orders[0].Orders {
				for j, l := range o.Level {
					if n := orders[1].Orders[i]; math.Abs(n.Level[j]-l) > 0.05 || math.Abs(n.Floor[j]-o.Floor[j]) > 0.05 {
						t.Errorf("order %d at %g Hz: %g over %g dB, want %g over %g", o.Number, orders[0].Hz[j], n.Level[j], n.Floor[j], l, o.Floor[j])
					}
				}
			}
		})
	}
}

// Parts are of whole periods' lines, and few.
func TestParts(t *testing.T) {
	for _, tc := range []struct{ period, periods, most, want int }{
		{1 << 18, 4, 1 << 20, 1}, {1 << 18, 4, 1<<20 - 1, 2}, {46080, 3, 1 << 12, 36}, {24_000_000, 4, 1 << 23, 12}, {2_812_500, 5, 1 << 23, 6},
	} {
		if by := inParts(signal.Frame{Period: tc.period, Periods: tc.periods}, tc.most); by != tc.want {
			t.Errorf("%d periods of %d samples, at most %d: %d parts, want %d", tc.periods, tc.period, tc.most, by, tc.want)
		}
	}
}

// What went wrong: the spectrum of ten minutes at 48 kHz, and the room to make it, took
// 3.5 times what its file has for the samples, and was all that did. A frame of two inputs
// of 24 bits has 6 bytes; three times that is enough, also once more where something
// drifted.
func TestLongSpectraTakeThreeTimesTheirSamples(t *testing.T) {
	const frameBytes, mostTimes = 6, 3
	f := signal.Frame{Period: 1 << 18, Periods: 5, LowHz: 10, HighHz: 20000}
	rec := card.Recording{RateHz: 48000, V1: codes(f.Period*f.Periods, 5), V2: codes(f.Period*f.Periods, 6)}
	c := &counted{sound: rec, frame: f, parts: inParts(f, f.Period*f.Periods/partOf)}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	s, err := c.newSpectrum(t.Context(), rec.RateHz, 21000)
	if err == nil {
		_, err = c.transform(t.Context(), &s)
	}
	runtime.ReadMemStats(&after)
	if err != nil {
		t.Fatal(err)
	}
	taken := float64(after.TotalAlloc-before.TotalAlloc) / float64(f.Period*f.Periods)
	if taken > mostTimes*frameBytes {
		t.Errorf("%.1f bytes for each frame of %d", taken, frameBytes)
	}
	t.Logf("%.1f bytes for each frame", taken)
	s.x1.Forget()
	s.x2.Forget()
	runtime.GC()
	runtime.ReadMemStats(&before)
	if left := float64(before.HeapAlloc) - float64(after.HeapAlloc); left > -4*float64(f.Period*f.Periods) {
		t.Errorf("the lines between give back %.3g bytes, of %d frames", -left, f.Period*f.Periods)
	}
	runtime.KeepAlive(rec)
	runtime.KeepAlive(s)
}

// Nothing but the samples that count is needed, and none is changed.
func TestNothingBesideWhatCountsIsNeeded(t *testing.T) {
	sig := chirp(t, quick)
	f := sig.Frame()
	rec := synthetic{sig: sig, before: 3000, after: 3000, g: divider(10, cabinet), noise: 1e-4}.record(t)
	before := slices.Clone(rec.V1)
	want, err := Of(t.Context(), rec, sig)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(rec.V1, before) {
		t.Error("Of changes the recording")
	}
	from := int(math.Round(want.Seen.StartSeconds * 48000))
	rec.V1, rec.V2 = rec.V1[from:from+f.Period*f.Periods], rec.V2[from:from+f.Period*f.Periods]
	got, err := Of(t.Context(), rec, sig)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Points, want.Points) {
		t.Error("other points")
	}
}

// Nothing of a recording that was not all looked at is an answer, be it right.
func TestNoAnswerAfterTheContext(t *testing.T) {
	sig := chirp(t, quick)
	m, err := signal.NewMultitone(t.Context(), signal.MultitoneOptions{PeriodSeconds: 0.6, LowHz: 40})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, s := range []signal.Signal{sig, m, tones(t, signal.TonesOptions{PerOctave: 3})} {
		rec := card.Recording{RateHz: 48000, V1: s.Samples(), V2: s.Samples(), Inputs: [2]int{1, 2}}
		if _, err := Of(ctx, rec, s); !errors.Is(err, context.Canceled) {
			t.Errorf("%T: error %v", s, err)
		}
	}
	rec := card.Recording{RateHz: 48000, V1: sig.Samples(), V2: sig.Samples()}
	if _, err := harmonicsAlone(ctx, rec, sig); !errors.Is(err, context.Canceled) {
		t.Errorf("harmonics: error %v", err)
	}
}
