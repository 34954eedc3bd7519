package fit

import (
	"math"
	"math/cmplx"
	"testing"
)

// motor is a loudspeaker by its parts: Z = Re + s Le + Bl^2/(Rms + s Mms +
// 1/(s Cms)), without any of this package's formulas.
type motor struct{ re, le, bl, rms, mms, cms float64 }

func (m motor) z(hz float64) complex128 {
	s := complex(0, 2*math.Pi*hz)
	mechanical := complex(m.rms, 0) + s*complex(m.mms, 0) + 1/(s*complex(m.cms, 0))
	return complex(m.re, 0) + s*complex(m.le, 0) + complex(m.bl*m.bl, 0)/mechanical
}

// Published loudspeakers go through a noisy curve and come back. The tolerance
// is half of the last digit published, or of the last recomputed from the
// inputs that were published; the noise of 0.002 % is far below it.
//
// A to D: DTU course 34870 Electroacoustics, lecture 7 and Problems 7 (2026).
// E: Georgia Tech ECE 4445, design project appendix (T. Wells).
// H: DTU 34870, Lab D test.
func TestPublishedLoudspeakers(t *testing.T) {
	fitted := func(z func(float64) complex128) Result {
		t.Helper()
		r, err := Curve(t.Context(), measured(z, 2e-5, 1), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Resonances) != 1 {
			t.Fatalf("%d resonances, want 1", len(r.Resonances))
		}
		return r
	}
	near := func(what string, got, want, half float64) {
		t.Helper()
		if math.Abs(got-want) > half {
			t.Errorf("%s is %.7g, published %g", what, got, want)
		}
	}
	qs := func(name string, r Result, hz, qms, qes, qts, half float64) {
		t.Helper()
		s := r.Resonances[0]
		near(name+": fs", s.Hz.Value, hz, half*10)
		near(name+": Qms", s.Qms.Value, qms, half)
		near(name+": Qes", s.Qes.Value, qes, half)
		near(name+": Qts", s.Qts.Value, qts, half)
	}

	a := fitted(motor{re: 6, bl: 5, rms: 1.5, mms: 38e-3, cms: 0.9e-3}.z)
	qs("A", a, 27.2149, 4.33191, 1.55949, 1.14668, 2e-4)
	near("A: fs as published", a.Resonances[0].Hz.Value, 27.2, 0.05)

	const re = 5.46017
	free := fitted(motor{re: re, bl: 11.6, rms: 3.25, mms: 80.2e-3, cms: 0.55e-3}.z)
	near("B: fs in free air", free.Resonances[0].Hz.Value, 23.96, 0.005)
	near("B: Qes in free air", free.Resonances[0].Qes.Value, 0.49, 0.005)
	near("B: Re", free.Re.Value, 5.46, 0.005)
	baffled := fitted(motor{re: re, bl: 11.6, rms: 3.25, mms: 88.2e-3, cms: 0.55e-3}.z)
	qs("B in a baffle", baffled, 22.85096, 3.896454, 0.513858, 0.453987, 2e-4)
	near("B: Zmax in a baffle", baffled.Max.Ohm.Value, 46.9, 0.05)

	qs("C", baffled, 22.85, 3.90, 0.514, 0.454, 5e-3)
	// The frequencies are published to 0.01 Hz, where |Z| moves by 2.3 and
	// 0.7 ohm a hertz.
	near("C: |Z| below resonance", cmplx.Abs(baffled.Impedance(15.82)), 16, 0.02)
	near("C: |Z| above resonance", cmplx.Abs(baffled.Impedance(33.00)), 16, 0.02)

	loaded := fitted(motor{re: re, bl: 11.6, rms: 3.25, mms: 108.2e-3, cms: 0.55e-3}.z)
	f, f1 := baffled.Resonances[0].Hz.Value, loaded.Resonances[0].Hz.Value
	near("D: fs with 20 g", f1, 20.63, 0.005)
	near("D: Mms", 20/((f/f1)*(f/f1)-1), 88.2, 0.05)

	// E gives Re, the peak and the two frequencies of its half height.
	curve := func(zmax, fs, low, high float64) Result {
		const re = 5.16
		l := Result{Re: known(re), Resonances: []Resonance{resonance(fs, fs*math.Sqrt(zmax/re)/(high-low), zmax-re)}}
		return fitted(l.Impedance)
	}
	open, box := curve(42.28047, 33.73340, 21.36206, 50.56323), curve(42.38421, 61.95850, 48.07739, 75.87695)
	qs("E", open, 33.7334, 3.3068, 0.4597, 0.4036, 5e-5)
	o, b := open.Resonances[0], box.Resonances[0]
	near("E: Vas, m3", 0.0283168*(b.Hz.Value*b.Qes.Value/(o.Hz.Value*o.Qes.Value)-1), 0.0718695, 1e-5)

	// H in its box of 0.25 x 0.35 x 0.23 m: stiffness rises by 1 + alpha, all
	// else stays.
	const volume, vas = 0.25 * 0.35 * 0.23, 25e-3
	alpha := vas / volume
	h := Result{Re: known(6), Coil: Coil{Kind: Inductor, L: known(0.4e-3)}, Resonances: []Resonance{resonance(40, 4, 6*4/0.45)}}
	hc := h
	hc.Resonances = []Resonance{resonance(40*math.Sqrt(1+alpha), 4*math.Sqrt(1+alpha), 6*4/0.45)}
	o, b = fitted(h.Impedance).Resonances[0], fitted(hc.Impedance).Resonances[0]
	near("H: fc", b.Hz.Value, 59.9, 0.05)
	near("H: alpha", b.Hz.Value*b.Hz.Value/(o.Hz.Value*o.Hz.Value)-1, 1.24, 0.005)
	near("H: Vas, L", 1e3*volume*(b.Hz.Value*b.Qes.Value/(o.Hz.Value*o.Qes.Value)-1), 25.0, 0.05)
	h.Coil = Coil{}
	bare := fitted(h.Impedance)
	near("H without Le: Zmax", bare.Max.Ohm.Value, 59.33333, 1e-3)
	near("H without Le: |Z| at f1", cmplx.Abs(bare.Impedance(27.256021)), math.Sqrt(6*59.33333), 1e-3)
	near("H without Le: |Z| at f2", cmplx.Abs(bare.Impedance(58.702625)), math.Sqrt(6*59.33333), 1e-3)
}
