package ratio

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

// plainOnly skips a test under the race detector, where it takes a minute: other
// tests run the same code.
func plainOnly(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("left to the plain tests")
	}
}

// synthetic is a recording made for these tests alone: the played signal
// through a closed-form ratio by one long transform, plus what a test adds.
type synthetic struct {
	sig    signal.Signal
	before int                      // samples of silence before the signal
	after  int                      // and after it
	v1     func(float64) complex128 // V1 over the played signal; nil is 1
	g      func(float64) complex128 // V2/V1
	noise  float64                  // rms of both channels, fraction of full scale
	seed   uint64
}

func (y synthetic) record(t testing.TB) card.Recording {
	t.Helper()
	x := y.sig.Samples()
	rate := float64(y.sig.Rate())
	n := y.before + len(x) + y.after + y.sig.Rate()
	for !signal.Smooth(n) {
		n++
	}
	fft := transform.New(n)
	c1, room := make([]complex128, n/2+1), make([]float64, n)
	copy(fft.Values(c1)[y.before:], x)
	if err := fft.Forward(t.Context(), c1, room); err != nil {
		t.Fatal(err)
	}
	c2 := make([]complex128, len(c1))
	for k := range c1 {
		hz := float64(k) / float64(n) * rate
		c1[k] /= complex(float64(n), 0)
		if y.v1 != nil {
			c1[k] *= y.v1(hz)
		}
		c2[k] = c1[k] * y.g(hz)
	}
	for _, c := range [][]complex128{c1, c2} {
		if err := fft.Backward(t.Context(), c, room); err != nil {
			t.Fatal(err)
		}
	}
	length := y.before + len(x) + y.after
	rec := card.Recording{
		RateHz: y.sig.Rate(),
		V1:     fft.Values(c1)[:length], V2: fft.Values(c2)[:length],
		Source: "a synthetic recording", Inputs: [2]int{1, 2},
	}
	r := rand.New(rand.NewPCG(y.seed, 0x7a9))
	for i := range rec.V1 {
		rec.V1[i] += y.noise * r.NormFloat64()
		rec.V2[i] += y.noise * r.NormFloat64()
	}
	return rec
}

// addTone adds a tone of the given amplitudes to both channels.
func addTone(rec card.Recording, hz, phase, peak1, peak2 float64) {
	for i := range rec.V1 {
		s := math.Sin(2*math.Pi*hz*float64(i)/float64(rec.RateHz) + phase)
		rec.V1[i] += peak1 * s
		rec.V2[i] += peak2 * s
	}
}

// divider is the ratio of a load behind a sense resistor.
func divider(senseOhm float64, z func(float64) complex128) func(float64) complex128 {
	return func(hz float64) complex128 {
		zl := z(hz)
		return zl / (zl + complex(senseOhm, 0))
	}
}

// cabinet is a load of an invented closed cabinet: a coil and two resonances.
func cabinet(hz float64) complex128 {
	resonance := func(f0, q, r float64) complex128 {
		if hz == 0 {
			return 0
		}
		return complex(r, 0) / complex(1, q*(hz/f0-f0/hz))
	}
	return 6.2 + complex(0, 2*math.Pi*hz*0.4e-3) + resonance(95, 6, 55) + resonance(1900, 3, 2)
}

func chirp(t testing.TB, o signal.ChirpOptions) signal.Chirp {
	t.Helper()
	c, err := signal.NewChirp(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// agreement compares r with the truth: the largest error in units of its
// stated uncertainty, and the share of real and imaginary parts inside their
// 95 % intervals.
func agreement(r Ratio, truth func(float64) complex128) (worst float64, inside, parts int) {
	for _, p := range r.Points {
		e := p.G - truth(p.Hz)
		for _, x := range [2]float64{math.Abs(real(e)) / math.Sqrt(p.Noise.RR), math.Abs(imag(e)) / math.Sqrt(p.Noise.II)} {
			parts++
			if x < 1.959964 { // normal quantile of 97.5 %
				inside++
			}
			worst = max(worst, x)
		}
	}
	return worst, inside, parts
}

// worstRelative is the largest relative error of G at or above fromHz.
func worstRelative(r Ratio, truth func(float64) complex128, fromHz float64) float64 {
	var worst float64
	for _, p := range r.Points {
		if p.Hz >= fromHz {
			worst = max(worst, cmplx.Abs(p.G/truth(p.Hz)-1))
		}
	}
	return worst
}

// covers records y with so many seeds and returns the share of real and
// imaginary parts inside their 95 % intervals, and how many there were.
func (y synthetic) covers(t testing.TB, seeds int) (share float64, parts int) {
	t.Helper()
	inside := 0
	for seed := range uint64(seeds) {
		y.seed = seed
		r, err := Of(t.Context(), y.record(t), y.sig)
		if err != nil {
			t.Fatal(err)
		}
		_, in, of := agreement(r, y.g)
		inside, parts = inside+in, parts+of
	}
	return float64(inside) / float64(parts), parts
}

// wantFault demands a fault of that cause which says that.
func wantFault(t testing.TB, err error, cause card.Cause, says string) {
	t.Helper()
	var fault *card.Fault
	if !errors.As(err, &fault) || fault.Cause != cause {
		t.Fatalf("got %v, want a fault of cause %v", err, cause)
	}
	if !strings.Contains(err.Error(), says) {
		t.Errorf("%q does not say %q", err, says)
	}
}
