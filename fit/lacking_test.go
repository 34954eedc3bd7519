package fit

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
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
			var d bends
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

// stuffedBox draws a closed box of one driver from its parts, SI units: a cone on
// a suspension that stiffens by a fractional power of frequency (the creep of
// polymers, textbooks on viscoelasticity), air whose stiffness rises from
// isothermal to adiabatic in its filling by one relaxation time, a leak through
// which air flows, and a coil of three sections.
func stuffedBox(seed uint64) (re float64, z func(hz float64) complex128) {
	d := rand.New(rand.NewPCG(seed, 0xb0c5))
	between := func(low, high float64) float64 { return low * math.Pow(high/low, d.Float64()) }
	const mass = 0.02 // kg, which cancels
	re = between(3, 13)
	w := 2 * math.Pi * between(35, 110)
	friction, drive := w*mass/between(2, 12), w*mass*re/between(0.35, 1.3)
	creep, power := between(0.03, 0.25), 0.1+0.4*d.Float64()
	stiffer := between(0.3, 5)
	air, closed := w*w*mass*stiffer, w*math.Sqrt(1+stiffer)
	isothermal, relaxing := 0.4*d.Float64(), 2*math.Pi*between(10, 300)
	lining, leak := air/closed/between(4, 40), air/closed*between(3, 50)
	var section [3][2]float64 // ohm, rad/s
	for i, at := range []float64{150, 1200, 9000} {
		section[i] = [2]float64{re * []float64{0.08, 0.35, 1.6}[i] * between(0.5, 2), 2 * math.Pi * at * between(0.6, 1.7)}
	}
	return re, func(hz float64) complex128 {
		s := complex(0, 2*math.Pi*hz)
		suspension := complex(w*w*mass, 0) * (1 + complex(creep, 0)*cmplx.Pow(s/(2*math.Pi*20), complex(power, 0)))
		spring := complex(air, 0) / (1 + complex(isothermal, 0)/(1+s/complex(relaxing, 0)))
		box := 1 / (1/(spring/s+complex(lining, 0)) + 1/complex(leak, 0))
		z := complex(re, 0) + complex(drive, 0)/(s*mass+complex(friction, 0)+suspension/s+box)
		for _, c := range section {
			x := s / complex(c[1], 0)
			z += complex(c[0], 0) * x / (1 + x)
		}
		return z
	}
}

// What went wrong: a leak beside creep was followed by either alone, by resonances
// or by the coil, and Re was off by several of its uncertainties: of these 24 boxes
// nine were not held.
func TestReOfStuffedBoxes(t *testing.T) {
	if testing.Short() {
		t.Skip("two dozen fits of every model")
	}
	const count = 24
	held := 0
	for seed := range uint64(count) {
		re, z := stuffedBox(seed)
		r, err := Curve(t.Context(), measured(z, 1e-3, seed), Options{})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		off := math.Abs(r.Re.Value - re)
		if off <= 2*r.Re.U {
			held++
		}
		t.Logf("seed %d: Re %.4g(%.2g), %.4g; %v", seed, r.Re.Value, r.Re.U, re, r.Model)
	}
	// 95 % less three binomial standard deviations.
	if held < 20 {
		t.Errorf("Re of %d of %d boxes is held", held, count)
	}
}
