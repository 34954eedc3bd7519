package fit

import (
	"math"
	"math/cmplx"
	"testing"
)

// The derivative to what the suspension lacks is that of the formula of
// suspensionModel, worked out with a stiffness that is a little larger, through
// a resistance beside the driver, a capacitor in series and one across it.
func TestLackingIsADerivative(t *testing.T) {
	for _, k := range SuspensionKinds() {
		m := suspensions[k]
		if m.lacks == nil {
			continue
		}
		r := Result{
			Model: Model{Coupled: true}, Re: known(6.2), Pad: known(20), Capacitor: known(200e-6), Bypass: known(5e-6),
			Coil:       Coil{Kind: Inductor, L: known(0.5e-3)},
			Suspension: Suspension{Kind: k, Creep: known(0.1), Leak: known(0.5), LeakHz: known(15), MassRatio: known(20)},
			Resonances: []Resonance{resonance(70, 5, 40), resonance(90, 3, 10)},
		}
		r.Resonances[0].Turn = known(0.4)
		v := r.form()
		at := func(hz, by float64) complex128 {
			var d [4]complex128
			w := 2 * math.Pi * hz
			z := complex(0, w*0.5e-3)
			for i, s := range r.Resonances {
				f, q := s.Hz.Value, s.Qms.Value
				h0 := m.h(&r.Suspension, f, f, &d)
				stiff := m.h(&r.Suspension, hz, f, &d)/complex(real(h0), 0) + complex(by, 0)*m.lacks(hz, f)
				under := complex(1-q*imag(h0)/real(h0), 0) + complex(0, q)*(complex(hz/f, 0)-stiff*complex(f/hz, 0))
				z += complex(s.Res.Value, -v.turn[i]*q*f/hz) / under
			}
			z = 6.2 + 1/(1/z+1.0/20) + 1/complex(0, w*200e-6)
			return 1 / (1/z + complex(0, w*5e-6))
		}
		for hz := 10.0; hz < 20e3; hz *= 1.3 {
			const step = 1e-4
			const rounding = 10 * 0x1p-52 / step // of some ohms
			want := (at(hz, step) - at(hz, -step)) / (2 * step)
			if got := v.lacking(newTone(hz)); cmplx.Abs(got-want) > 1e-6*cmplx.Abs(want)+rounding {
				t.Errorf("%v at %.4g Hz: %v, want %v", k, hz, got, want)
			}
		}
	}
}
