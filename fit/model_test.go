package fit

import (
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"

	"tapload/measure/quantity"
)

// drawLoad draws a form of load and solver's parameters well inside their
// range.
func drawLoad(t *rapid.T) (load, []float64) {
	l := load{Model: Model{
		Coil:       rapid.SampledFrom(CoilKinds()).Draw(t, "coil"),
		Suspension: rapid.SampledFrom(SuspensionKinds()).Draw(t, "suspension"),
		Resonances: rapid.IntRange(0, 3).Draw(t, "resonances"),
		Padded:     rapid.Bool().Draw(t, "padded"),
		Coupled:    rapid.Bool().Draw(t, "coupled"),
	}, blocked: rapid.Bool().Draw(t, "blocked"), bypassed: rapid.Bool().Draw(t, "bypassed")}
	if rapid.Bool().Draw(t, "pinned") {
		l.pinned = 6.2
	}
	between := func(low, high float64, name string) float64 {
		return rapid.Float64Range(math.Log(low), math.Log(high)).Draw(t, name)
	}
	var p []float64
	for _, name := range l.names() {
		switch {
		case name == "re":
			p = append(p, between(1, 60, name))
		case name[:1] == "t":
			p = append(p, rapid.Float64Range(-20, 20).Draw(t, name))
		case name == "c" || name == "bypass":
			p = append(p, between(1e-6, 1e-3, name))
		case name == "creep":
			p = append(p, between(0.01, 0.3, name))
		case name == "leak":
			p = append(p, logit(rapid.Float64Range(0.05, 0.9).Draw(t, name)))
		case name == "leakmass":
			p = append(p, between(2, 100, name))
		case name == "leakhz":
			p = append(p, between(1, 50, name))
		case name[0] == 'f':
			p = append(p, between(10, 2000, name))
		case name[0] == 'q':
			p = append(p, between(1, 25, name))
		case name == "l0" || name == "l" || name == "l2":
			p = append(p, between(1e-5, 1e-2, name))
		case name == "n":
			p = append(p, logit(rapid.Float64Range(0.1, 0.95).Draw(t, name)))
		default: // ohm
			p = append(p, between(0.5, 200, name))
		}
	}
	return l, p
}

// The derivatives that the solver is given are those of the impedance, and the
// matrix of natural turns them into those of the parameters in their units.
func TestDerivatives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, p := drawLoad(t)
		at := newTone(rapid.Float64Range(5, 20000).Draw(t, "hz"))
		v := l.at(p)
		d := make([]complex128, l.size())
		z := v.z(at, d)
		if plain := v.z(at, nil); cmplx.Abs(plain-z) > 1e-14*cmplx.Abs(z) {
			t.Fatalf("%v ohm with derivatives, %v without", z, plain)
		}
		_, by := l.natural(p)
		const h = 1e-5
		for k, name := range l.names() {
			up, down := append([]float64(nil), p...), append([]float64(nil), p...)
			up[k] += h
			down[k] -= h
			vu, vd := l.at(up), l.at(down)
			slope := (vu.z(at, nil) - vd.z(at, nil)) / (2 * h)
			// Third derivatives grow as the cube of 2Q, or as six times the square of
			// it over the first, where other parts cancel; rounding of z/h.
			if tol := h*h*50*50*(50./6*cmplx.Abs(z)+cmplx.Abs(d[k])) + 1e-10*cmplx.Abs(z); cmplx.Abs(slope-d[k]) > tol {
				t.Errorf("dZ/d(%s) is %v, by differences %v", name, d[k], slope)
			}
			nu, _ := l.natural(up)
			nd, _ := l.natural(down)
			for i := range by {
				if slope := (nu[i] - nd[i]) / (2 * h); math.Abs(slope-by[i][k]) > 1e-8*math.Abs(nu[i]) {
					t.Errorf("d(%s)/d(%s) is %g, by differences %g", l.names()[i], name, by[i][k], slope)
				}
			}
		}
	})
}

// The fast formulas are those of the package's comment, written out.
func TestImpedanceIsTheFormula(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, p := drawLoad(t)
		hz := rapid.Float64Range(5, 20000).Draw(t, "hz")
		values, _ := l.natural(p)
		x := map[string]complex128{"re": complex(l.pinned, 0)}
		for i, name := range l.names() {
			x[name] = complex(values[i], 0)
		}
		s := complex(0, 2*math.Pi*hz)
		z := complex128(0)
		turn := complex128(0)
		for i, k := range []string{"1", "2", "3"}[:l.Resonances] {
			f, at := complex(hz, 0), x["f"+k]
			stiffness := func(f complex128) complex128 {
				creeping := 1 / (1 - x["creep"]*cmplx.Log10(1i*f/at))
				switch l.Suspension {
				case Creep:
					return creeping
				case Lossy:
					flow := x["leakhz"] / (1i * f) // through the leak, over that into the air
					return (1-x["leak"])*creeping + x["leak"]/(1+flow)
				case Leaking:
					at := 1i * f / x["leakhz"]
					return 1 - x["leak"]/(1+at*(1+at/x["leakmass"]))
				}
				return 1
			}
			own := complex(real(stiffness(at)), 0)
			lossy := x["qms"+k] * complex(imag(stiffness(at)), 0) / own
			g := 1 / (1 - lossy + 1i*x["qms"+k]*(f/at-at/f*stiffness(f)/own))
			own = x["turn"+k]
			if i == l.Resonances-1 {
				own = -turn
			}
			turn += own
			z += (x["res"+k] + own*x["qms"+k]*at/(1i*f)) * g
		}
		parallel := func(a, b complex128) complex128 { return 1 / (1/a + 1/b) }
		switch l.Coil {
		case Inductor:
			z += s * x["l"]
		case Ladder:
			z += s*x["l"] + parallel(s*x["l2"], x["r2"])
		case Power:
			z += x["k"] * cmplx.Pow(s, x["n"])
		case Shunted:
			z += parallel(s*x["l"], x["k"]*cmplx.Pow(s, x["n"]))
		case Ringed:
			z += s*x["l0"] + parallel(parallel(s*x["l"], x["k"]*cmplx.Pow(s, x["n"])), x["r2"])
		case Leakage:
			z += s*x["l0"] + parallel(s*x["l"], x["k"]*cmplx.Pow(s, x["n"]))
		}
		if l.Padded {
			z = parallel(z, x["pad"])
		}
		if l.blocked {
			z += 1 / (s * x["c"])
		}
		z += x["re"]
		if l.bypassed {
			z = parallel(z, 1/(s*x["bypass"]))
		}
		v := l.at(p)
		if got := v.z(newTone(hz), nil); cmplx.Abs(got-z) > 1e-11*cmplx.Abs(z) {
			t.Errorf("%v ohm, want %v", got, z)
		}
	})
}

// The inductance at 1 kHz is Im Z/w there: that of a plain coil, and K w^(N-1)
// sin(N pi/2) of a power law.
func TestInductanceAt1kHz(t *testing.T) {
	const w = 2 * math.Pi * 1000
	for _, tc := range []struct {
		coil Coil
		want float64 // H
	}{
		{Coil{Kind: Inductor, L: quantity.Of(0.5e-3, 0)}, 0.5e-3},
		{Coil{Kind: Power, K: quantity.Of(0.02, 0), N: quantity.Of(0.6, 0)}, 0.02 * math.Pow(w, -0.4) * math.Sin(0.3*math.Pi)},
	} {
		v := tc.coil.values()
		if got := tc.coil.Kind.inductance(&v); math.Abs(got/tc.want-1) > 1e-12 {
			t.Errorf("%v: %g H, want %g", tc.coil.Kind, got, tc.want)
		}
	}
}
