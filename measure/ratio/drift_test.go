package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// slowly is a recording of a load of senseOhm 10 whose resistance and inputs
// change slowly.
type slowly struct {
	sig   signal.Signal
	load  func(hz float64) complex128
	ohm   float64 // of the load, at all frequencies, from the first to the last moment
	gain  float64 // part, of input 2
	gain1 float64 // and of input 1
	tau   float64 // time constant over the length; 0 for a straight line
	noise float64
	seed  uint64
}

// record reckons in time with the loads of both ends, between which dZ is small.
func (y slowly) record(t testing.TB) card.Recording {
	t.Helper()
	g := func(ohm float64) func(hz float64) complex128 {
		return divider(10, func(hz float64) complex128 { return y.load(hz) + complex(ohm, 0) })
	}
	rec := synthetic{sig: y.sig, after: 4800, g: g(0)}.record(t)
	up := synthetic{sig: y.sig, after: 4800, g: g(y.ohm / 2)}.record(t)
	down := synthetic{sig: y.sig, after: 4800, g: g(-y.ohm / 2)}.record(t)
	first, last := 0.0, float64(len(y.sig.Samples()))
	if p, ok := y.sig.(signal.Periodic); ok {
		f := p.Frame()
		first, last = float64(f.LeadIn), float64(f.LeadIn+f.Period*f.Periods)
	}
	r := rand.New(rand.NewPCG(y.seed, 0x0d1f))
	for i := range rec.V1 {
		x := (float64(i)-first)/(last-first) - 0.5
		if y.tau > 0 {
			x = (1 - math.Exp(-x/y.tau)) / (2 * math.Sinh(0.5/y.tau))
		}
		a, b, c := down.V2[i], rec.V2[i], up.V2[i]
		v := b + x*(c-a) + 2*x*x*(a-2*b+c) // through all three
		rec.V1[i] = rec.V1[i]*(1+y.gain1*x) + y.noise*r.NormFloat64()
		rec.V2[i] = v*(1+y.gain*x) + y.noise*r.NormFloat64()
	}
	return rec
}

// sounding is invented program material: noise whose spectrum falls and whose
// loudness comes and goes.
type sounding struct {
	signal.Listen
	x []float64
}

func (s sounding) Samples() []float64 { return slices.Clone(s.x) }

func music(t testing.TB, seconds float64) sounding {
	t.Helper()
	l, err := signal.NewListen(16000, seconds, signal.Band{LowHz: 40, HighHz: 6000, Coherence: signal.DefaultCoherence})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 0x50d))
	s := sounding{l, make([]float64, int(16000*seconds))}
	low := 0.0
	for i := range s.x {
		low += 0.1 * (r.NormFloat64() - low)
		swell := math.Sin(math.Pi * float64(i) / 8000)
		s.x[i] = 0.3 * low * (0.02 + swell*swell*(1+math.Sin(float64(i)/50000)))
	}
	return s
}

// sureness returns the standard uncertainty of point i, shared errors included.
func (r Ratio) sureness(i int) float64 {
	v := (r.Points[i].Noise.RR + r.Points[i].Noise.II) / 2
	for _, s := range r.Shared {
		v += abs2(s.DG[i])
	}
	return math.Sqrt(v)
}

func TestDriftIsFoundAndCorrected(t *testing.T) {
	plainOnly(t)
	c := chirp(t, signal.ChirpOptions{PeriodSeconds: 1.2, LowHz: 40})
	three := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.6, LowHz: 40, Periods: 3})
	m, err := signal.NewMultitone(t.Context(), signal.MultitoneOptions{PeriodSeconds: 1.2, LowHz: 40, PerOctave: 12})
	if err != nil {
		t.Fatal(err)
	}
	s := tones(t, signal.TonesOptions{LowHz: 40, PerOctave: 3})
	songs := music(t, 24)
	flat := func(float64) complex128 { return 8 }
	for _, tc := range []struct {
		name string
		slowly
		cause DriftCause // 0 for none
		warms float64
		gain  float64
		most  float64 // largest relative standard uncertainty
	}{
		{"nothing", slowly{sig: c, load: cabinet}, 0, 0, 0, 2e-4},
		{"warming by 2 %", slowly{sig: c, load: cabinet, ohm: 0.124}, Warming, 0.02, 0, 3e-4},
		{"warming by 2 %, most of it early", slowly{sig: c, load: cabinet, ohm: 0.124, tau: 0.3}, Warming, 0.02, 0, 4e-4},
		{"warming by 2 %, three periods", slowly{sig: three, load: cabinet, ohm: 0.124, tau: 1}, Warming, 0.02, 0, 6e-4},
		{"warming by 0.1 %", slowly{sig: c, load: cabinet, ohm: 0.0062}, Warming, 0.001, 0, 3e-4},
		{"gain by 1 %", slowly{sig: c, load: cabinet, gain: 0.01}, Gain, 0, 0.01, 3e-4},
		{"gain of input 1 by 1 %", slowly{sig: c, load: cabinet, gain1: 0.01}, Gain, 0, -0.01, 3e-4},
		{"both", slowly{sig: c, load: cabinet, ohm: 0.062, gain: -0.005, tau: 1}, WarmingAndGain, 0.01, -0.005, 4e-4},
		{"a resistor", slowly{sig: c, load: flat, ohm: 0.08}, WarmingOrGain, 0, 0, 3e-4},
		{"multitone", slowly{sig: m, load: cabinet}, 0, 0, 0, 2e-4},
		{"multitone, warming by 2 %", slowly{sig: m, load: cabinet, ohm: 0.124, tau: 1}, Warming, 0.02, 0, 2e-3},
		{"multitone, gain by 1 %", slowly{sig: m, load: cabinet, gain: 0.01, tau: 0.5}, Gain, 0, 0.01, 1e-3},
		{"tones", slowly{sig: s, load: cabinet}, 0, 0, 0, 1e-4},
		{"tones, warming by 2 %", slowly{sig: s, load: cabinet, ohm: 0.124, tau: 1}, Warming, 0.02, 0, 1e-3},
		{"tones, gain by 1 %", slowly{sig: s, load: cabinet, gain: 0.01, tau: 0.5}, Gain, 0, 0.01, 1e-3},
		{"material", slowly{sig: songs, load: cabinet}, 0, 0, 0, 3e-3},
		{"material, warming by 2 %", slowly{sig: songs, load: cabinet, ohm: 0.124, tau: 0.5}, Warming, 0.02, 0, 3e-3},
		{"material, gain by 1 %", slowly{sig: songs, load: cabinet, gain: 0.01}, Gain, 0, 0.01, 3e-3},
	} {
		t.Run(tc.name, func(t *testing.T) {
			y := tc.slowly
			y.noise, y.seed = 1e-4, 1
			r, err := Of(t.Context(), y.record(t), y.sig)
			if err != nil {
				t.Fatal(err)
			}
			truth := divider(10, y.load)
			for i, p := range r.Points {
				u := r.sureness(i)
				if e := cmplx.Abs(p.G - truth(p.Hz)); e > 4.5*u || u > tc.most*cmplx.Abs(p.G) {
					t.Errorf("%.1f Hz: error %.2g, standard uncertainty %.2g, of |G| = %.2f", p.Hz, e, u, cmplx.Abs(p.G))
				}
			}
			d := r.Seen.Drift
			if (d == nil) != (tc.cause == 0) {
				t.Fatalf("found %+v", d)
			}
			if d == nil {
				return
			}
			if d.Cause != tc.cause {
				t.Errorf("found %+v, want cause %d", *d, tc.cause)
			}
			// Re of the cabinet is 6.2 ohm, and its least a little more.
			if tc.cause != WarmingOrGain && (math.Abs(d.Warms-tc.warms) > 4*d.UWarms+0.03*tc.warms || math.Abs(d.Gain-tc.gain) > 4*d.UGain+2e-4) {
				t.Errorf("warms %.5f ± %.5f, want %.5f; gain %.5f ± %.5f, want %.5f", d.Warms, d.UWarms, tc.warms, d.Gain, d.UGain, tc.gain)
			}
		})
	}
}

// BenchmarkFalseAlarms says of how many clean sweeps something is said to bend or
// to drift. The loads are invented, of one peak each; noise is -110 to -40 dB.
func BenchmarkFalseAlarms(b *testing.B) {
	m, err := signal.NewMultitone(context.Background(), signal.MultitoneOptions{RateHz: 8000, PeriodSeconds: 1.2, LowHz: 20, HighHz: 3400})
	if err != nil {
		b.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		sig  signal.Periodic
	}{
		{"chirp", chirp(b, signal.ChirpOptions{RateHz: 8000, PeriodSeconds: 2.7, LowHz: 20, HighHz: 3400})},
		{"short chirp", chirp(b, signal.ChirpOptions{RateHz: 8000, PeriodSeconds: 0.8, LowHz: 40, HighHz: 3400})},
		{"multitone", m},
	} {
		b.Run(tc.name, func(b *testing.B) {
			const sweeps = 1000
			bends, drifts := 0, 0
			for b.Loop() {
				for seed := range uint64(sweeps) {
					r := rand.New(rand.NewPCG(seed, 0xfa15e))
					load := resonance(20*math.Pow(10, r.Float64()), 2+18*r.Float64(), 5+100*r.Float64())
					y := synthetic{sig: tc.sig, after: 1600, g: divider(10, load), noise: math.Pow(10, -2-3.5*r.Float64()), seed: seed}
					g, err := Of(b.Context(), y.record(b), tc.sig)
					if err != nil {
						b.Fatal(err)
					}
					if g.Seen.Bending != nil {
						b.Logf("seed %d, noise %.2g: %+v", seed, y.noise, *g.Seen.Bending)
						bends++
					}
					if g.Seen.Drift != nil {
						b.Logf("seed %d, noise %.2g: %+v", seed, y.noise, *g.Seen.Drift)
						drifts++
					}
				}
			}
			b.ReportMetric(float64(bends), "bends/1000")
			b.ReportMetric(float64(drifts), "drifts/1000")
			b.ReportMetric(0, "ns/op")
		})
	}
}
