package ratio

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tapload/measure/signal"
)

// stripsOf are strips of one line each, as of cells in the bass, or wider.
func stripsOf(n int, width float64, noise float64, g func(x float64) complex128) (strips []strip) {
	for i := range n {
		x := 1000 + width*(float64(i)-float64(n-1)/2)
		strips = append(strips, strip{x: x, hi: int(width) - 1, g: g(x), noise: noise})
	}
	return strips
}

// A polynomial of degree 8 comes back as it is, and the peak of a resonance
// whose half width is three lines, over a smooth rest, too.
func TestSmoothCurveIsExact(t *testing.T) {
	polynomial := func(x float64) complex128 {
		u := (x - 1000) / 14
		return complex(1+u-2*math.Pow(u, 3)+math.Pow(u, 8), math.Pow(u, 6)-u)
	}
	peak := func(x float64) complex128 {
		z := 6 + complex(0, x/500) + 200/complex(1, (x-1001)/3)
		return z / (z + 10)
	}
	for name, g := range map[string]func(float64) complex128{"polynomial": polynomial, "peak": peak} {
		p := smoothThrough(stripsOf(29, 1, 1e-12, g), 1000)
		for x := 996.0; x <= 1004; x += 0.5 {
			if e := cmplx.Abs(p.value(x) - g(x)); e > 1e-5 {
				t.Errorf("%s: off by %.2g at %g", name, e, x)
			}
		}
	}
}

// The stated variance of a smooth curve is that of its scatter.
func TestSmoothCurveVariance(t *testing.T) {
	peak := func(x float64) complex128 {
		z := 6 + 200/complex(1, (x-1001)/3)
		return z / (z + 10)
	}
	r := rand.New(rand.NewPCG(1, 2))
	for name, tc := range map[string]struct {
		g     func(float64) complex128
		sigma float64
	}{
		"flat": {func(float64) complex128 { return 0.4 }, 1e-2},
		"peak": {peak, 1e-4},
	} {
		const runs = 400
		var sum, stated float64
		for range runs {
			strips := stripsOf(29, 1, tc.sigma*tc.sigma, func(x float64) complex128 {
				return tc.g(x) + complex(tc.sigma/math.Sqrt2*r.NormFloat64(), tc.sigma/math.Sqrt2*r.NormFloat64())
			})
			p := smoothThrough(strips, 1000)
			sum += abs2(p.value(1000) - tc.g(1000))
			stated += p.variance([]float64{1000}, []float64{1})
		}
		// Which degree pays is chosen by the same noise, which costs a little.
		if q := sum / stated; q < 0.8 || q > 1.5 {
			t.Errorf("%s: scatter is %.2f of what is stated", name, q)
		}
	}
}

// A tone on a line of the signal shows nowhere between: at 16.7 Hz, where each
// line is a point, and at 400 Hz, where a cell has thirty.
func TestToneOnALine(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, signal.ChirpOptions{})
	truth := divider(10, cabinet)
	clean := synthetic{sig: sig, after: 9600, g: truth, noise: 1e-5}.record(t)
	line := float64(sig.RateHz) / float64(sig.Frame().Period)
	for _, near := range []float64{13.6, 16.7, 47.4, 154, 400, 5000} {
		hz := math.Round(near/line) * line
		rec := clean
		rec.V1, rec.V2 = append([]float64(nil), clean.V1...), append([]float64(nil), clean.V2...)
		addTone(rec, hz, 1, 2e-4, 1e-3)
		r, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		worst, _, _ := agreement(r, truth)
		if worst > 5 {
			t.Errorf("%.4g Hz: largest error %.1f standard uncertainties", hz, worst)
		}
		g := truth(hz)
		want := cmplx.Abs(complex(1e-3, 0) - 2e-4*g)
		if l := r.Seen.OnLines; len(l) != 1 || math.Abs(l[0].Hz-hz) > 1e-6 || math.Abs(l[0].Peak/want-1) > 0.05 {
			t.Errorf("%.4g Hz: seen as %+v, want one of %.3g", hz, l, want)
		}
	}
}

// A peak far narrower than the cells' polynomials follow.
func TestNarrowPeak(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, signal.ChirpOptions{})
	for _, tc := range []struct{ hz, q, res float64 }{{47, 30, 300}, {23.456, 27, 500}, {120, 40, 200}, {900, 60, 100}} {
		truth := divider(10, func(hz float64) complex128 {
			if hz == 0 {
				return 6
			}
			return 6 + complex(0, 2*math.Pi*hz*0.3e-3) + complex(tc.res, 0)/complex(1, tc.q*(hz/tc.hz-tc.hz/hz))
		})
		r, err := Of(t.Context(), synthetic{sig: sig, after: 9600, g: truth, noise: 1e-5}.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		worst, inside, parts := agreement(r, truth)
		if c := float64(inside) / float64(parts); worst > 5 || c < 0.93 || len(r.Seen.OnLines) > 0 {
			t.Errorf("Q %g at %g Hz: largest error %.1f standard uncertainties, %.1f %% inside 95 %%, %+v", tc.q, tc.hz, worst, 100*c, r.Seen.OnLines)
		}
	}
}

// A knock on the load while the chirp is there: the period in which it fell is
// left out, and it is named with its time.
func TestKnockBesideTheChirp(t *testing.T) {
	plainOnly(t)
	for _, periods := range []int{2, 4} {
		sig := chirp(t, signal.ChirpOptions{Periods: periods})
		f := sig.Frame()
		truth := divider(10, cabinet)
		clean := synthetic{sig: sig, before: 4800, after: 9600, g: truth, noise: 1e-5}.record(t)
		for _, hz := range []float64{70, 400, 3000} {
			for period := range periods {
				rec := clean
				rec.V1, rec.V2 = append([]float64(nil), clean.V1...), append([]float64(nil), clean.V2...)
				at := sig.Rise()*math.Log(hz/sig.StartHz) - 0.03
				start := 4800 + f.LeadIn + period*f.Period + int(at*48000)
				for i := range 4800 {
					w := math.Sin(math.Pi * float64(i) / 4800)
					b := 3e-3 * w * w * math.Sin(2*math.Pi*hz*float64(i)/48000)
					rec.V1[start+i] += b / 3
					rec.V2[start+i] += b
				}
				r, err := Of(t.Context(), rec, sig)
				if err != nil {
					t.Fatal(err)
				}
				worst, _, _ := agreement(r, truth)
				near := hz < 100 // it is as narrow as the noise about it is averaged over: u knows
				for _, b := range r.Seen.Bursts {
					near = near || b.LowHz < hz && b.HighHz > hz && b.Period == period && math.Abs(b.Seconds-at-float64(period*f.Period)/48000) < 0.1
				}
				if worst > 5.5 || !near {
					t.Errorf("%d periods, %g Hz in period %d: largest error %.1f standard uncertainties, seen as %+v", periods, hz, period, worst, r.Seen.Bursts)
				}
			}
		}
	}
}

// 60 dB below full scale in noise of -70 dB most of the treble is left out: what
// is beside the gap is as sure as it says.
func TestBesideWhatIsLeftOut(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, signal.ChirpOptions{Peak: 1e-3})
	truth := divider(10, cabinet)
	for seed := range uint64(6) {
		r, err := Of(t.Context(), synthetic{sig: sig, after: 9600, g: truth, noise: math.Pow(10, -70.0/20), seed: seed}.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		worst, _, _ := agreement(r, truth)
		if e := worstRelative(r, truth, 20); worst > 5 || e > 0.6 || r.Seen.LeftOut == 0 || r.Seen.ClockPPM != 0 || len(r.Seen.OnLines)+len(r.Seen.Bursts) > 0 {
			t.Errorf("seed %d: largest error %.1f standard uncertainties, %.2g, %d points left out, clock %g ppm, %+v, %+v", seed, worst, e, r.Seen.LeftOut, r.Seen.ClockPPM, r.Seen.OnLines, r.Seen.Bursts)
		}
	}
}

// Samples of one channel that are those of the other times a number have no
// noise at all.
func TestExactDivider(t *testing.T) {
	sig := chirp(t, quick)
	rec := synthetic{sig: sig, after: 4800, g: func(float64) complex128 { return 0 }}.record(t)
	for i, v := range rec.V1 {
		rec.V2[i] = v / 2
	}
	r, err := Of(t.Context(), rec, sig)
	if err != nil {
		t.Fatal(err)
	}
	if e := worstRelative(r, func(float64) complex128 { return 0.5 }, 0); !(e < 1e-9) || r.Seen.LeftOut > 0 || r.Seen.Bursts != nil || r.Seen.OnLines != nil {
		t.Errorf("largest relative error %.2g, seen %+v", e, r.Seen)
	}
}

// Hum 5 Hz wide, of -60 dB: noise about the mains that no tone follows. What it
// does to the points is in their uncertainty.
func TestBroadHum(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, signal.ChirpOptions{})
	truth := divider(10, cabinet)
	for seed := range uint64(3) {
		rec := synthetic{sig: sig, after: 9600, g: truth, noise: 1e-5, seed: seed}.record(t)
		r := rand.New(rand.NewPCG(seed, 5))
		const tones = 160
		for i := range tones {
			hz := 45 + 10*(float64(i)+r.Float64())/tones
			peak := 2e-3 * math.Sqrt(r.ExpFloat64()/tones) * math.Exp(-2*math.Ln2*math.Pow((hz-50)/5, 2))
			addTone(rec, hz, 2*math.Pi*r.Float64(), peak, 0.7*peak)
		}
		g, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		// The largest of 1100 normal deviates is above 4.5 once in 130 sweeps, and
		// the noise of each point near 50 Hz is known from a dozen lines.
		worst, inside, parts := agreement(g, truth)
		if c := float64(inside) / float64(parts); worst > 5 || c < 0.93 {
			t.Errorf("seed %d: largest error %.1f standard uncertainties, %.1f %% inside 95 %%", seed, worst, 100*c)
		}
		for _, p := range g.Points {
			if x := cmplx.Abs(p.G-truth(p.Hz)) / math.Sqrt(p.Noise.RR+p.Noise.II); math.Abs(p.Hz-50) < 5 && x > 3 {
				t.Errorf("seed %d: %.1f standard uncertainties off at %.2f Hz", seed, x, p.Hz)
			}
		}
	}
}
