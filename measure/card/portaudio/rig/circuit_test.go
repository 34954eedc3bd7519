package rig

import (
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"
)

// The bilinear transform makes the digital circuit at f equal to the analogue
// one at (rate/pi) tan(pi f/rate), exactly.
func TestCircuitIsTheLoad(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		positive := func(low, high float64, name string) float64 {
			return math.Exp(rapid.Float64Range(math.Log(low), math.Log(high)).Draw(t, name))
		}
		l := Load{
			SourceOhm: rapid.Float64Range(0, 100).Draw(t, "source"),
			SenseOhm:  positive(1, 100, "sense"),
			ReOhm:     positive(1, 300, "re"),
			FsHz:      positive(20, 500, "fs"),
			ResOhm:    positive(1, 300, "res"),
			Qms:       positive(0.3, 12, "qms"),
		}
		if rapid.Bool().Draw(t, "coil") {
			l.LeH = positive(1e-5, 1e-2, "le")
		}
		rate := rapid.SampledFrom([]int{44100, 48000, 96000, 192000}).Draw(t, "rate")
		c := l.Circuit(rate)
		for hz := 10.0; hz < 20000; hz *= 1.37 {
			s := complex(0, 2*float64(rate)*math.Tan(math.Pi*hz/float64(rate)))
			x := s / complex(2*math.Pi*l.FsHz, 0)
			z := complex(l.ReOhm, 0) + s*complex(l.LeH, 0) + complex(l.ResOhm/l.Qms, 0)*x/(x*x+x/complex(l.Qms, 0)+1)
			total := complex(l.SourceOhm+l.SenseOhm, 0) + z
			for _, v := range []struct {
				name      string
				got, want complex128
			}{
				{"V1", c.V1.At(hz, rate), (complex(l.SenseOhm, 0) + z) / total},
				{"V2", c.V2.At(hz, rate), z / total},
				{"Z", c.Truth(hz), z},
			} {
				// At 10 Hz and 192 kHz 1 + A1/z + A2/z^2 is 1e-7: rounding
				// of the coefficients is magnified so much, and in Z once more
				// by Z/R.
				if e := cmplx.Abs(v.got-v.want) / cmplx.Abs(v.want); !(e < 1e-6) {
					t.Errorf("%+v at %d Hz: %s(%.4g Hz) = %v, want %v (%.2g off)", l, rate, v.name, hz, v.got, v.want, e)
				}
			}
		}
	})
}

// Filter and At are two ways to the same response: the spectrum of the impulse
// response, summed until it has died away.
func TestFilterHasTheResponse(t *testing.T) {
	c := Load{SourceOhm: 0.5, SenseOhm: 10, ReOhm: 6, LeH: 1e-3, FsHz: 400, ResOhm: 30, Qms: 2}.Circuit(48000)
	x := make([]float64, 1<<13)
	x[0] = 1
	for _, chain := range c.Chains() {
		y := chain.Filter(x)
		for hz := 50.0; hz < 20000; hz *= 2 {
			var sum complex128
			for i, v := range y {
				sum += complex(v, 0) * cmplx.Exp(complex(0, -2*math.Pi*hz*float64(i)/48000))
			}
			// Every sample is rounded to 24 bits.
			if want := chain.At(hz, 48000); cmplx.Abs(sum-want) > 1e-6 {
				t.Errorf("%v at %g Hz: %v by impulse response, %v by coefficients", chain, hz, sum, want)
			}
		}
	}
}
