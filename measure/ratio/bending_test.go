package ratio

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// bending is a recording of a chirp in which something is not linear. Parts are
// those of the 2nd and 3rd harmonic.
type bending struct {
	sig    signal.Chirp
	source [2]float64
	load   [2]float64 // over V1, of a voltage that the load adds to V2
	input1 [2]float64
	voices func(hz float64) complex128 // what the load makes of its harmonics; nil is 1
	g      func(hz float64) complex128
	noise  float64
	seed   uint64
}

// harmonic returns that of c: Peak w(t) sin(n phi(t)), silent from where it would
// be above what a card records.
func harmonic(c signal.Chirp, n int) []float64 {
	f, l := c.Frame(), c.Rise()
	x := c.Samples()
	for i := range x {
		t := float64(((i-f.LeadIn)%f.Period+f.Period)%f.Period) / float64(c.RateHz)
		hz := c.StartHz * math.Exp(t/l)
		phi := 2 * math.Pi * c.StartHz * l * math.Expm1(t/l)
		in := blend(2 * math.Log(hz/c.StartHz) / math.Log(f.LowHz/c.StartHz))
		out := blend((0.48*float64(c.RateHz) - float64(n)*hz) / (0.03 * float64(c.RateHz)))
		x[i] = c.Peak * in * out * math.Sin(float64(n)*phi)
	}
	return x
}

func (y bending) record(t testing.TB) card.Recording {
	t.Helper()
	x, rate := y.sig.Samples(), float64(y.sig.RateHz)
	n := signal.SmoothLength(len(x) + y.sig.RateHz/4)
	fft := fourier.NewFFT(n)
	padded := make([]float64, n)
	transform := func(x []float64) []complex128 {
		clear(padded)
		copy(padded, x)
		return fft.Coefficients(nil, padded)
	}
	c1 := transform(x)
	c2, heard := make([]complex128, len(c1)), make([]complex128, len(c1))
	for i := range y.load {
		for k, h := range transform(harmonic(y.sig, i+2)) {
			c1[k] += complex(y.source[i], 0) * h
			heard[k] += complex(y.input1[i], 0) * h
			d := complex(y.load[i], 0) * h
			if y.voices != nil {
				d *= y.voices(fft.Freq(k) * rate)
			}
			c2[k] += d
		}
	}
	for k := range c1 {
		c2[k] = (c2[k] + y.g(fft.Freq(k)*rate)*c1[k]) / complex(float64(n), 0)
		c1[k] = (c1[k] + heard[k]) / complex(float64(n), 0)
	}
	rec := card.Recording{
		RateHz: y.sig.RateHz, Source: "a synthetic recording", Inputs: [2]int{1, 2},
		V1: fft.Sequence(nil, c1)[:len(x)], V2: fft.Sequence(nil, c2)[:len(x)],
	}
	r := rand.New(rand.NewPCG(y.seed, 0x7a9))
	for i := range rec.V1 {
		rec.V1[i] += y.noise * r.NormFloat64()
		rec.V2[i] += y.noise * r.NormFloat64()
	}
	return rec
}

// resonance is a load of one peak.
func resonance(hz, q, ohm float64) func(float64) complex128 {
	return func(f float64) complex128 {
		if f == 0 {
			return 6.2
		}
		return 6.2 + complex(0, 2*math.Pi*f*0.4e-3) + complex(ohm, 0)/complex(1, q*(f/hz-hz/f))
	}
}

// The limit of 4.5 standard uncertainties is that of the largest of about a
// thousand deviations, with which no more than 1 in 150 recordings without a bend
// is beyond it.
func TestBendingIsTakenOut(t *testing.T) {
	plainOnly(t)
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 2.7, LowHz: 20})
	wants := func(order int, db float64) string { return fmt.Sprintf("%d at %.0f dB", order, db) }
	for _, tc := range []struct {
		name string
		bending
		load func(float64) complex128
		want string
	}{
		{"nothing", bending{}, cabinet, ""},
		{"source with a 2nd harmonic of -30 dB", bending{source: [2]float64{0.032, 0}}, cabinet, ""},
		{"source with a 3rd harmonic of -30 dB", bending{source: [2]float64{0, 0.032}}, cabinet, ""},
		{"3rd harmonic of -60 dB", bending{load: [2]float64{0, 1e-3}}, cabinet, wants(3, -52)},
		{"3rd harmonic of -74 dB", bending{load: [2]float64{0, 2e-4}}, cabinet, wants(3, -66)},
		{"2nd harmonic of -48 dB", bending{load: [2]float64{4e-3, 0}}, cabinet, wants(2, -40)},
		{"2nd harmonic through a resonance", bending{load: [2]float64{4e-3, 0}, voices: func(f float64) complex128 { return resonance(90, 5, 50)(f) / 56 }}, cabinet, wants(2, -43)},
		{"input 1 with a 3rd harmonic of -60 dB", bending{input1: [2]float64{0, 1e-3}}, cabinet, wants(3, -54)},
		{"source and load", bending{source: [2]float64{0, 0.032}, load: [2]float64{4e-3, 0}}, cabinet, wants(2, -40)},
		{"Q of 30", bending{}, resonance(47, 30, 100), ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			y := tc.bending
			y.sig, y.g, y.noise = sig, divider(10, tc.load), 3e-5
			r, err := Of(t.Context(), y.record(t), sig)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range r.Points {
				if e := cmplx.Abs(p.G-y.g(p.Hz)) / math.Sqrt(p.Noise.RR); e > 4.5 {
					t.Errorf("%.1f Hz: error of %.1f standard uncertainties", p.Hz, e)
				}
			}
			got := ""
			if b := r.Seen.Bending; b != nil {
				strongest := b.Orders[0]
				for _, o := range b.Orders {
					if o.Part > strongest.Part {
						strongest = o
					}
				}
				got = wants(strongest.Number, 20*math.Log10(strongest.Part))
				if want := y.input1 != [2]float64{}; b.Input1 != want {
					t.Errorf("input 1 alone: %v, want %v", b.Input1, want)
				}
			}
			if got != tc.want {
				t.Errorf("found %q, want %q", got, tc.want)
			}
		})
	}
}

// Bands of every place and width have an answer.
func TestBendingInAnyBand(t *testing.T) {
	plainOnly(t)
	for _, o := range []signal.ChirpOptions{
		{PeriodSeconds: 0.5, LowHz: 2000, HighHz: 20000},
		{PeriodSeconds: 0.5, LowHz: 5000, HighHz: 10000},
		{PeriodSeconds: 0.5, LowHz: 40, HighHz: 100},
		{PeriodSeconds: 0.3, LowHz: 100, HighHz: 3400, RateHz: 8000, Periods: 4},
	} {
		sig := chirp(t, o)
		y := synthetic{sig: sig, after: 4800, g: divider(10, cabinet), noise: 1e-4}
		r, err := Of(t.Context(), y.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		if worst, _, _ := agreement(r, y.g); worst > 4.5 || r.Seen.Bending != nil || r.Seen.Drift != nil {
			t.Errorf("%g to %g Hz: largest error %.1f standard uncertainties, %+v, %+v", o.LowHz, o.HighHz, worst, r.Seen.Bending, r.Seen.Drift)
		}
	}
}

// What a source does must change neither curve nor its uncertainty.
func TestBentSourceDoesNoHarm(t *testing.T) {
	sig := chirp(t, quick)
	y := bending{sig: sig, g: divider(10, cabinet), noise: 1e-4}
	straight, err := Of(t.Context(), y.record(t), sig)
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range [][2]float64{{0.032, 0}, {0, 0.032}} {
		y.source = part
		bent, err := Of(t.Context(), y.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range bent.Points {
			q := straight.Points[i]
			u, v := math.Sqrt(p.Noise.RR), math.Sqrt(q.Noise.RR)
			if math.Abs(u/v-1) > 0.1 || cmplx.Abs(p.G-q.G) > 1.5*v {
				t.Errorf("%v at %.1f Hz: moved by %.2g, standard uncertainty %.3g and %.3g without", part, p.Hz, cmplx.Abs(p.G-q.G), u, v)
			}
		}
	}
}

// A bend without memory is found below the noise of any line: what it does to the
// fundamental is there all the same.
func TestFaintBendingIsSaid(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 2.7, LowHz: 20})
	for _, part := range []float64{0, 1e-3} {
		y := bending{sig: sig, load: [2]float64{0, part}, g: func(float64) complex128 { return 0.4 }, noise: 1e-2, seed: 3}
		r, err := Of(t.Context(), y.record(t), sig)
		if err != nil {
			t.Fatal(err)
		}
		switch b := r.Seen.Bending; {
		case part == 0 && b != nil:
			t.Errorf("found %+v where nothing bends", *b)
		case part > 0 && (b == nil || b.Orders[0].Number != 3 || math.Abs(math.Log(b.Orders[0].Part/(part/0.4))) > math.Ln2):
			t.Errorf("found %+v, want a third harmonic of %.2g", b, part/0.4)
		}
	}
}

// A third harmonic of a thousandth of V1, where V2 is 0.6 of it, moves |Z| by
// 3 h3/(V2 (1 - G)) = 3 x 0.001/0.6/0.4.
func TestBendMovesByItsOrder(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 1.2, LowHz: 40})
	y := bending{sig: sig, load: [2]float64{0, 1e-3}, g: func(float64) complex128 { return 0.6 }, noise: 1e-5}
	r, err := Of(t.Context(), y.record(t), sig)
	if err != nil {
		t.Fatal(err)
	}
	if r.Seen.Bending == nil {
		t.Fatal("no bend is seen")
	}
	const want = 3 * 1e-3 / 0.6 / 0.4
	within := 0
	for _, m := range r.Seen.Bending.Moves {
		if m.Hz > 100 && m.Hz < 5000 { // the third harmonic is on the card
			if within++; math.Abs(m.Part/want-1) > 0.1 {
				t.Errorf("%.0f Hz: |Z| may move by %.3g, want %.3g", m.Hz, m.Part, want)
			}
		}
	}
	if within < 12 {
		t.Errorf("said of %d thirds of an octave", within)
	}
}
