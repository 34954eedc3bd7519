package fit

import (
	"math"
	"regexp"
	"testing"
)

// tableLoads are invented loads, one of every coil and of every suspension: an
// entry of a table without a load here fails TestTablesAreWhole.
func tableLoads() (loads []Result) {
	plain := Result{Re: known(6.2), Resonances: []Resonance{resonance(85, 5, 45)}}
	for _, k := range CoilKinds() {
		l := plain
		l.Coil = Coil{Kind: k}
		for name, v := range map[string]float64{"l0": 0.1e-3, "l": 3e-3, "l2": 0.9e-3, "r2": 9, "k": 0.02, "n": 0.7} {
			to, _ := l.Coil.Parameter(name)
			*to = known(v)
		}
		loads = append(loads, l)
	}
	for _, k := range SuspensionKinds() {
		l := plain
		l.Coil = Coil{Kind: Power, K: known(0.02), N: known(0.7)}
		l.Suspension = Suspension{Kind: k, Creep: known(0.1), Leak: known(0.5), LeakHz: known(15), MassRatio: known(20)}
		loads = append(loads, l)
	}
	return loads
}

// Every entry of the tables has all its parts, a name of its own, and comes back
// from a clean curve by the path of every user.
func TestTablesAreWhole(t *testing.T) {
	names := map[string]bool{}
	braces := regexp.MustCompile(`\{(\w+)\}`)
	for _, k := range CoilKinds() {
		m := coils[k]
		if m.name == "" || names[m.name] || m.z == nil || m.first == nil || m.words == "" {
			t.Fatalf("coil %d %q is not whole", int(k), m.name)
		}
		names[m.name] = true
		if k.size() > Power.size() && m.like == nil {
			t.Errorf("coil %v has no starts like a power law", k)
		}
		for _, name := range m.parameters {
			if v, _ := (&Coil{}).Parameter(name); v == nil {
				t.Errorf("coil %v has a parameter %q that no Coil has", k, name)
			}
		}
		if got := len(braces.FindAllString(m.words, -1)); got != k.size() {
			t.Errorf("the words of coil %v name %d of %d parameters", k, got, k.size())
		}
	}
	for _, k := range SuspensionKinds() {
		m := suspensions[k]
		if m.name == "" || names[m.name] || m.h == nil || k != Spring && (m.starts == nil || m.words == "") {
			t.Fatalf("suspension %d %q is not whole", int(k), m.name)
		}
		names[m.name] = true
		for _, name := range m.parameters {
			if v, _ := (&Suspension{}).Parameter(name); v == nil {
				t.Errorf("suspension %v has a parameter %q that no Suspension has", k, name)
			}
		}
	}
	for _, want := range tableLoads() {
		model := Model{Coil: want.Coil.Kind, Suspension: want.Suspension.Kind, Resonances: 1}
		t.Run(want.Coil.Kind.String()+", "+want.Suspension.Kind.String(), func(t *testing.T) {
			got, err := Curve(t.Context(), measured(want.Impedance, 1e-5, 1), Options{Models: []Model{model}})
			if err != nil {
				t.Fatal(err)
			}
			if got.Model != model || math.Abs(got.Re.Value/want.Re.Value-1) > 1e-3 {
				t.Errorf("%+v with Re %v, want %+v with %v", got.Model, got.Re, model, want.Re.Value)
			}
			for hz := 10.0; hz < 20e3; hz *= 1.1 {
				z, exact := got.Impedance(hz), want.Impedance(hz)
				if e := math.Hypot(real(z-exact), imag(z-exact)); e > 1e-3*math.Hypot(real(exact), imag(exact)) {
					t.Fatalf("%v ohm at %.4g Hz, want %v", z, hz, exact)
				}
			}
		})
	}
}
