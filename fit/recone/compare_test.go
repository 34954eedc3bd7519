package recone

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"tapload/fit"
	"tapload/measure/impedance"
)

// mechanics is an invented driver by its mechanical and electrical constants,
// SI; its curve is worked out from them here, not by package fit.
type mechanics struct {
	mass, stiffness, loss, bl, re float64
	le, n                         float64 // |Zcoil| at 1 kHz in ohm and the exponent of its power law
}

var guitarDriver = mechanics{mass: 0.030, stiffness: 10000, loss: 2.6, bl: 11, re: 6.6, le: 4.5, n: 0.68}

// z is Re + Zcoil + Bl^2/(Rms + s M + K/s).
func (m mechanics) z(hz float64) complex128 {
	s := complex(0, 2*math.Pi*hz)
	coil := complex(m.le, 0) * cmplx.Pow(s/complex(2*math.Pi*1000, 0), complex(m.n, 0))
	return complex(m.re, 0) + coil + complex(m.bl*m.bl, 0)/(complex(m.loss, 0)+s*complex(m.mass, 0)+complex(m.stiffness, 0)/s)
}

// measure is one measurement of m at 264 points from 10 Hz to 20 kHz, with
// noise relative to |Z| and a sense resistor and channels that a jig has for
// all its curves, drawn by the jig's number and off by a standard deviation of
// 0.1 % each.
func (m mechanics) measure(t testing.TB, noise float64, seed, jig uint64) Side {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 0xd7))
	j := rand.New(rand.NewPCG(jig, 0x719))
	const off = 1e-3
	sense, channel := complex(off*j.NormFloat64(), 0), complex(off*j.NormFloat64(), 0)
	var c impedance.Curve
	bySense := impedance.Source{ID: fmt.Sprintf("jig %d sense resistor", jig)}
	byChannel := impedance.Source{ID: fmt.Sprintf("jig %d channels", jig)}
	for i := range 264 {
		hz := 10 * math.Pow(2000, float64(i)/263)
		z := m.z(hz)
		// dZ/Z = dR/R + (1 + Z/R) dG/G with a sense resistor of 10 ohm.
		mismatch := z * (1 + z/10)
		v := z + z*sense + mismatch*channel
		u := cmplx.Abs(z) * noise / math.Sqrt2
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: v + complex(u*r.NormFloat64(), u*r.NormFloat64()), Noise: impedance.Cov{RR: u * u, II: u * u}})
		bySense.DZ = append(bySense.DZ, off*z)
		byChannel.DZ = append(byChannel.DZ, off*mismatch)
	}
	c.Shared = []impedance.Source{bySense, byChannel}
	load, err := fit.Curve(c, fit.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return Side{Label: fmt.Sprintf("driver %d", seed), Curve: c, Load: load}
}

func (s Side) at(celsius float64) Side {
	s.Celsius = &celsius
	return s
}

func compare(t testing.TB, before, after Side) Comparison {
	t.Helper()
	c, err := Compare(before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (c Comparison) change(name string) Change {
	i := slices.IndexFunc(c.Changes, func(ch Change) bool { return ch.Name == name })
	return c.Changes[i]
}

func (c Comparison) significant() (names []string) {
	for _, ch := range c.Changes {
		if ch.Significant {
			names = append(names, ch.Name)
		}
	}
	if c.Worst.Significant {
		names = append(names, "curve")
	}
	return names
}

func tell(c Comparison) string {
	var b strings.Builder
	fmt.Fprintln(&b, c.Verdict)
	for _, ch := range c.Changes {
		fmt.Fprintf(&b, "  %s %.3f(%.3f) %v %v\n", ch.Name, ch.Percent.Value, ch.Percent.U, ch.Significant, ch.Verdict)
	}
	for _, k := range c.Causes {
		fmt.Fprintf(&b, "  %.4f %s %.2f(%.2f): %s\n", k.Odds, k.Name, k.Amount.Value, k.Amount.U, k.Words)
	}
	fmt.Fprintf(&b, "  worst %+v\n  %v", c.Worst, c.Warnings)
	return b.String()
}

// One change each, and what it must be called. The temperature is known of
// both sides: without it a Re that is 2 % higher is a coil 5 K warmer.
func TestOneChangeIsNamed(t *testing.T) {
	for _, c := range []struct {
		name   string
		do     func(*mechanics)
		want   string
		amount float64 // percent, in the logarithm
	}{
		{"mass +3 %", func(m *mechanics) { m.mass *= 1.03 }, "heavier cone", 2.96},
		{"mass -3 %", func(m *mechanics) { m.mass *= 0.97 }, "lighter cone", -3.05},
		{"stiffness +5 %", func(m *mechanics) { m.stiffness *= 1.05 }, "stiffer surround", 4.88},
		{"stiffness -5 %", func(m *mechanics) { m.stiffness *= 0.95 }, "softer surround", -5.13},
		{"Re +2 %", func(m *mechanics) { m.re *= 1.02 }, "wrong coil", 1.98},
		{"force factor -5 %", func(m *mechanics) { m.bl *= 0.95 }, "weaker magnet", -5.13},
		{"losses +20 %", func(m *mechanics) { m.loss *= 1.2 }, "more friction", 18.2},
		{"inductance +10 %", func(m *mechanics) { m.le *= 1.1 }, "more coil inductance", 9.53},
		{"nothing", func(m *mechanics) {}, "nothing changed", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			changed := guitarDriver
			c.do(&changed)
			for _, noise := range []float64{0.0005, 0.001} {
				for seed := range uint64(3) {
					got := compare(t, guitarDriver.measure(t, noise, 2*seed, 1).at(21), changed.measure(t, noise, 2*seed+1, 1+seed%2).at(21))
					best := got.Causes[0]
					if best.Name != c.want || best.Odds < 0.6 {
						t.Errorf("noise %v, seed %d: %s", noise, seed, tell(got))
					}
					if math.Abs(best.Amount.Value-c.amount) > 4*best.Amount.U {
						t.Errorf("amount %.2f, u %.2f, want %.2f", best.Amount.Value, best.Amount.U, c.amount)
					}
					if c.amount != 0 && len(got.significant()) == 0 {
						t.Errorf("nothing is significant: %s", tell(got))
					}
				}
			}
		})
	}
}
