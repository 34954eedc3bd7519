package ratio

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/signal"
)

func multitone(t testing.TB, o signal.MultitoneOptions) signal.Multitone {
	t.Helper()
	m, err := signal.NewMultitone(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// Every excited line is a point, exact without noise.
func TestMultitoneRatioIsExact(t *testing.T) {
	sig := multitone(t, signal.MultitoneOptions{PeriodSeconds: 1})
	truth := divider(10, cabinet)
	r, err := Of(t.Context(), synthetic{sig: sig, before: 9600, after: 9600, g: truth}.record(t), sig)
	if err != nil {
		t.Fatal(err)
	}
	lines := sig.Lines()
	if len(r.Points) != len(lines) || r.Seen.LeftOut != 0 {
		t.Fatalf("%d points of %d lines", len(r.Points), len(lines))
	}
	for i, p := range r.Points {
		if want := float64(lines[i]) * 48000 / float64(sig.Frame().Period); math.Abs(p.Hz-want) > 1e-9*want {
			t.Fatalf("point %d at %g Hz, want %g", i, p.Hz, want)
		}
	}
	if e := worstRelative(r, truth, 5); e > 1e-9 {
		t.Errorf("largest relative error %.2g", e)
	}
	if r.Seen.Distortion != [2]float64{} {
		t.Errorf("distortion %v of a linear load", r.Seen.Distortion)
	}
}

func TestMultitoneNoiseCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("many sweeps")
	}
	sig := multitone(t, signal.MultitoneOptions{PeriodSeconds: 0.6, LowHz: 40})
	for _, db := range []float64{-60, -90} {
		y := synthetic{sig: sig, after: 4800, g: divider(10, cabinet), noise: math.Pow(10, db/20)}
		if c, _ := y.covers(t, 24); c < 0.935 || c > 0.965 {
			t.Errorf("noise %g dB: %.2f %% of parts inside their 95 %% intervals", db, 100*c)
		}
	}
}

// A load or input that adds a x^2 and b x^3 of V2 is seen as distortion of
// even and of odd order, with the rms of what it adds beyond the linear part.
func TestMultitoneSeesDistortion(t *testing.T) {
	sig := multitone(t, signal.MultitoneOptions{PeriodSeconds: 1})
	flat := func(float64) complex128 { return 0.5 }
	for _, order := range []int{2, 3} {
		rec := synthetic{sig: sig, before: 9600, after: 9600, g: flat, noise: 1e-6}.record(t)
		// What the source distorts, both inputs hear, and it does not count.
		for i, v := range rec.V1 {
			rec.V1[i] += 0.02 * v * v
			rec.V2[i] += 0.01 * v * v
		}
		const a = 0.01
		var added, product, square float64
		for _, v := range rec.V2 {
			d := a * math.Pow(v, float64(order))
			added += d * d
			product += d * v
			square += v * v
		}
		var mean float64
		for i, v := range rec.V2 {
			d := a * math.Pow(v, float64(order))
			mean += d / float64(len(rec.V2))
			rec.V2[i] += d
		}
		// What the linear part and the offset do not explain.
		want := math.Sqrt((added - product*product/square - mean*mean*float64(len(rec.V2))) / square)
		r, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		got, other := r.Seen.Distortion[order%2], r.Seen.Distortion[1-order%2]
		// Products outside the band, and of odd order on excited lines, are
		// not counted.
		if got > want || got < 0.6*want || other > 0.05*want {
			t.Errorf("order %d: distortion %.3g (and %.3g of the other kind), want up to %.3g", order, got, other, want)
		}
	}
}

// What went wrong: a multitone of full length was said to be distorted, of either
// order, in any noise. Each line counted by the inverse square of the very noise
// that was taken off it, by which what was estimated too low counted for more: so
// little a line that only tens of thousands of lines together showed it.
func TestMultitoneInNoiseIsNotDistorted(t *testing.T) {
	sig := multitone(t, signal.MultitoneOptions{})
	for _, db := range []float64{-50, -80} {
		rec := synthetic{sig: sig, after: 4800, g: divider(10, cabinet), noise: math.Pow(10, db/20)}.record(t)
		r, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		if d := r.Seen.Distortion; d != [2]float64{} {
			t.Errorf("noise %g dB: distortion %.2g of a linear load", db, d)
		}
		if db > -80 { // which hides it
			continue
		}
		for i, v := range rec.V2 {
			rec.V2[i] += 2e-3 * v * v
		}
		if r, err = Of(t.Context(), rec, sig); err != nil {
			t.Fatal(err)
		}
		if d := r.Seen.Distortion; d[0] < 2e-4 || d[0] > 4e-4 || d[1] != 0 {
			t.Errorf("noise %g dB: distortion %.2g, want 2.8e-4 of even order alone", db, d)
		}
	}
}

// Half a period off, many periods score nearly as well as in their place.
func TestMultitoneOfEightPeriods(t *testing.T) {
	sig := multitone(t, signal.MultitoneOptions{PeriodSeconds: 1, Periods: 8})
	truth := divider(10, cabinet)
	for _, before := range []int{3000, 9600, 33333} {
		r, err := Of(t.Context(), synthetic{sig: sig, before: before, after: 12000, g: truth, noise: 1e-5}.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		if worst, _, _ := agreement(r, truth); worst > 5 {
			t.Errorf("%d samples before: largest error %.1f standard uncertainties", before, worst)
		}
	}
}

// What a load distorts falls on excited lines as on silent ones. Hermite's
// polynomial u^3 - 3 u of a signal that is as good as Gaussian has nothing in
// common with it, so that the ratio is that of the linear load.
func TestMultitoneCountsDistortionOnItsLines(t *testing.T) {
	sig := multitone(t, signal.MultitoneOptions{PeriodSeconds: 1.2, LowHz: 40})
	truth := divider(10, cabinet)
	record := func(source, load float64) Ratio {
		rec := synthetic{sig: sig, after: 4800, g: truth}.record(t)
		rms := card.RMS(rec.V1)
		cube := make([]float64, len(rec.V1))
		for i, v := range rec.V1 {
			u := v / rms
			cube[i] = rms * (u*u*u - 3*u) / math.Sqrt(6)
		}
		// The source's goes through the load.
		n := signal.SmoothLength(len(cube) + sig.RateHz/4)
		padded := make([]float64, n)
		copy(padded, cube)
		fft := fourier.NewFFT(n)
		c := fft.Coefficients(nil, padded)
		for k := range c {
			c[k] *= truth(fft.Freq(k)*float64(sig.RateHz)) / complex(float64(n), 0)
		}
		through := fft.Sequence(nil, c)
		r := rand.New(rand.NewPCG(1, 7))
		for i := range rec.V1 {
			rec.V1[i] += source*cube[i] + 3e-5*r.NormFloat64()
			rec.V2[i] += source*through[i] + load*cube[i] + 3e-5*r.NormFloat64()
		}
		ratio, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		return ratio
	}
	clean := record(0, 0)
	for _, tc := range []struct {
		name         string
		source, load float64
	}{{"load of -60 dB", 0, 1e-3}, {"load of -40 dB", 0, 1e-2}, {"source of -30 dB", 0.032, 0}, {"both", 0.032, 1e-3}} {
		t.Run(tc.name, func(t *testing.T) {
			r := record(tc.source, tc.load)
			if worst, inside, parts := agreement(r, truth); worst > 4.5 || float64(inside) < 0.9*float64(parts) {
				t.Errorf("largest error %.1f standard uncertainties, %.1f %% inside 95 %%", worst, 100*float64(inside)/float64(parts))
			}
			if (r.Seen.Distortion[1] > 0) != (tc.load > 0) {
				t.Errorf("distortion %.2g", r.Seen.Distortion)
			}
			if tc.load > 0 {
				return
			}
			for i, p := range r.Points {
				if u, want := math.Sqrt(p.Noise.RR), math.Sqrt(clean.Points[i].Noise.RR); math.Abs(u/want-1) > 0.1 {
					t.Errorf("%.1f Hz: standard uncertainty %.3g, %.3g without", p.Hz, u, want)
				}
			}
		})
	}
}
