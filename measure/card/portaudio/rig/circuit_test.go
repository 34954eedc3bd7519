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
		switch rapid.SampledFrom([]string{"", "no resonance", "open", "short", "known"}).Draw(t, "standard") {
		case "no resonance":
			l.FsHz, l.ResOhm, l.Qms = 0, 0, 0
		case "open":
			l = l.Open()
		case "short":
			l = l.Short()
		case "known":
			l = l.Known(positive(1, 300, "known"))
		}
		if rapid.Bool().Draw(t, "jig to calibrate") {
			l.LeadOhm = positive(0.01, 1, "lead")
			l.InputOhm = positive(1e3, 1e6, "input")
			l.Gain2 = positive(0.5, 2, "gain")
			l.Lag2 = positive(1e-7, 1e-5, "lag")
		}
		rate := rapid.SampledFrom([]int{44100, 48000, 96000, 192000}).Draw(t, "rate")
		c := l.Circuit(rate)
		for hz := 10.0; hz < 20000; hz *= 1.37 {
			s := complex(0, 2*float64(rate)*math.Tan(math.Pi*hz/float64(rate)))
			z := complex(l.ReOhm, 0) + s*complex(l.LeH, 0)
			if l.ResOhm > 0 {
				x := s / complex(2*math.Pi*l.FsHz, 0)
				z += complex(l.ResOhm/l.Qms, 0) * x / (x*x + x/complex(l.Qms, 0) + 1)
			}
			// Admittances and currents of a source of 1 V: nothing is infinite
			// but the impedance of an open jig itself.
			y := complex128(0)
			if !math.IsInf(l.ReOhm, 1) {
				y = 1 / (z + complex(l.LeadOhm, 0))
			}
			input2 := complex128(1)
			if l.InputOhm > 0 {
				y += complex(1/l.InputOhm, 0)
				input2 = complex(l.Gain2, 0) / (1 + s*complex(l.Lag2, 0))
			}
			v1, v2 := complex128(1), complex128(1)
			if cmplx.IsInf(y) {
				v1, v2 = complex(l.SenseOhm/(l.SourceOhm+l.SenseOhm), 0), 0
			} else {
				v2 = 1 / (1 + y*complex(l.SourceOhm+l.SenseOhm, 0))
				v1 = v2 * (1 + y*complex(l.SenseOhm, 0))
			}
			for _, v := range []struct {
				name      string
				got, want complex128
			}{
				{"V1", c.V1.At(hz, rate), v1},
				{"V2", c.V2.At(hz, rate), v2 * input2},
				{"Z", c.Truth(hz), z},
			} {
				// At 10 Hz and 192 kHz 1 + A1/z + A2/z^2 is 1e-7: rounding
				// of the coefficients is magnified so much, and in Z once more
				// by Z/R.
				if v.got == v.want || cmplx.IsInf(v.got) && cmplx.IsInf(v.want) {
					continue
				}
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
	driver := Load{SourceOhm: 0.5, SenseOhm: 10, ReOhm: 6, LeH: 1e-3, FsHz: 400, ResOhm: 30, Qms: 2, LeadOhm: 0.1, InputOhm: 1e4, Gain2: 0.97, Lag2: 1e-6}
	x := make([]float64, 1<<13)
	x[0] = 1
	for _, l := range []Load{driver, driver.Open(), driver.Short(), driver.Known(10)} {
		for _, chain := range l.Circuit(48000).Chains() {
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
}
