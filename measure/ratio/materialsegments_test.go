package ratio

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// wavering is a minute of noise, now loud and now soft, through a resonance, with hum
// and a tone of no supply in both inputs, at 8 kHz.
func wavering(t *testing.T) (card.Recording, signal.Listen, func(hz float64) complex128) {
	const fs, q, rate = 150, 3.0, 8000
	g := func(hz float64) complex128 { return 0.4 + 0.4/complex(1, q*(hz/fs-fs/hz)) }
	r := rand.New(rand.NewPCG(8, 1))
	x := make([]float64, 60*rate)
	loud := 0.1
	for i := range x {
		if i%(rate/2) == 0 {
			loud = 0.1 * math.Pow(r.Float64(), 3)
		}
		x[i] = loud * r.NormFloat64()
	}
	rec := synthetic{sig: samples(x), g: g, noise: 1e-4}.record(t)
	for i := range rec.V1 {
		s := float64(i) / rate
		hum := 2e-3*math.Sin(2*math.Pi*50.02*s) + 1e-3*math.Cos(2*math.Pi*1313.3*s)
		rec.V1[i] += 0.01 + hum
		rec.V2[i] += hum
	}
	sig, err := signal.NewListen(rate, 60, signal.Band{LowHz: 40, HighHz: 1600, Coherence: 0.9})
	if err != nil {
		t.Fatal(err)
	}
	return rec, sig, g
}

// A recording in segments, at half the rate and less, gives what it gives as a whole,
// and is as sure of it.
func TestSegmentsGiveWhatTheWholeDoes(t *testing.T) {
	rec, sig, g := wavering(t)
	whole, err := ofMaterial(t.Context(), rec, sig, len(rec.V1))
	if err != nil {
		t.Fatal(err)
	}
	parts, err := ofMaterial(t.Context(), rec, sig, len(rec.V1)/4)
	if err != nil {
		t.Fatal(err)
	}
	if len(parts.Points) != len(whole.Points) || len(parts.Points) < 240 {
		t.Fatalf("%d points, %d of the whole", len(parts.Points), len(whole.Points))
	}
	var apart, off, ratio, wholeOff float64
	for i, p := range parts.Points {
		w := whole.Points[i]
		variance, of := p.Noise.RR+p.Noise.II, w.Noise.RR+w.Noise.II
		apart += abs2(p.G-w.G) / of / float64(len(parts.Points))
		off += abs2(p.G-g(p.Hz)) / variance / float64(len(parts.Points))
		wholeOff += abs2(w.G-g(w.Hz)) / of / float64(len(parts.Points))
		ratio += math.Log(variance/of) / 2 / float64(len(parts.Points))
	}
	t.Logf("apart %.3f u, off by %.3f u, the whole %.3f u, u %.3f times that of the whole", math.Sqrt(apart), math.Sqrt(off), math.Sqrt(wholeOff), math.Exp(ratio))
	if apart > 0.3*0.3 {
		t.Errorf("they are %.2f standard uncertainties apart", math.Sqrt(apart))
	}
	if off > 1.2*1.2 {
		t.Errorf("they are off by %.2f standard uncertainties, rms", math.Sqrt(off))
	}
	if math.Abs(ratio) > 0.05 {
		t.Errorf("they state %.3f times the uncertainty", math.Exp(ratio))
	}
	for ch := range 2 {
		if a, b := parts.Seen.Level[ch], whole.Seen.Level[ch]; math.Abs(a/b-1) > 1e-3 {
			t.Errorf("input %d: level %g, of the whole %g", ch+1, a, b)
		}
	}
	for _, hz := range []float64{50.02, 1313.3} {
		if !slices.ContainsFunc(humOf(parts.Seen.Mains), func(found float64) bool { return math.Abs(found-hz) < 0.01 }) {
			t.Errorf("%g Hz is not among %v", hz, parts.Seen.Mains)
		}
	}
	if a, b := parts.Shared[0].ID, whole.Shared[0].ID; a != b {
		t.Errorf("the clock of %s is another one than that of %s", a, b)
	}
}

// Listening ends with its context within a tenth of a second, and has some tries where
// the machine is busy.
func TestListeningEndsWithItsContext(t *testing.T) {
	rec, sig, _ := wavering(t)
	for _, longest := range []int{len(rec.V1), len(rec.V1) / 4} {
		start := time.Now()
		if _, err := ofMaterial(t.Context(), rec, sig, longest); err != nil {
			t.Fatal(err)
		}
		usual := time.Since(start)
		limit := max(100*time.Millisecond, usual/5)
		for part := 0.1; part < 1; part += 0.2 {
			took := time.Hour
			for tries := 0; tries < 8 && took > limit; tries++ {
				ctx, cancel := context.WithCancel(t.Context())
				var at time.Time
				timer := time.AfterFunc(time.Duration(part*float64(usual)), func() { at = time.Now(); cancel() })
				_, err := ofMaterial(ctx, rec, sig, longest)
				if timer.Stop() {
					cancel() // it was over before
					took = 0
					break
				}
				<-ctx.Done()
				if err != nil && !errors.Is(err, context.Canceled) {
					t.Fatal(err)
				}
				took = time.Since(at)
			}
			if took > limit {
				t.Errorf("after %.0f %% of %v it took %v to end", 100*part, usual, took)
			}
		}
	}
}

// The segments of a cell together are the fit to all of their lines.
func TestTogether(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	const slope = 0.2
	line := func(from, to float64, n int) (x []float64, v1, v2 []complex128) {
		for range n {
			at := from + (to-from)*r.Float64()
			a := complex(r.NormFloat64(), r.NormFloat64())
			x, v1 = append(x, at), append(v1, a)
			v2 = append(v2, complex(0.5+slope*at, 0)*a+complex(0.01*r.NormFloat64(), 0.01*r.NormFloat64()))
		}
		return x, v1, v2
	}
	fit := func(x []float64, v1, v2 []complex128) (l lined) {
		l.count, l.alone, l.used = float64(len(x)), float64(len(x)), 1
		var p12 complex128
		for i, a := range v1 {
			l.p1 += abs2(a)
			l.moment[0] += abs2(a)
			l.moment[1] += abs2(a) * x[i]
			p12 += cmplx.Conj(a) * (v2[i] - complex(slope*x[i], 0)*a)
		}
		for t := range l.moment {
			l.moment[t] /= l.p1
		}
		inner := p12 / complex(l.p1, 0)
		for i, a := range v1 {
			l.rest += abs2(v2[i] - (inner+complex(slope*x[i], 0))*a)
		}
		l.mean = inner + complex(slope*l.moment[1], 0)
		return l
	}
	xa, a1, a2 := line(-0.5, 0, 30)
	xb, b1, b2 := line(0, 0.5, 50)
	got := together([]lined{fit(xa, a1, a2), fit(xb, b1, b2)}, shape{0, slope})
	want := fit(slices.Concat(xa, xb), slices.Concat(a1, b1), slices.Concat(a2, b2))
	if cmplx.Abs(got.mean-want.mean) > 1e-12 || math.Abs(got.rest/want.rest-1) > 1e-9 || math.Abs(got.moment[1]-want.moment[1]) > 1e-12 || got.count != 80 || got.used != 1 {
		t.Errorf("%+v, want %+v", got, want)
	}
}
