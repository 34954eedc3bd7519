package measure

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
)

// What went wrong: with the second input two samples late a load whose lowest |Z| is
// 7.69 ohm was "rated 4 ohm", 4.441 ± 0.059 ohm at 12.4 kHz, with a warning alone
// that the inputs were not calibrated. Of loudspeakers, plain, behind a capacitor and
// with a second one above them, at inputs up to four samples apart either way: a
// curve whose lowest |Z| is outside k = 2 is refused, one that is off below 5 kHz
// is refused or warned of from there on, and a tenth of a sample refuses none.
func TestInputsApart(t *testing.T) {
	var apart, refused, off, low, unsaid [17]int // by quarters of a sample
	for seed := range uint64(8) {
		d := rand.New(rand.NewPCG(seed, 47))
		between := func(a, b float64) float64 { return a + (b-a)*d.Float64() }
		re := []float64{3.3, 6.4, 13}[d.IntN(3)] * between(0.9, 1.1)
		cone := netlist.Driver{
			Re: re, Coil: netlist.Coil{K: re * between(1.5e-3, 4e-3), N: between(0.6, 0.75)},
			Resonances: []netlist.Resonance{{Hz: between(50, 130), Qm: between(3, 9), Res: re * between(3, 12)}},
		}
		tweeter := netlist.Driver{
			Re: re, Coil: netlist.Coil{K: re * 4e-4, N: 0.65},
			Resonances: []netlist.Resonance{{Hz: 1200, Qm: 2, Res: re}},
		}
		z := cone.Impedance
		switch d.IntN(4) {
		case 0:
			c := netlist.Capacitor(between(5e-6, 50e-6))
			z = func(hz float64) complex128 { return c.Impedance(hz) + cone.Impedance(hz) }
		case 1:
			c := netlist.Capacitor(between(2e-6, 8e-6))
			z = func(hz float64) complex128 {
				a, b := cone.Impedance(hz), c.Impedance(hz)+2+tweeter.Impedance(hz)
				return a * b / (a + b)
			}
		}
		j, err := jig.Uncalibrated(jig.Options{Name: "a", SenseOhm: 10, Tolerance: 0.01, Mismatch: 0.01})
		if err != nil {
			t.Fatal(err)
		}
		rate := []int{44100, 48000, 96000, 192000}[d.IntN(4)]
		for _, samples := range []float64{0, 0.05, -0.05, 0.1, -0.1, 0.25, -0.25, 0.5, -0.5, 0.75, -0.75, 1, -1, 1.5, -1.5, 2, -2, 3, -3, 4, -4} {
			const sd = 2e-5
			var g ratio.Ratio
			for hz := 10.0; hz < 20e3; hz *= math.Exp2(1. / 24) {
				load := z(hz)
				at := load / (load + 10) * cmplx.Rect(1, -2*math.Pi*hz*samples/float64(rate))
				g.Points = append(g.Points, ratio.Point{Hz: hz, G: at + complex(sd*d.NormFloat64(), sd*d.NormFloat64()), Noise: impedance.Circular(2 * sd * sd)})
			}
			k := int(4 * math.Abs(samples))
			apart[k]++
			a := j.Apart(g.Points)
			var fault *card.Fault
			if errors.As(together(a, g, j, card.Recording{RateHz: rate, Inputs: [2]int{1, 2}}), &fault) {
				refused[k]++
				if fault.Cause != card.Apart || !strings.Contains(fault.Text, "samples") {
					t.Errorf("%v: %v", fault.Cause, fault)
				}
				if math.Abs(samples) <= 0.1 {
					t.Errorf("seed %d, %g samples at %d Hz: %v", seed, samples, rate, fault)
				}
				continue
			}
			c, err := j.Curve(g)
			if err != nil {
				t.Fatal(err)
			}
			late := j.LateBy(c, a, [2]int{1, 2}, rate)
			was, is, u := math.Inf(1), math.Inf(1), 0.0
			wrong, silent := false, false
			for i, p := range c.Points {
				m, v := c.Modulus(i)
				right := cmplx.Abs(z(p.Hz))
				if p.Hz > 150 && p.Hz <= ratedToHz {
					was = min(was, right)
					if m < is {
						is, u = m, v
					}
				}
				if p.Hz < 5e3 && math.Abs(m-right) > 2*v {
					wrong = true
					if late.Hz == 0 || p.Hz < late.Hz {
						silent = true
						t.Errorf("seed %d, %g samples at %d Hz: %.2f ± %.2f ohm at %.0f Hz where there are %.2f; said from %g Hz", seed, samples, rate, m, 2*v, p.Hz, right, late.Hz)
					}
				}
			}
			if wrong {
				off[k]++
			}
			if silent {
				unsaid[k]++
			}
			if math.Abs(is-was) > 2*u {
				low[k]++
				t.Errorf("seed %d, %g samples at %d Hz: lowest %.2f ± %.2f ohm where it is %.2f", seed, samples, rate, is, 2*u, was)
			}
		}
	}
	for k, n := range apart {
		if n > 0 {
			t.Logf("%g samples: of %d refused %d; of the others off below 5 kHz %d, of these not said %d; lowest off %d", float64(k)/4, n, refused[k], off[k], unsaid[k], low[k])
		}
	}
}

// A delay that moves nothing that counts is said in the one warning of inputs that
// nobody has calibrated.
func TestDelayIsSaidOnce(t *testing.T) {
	j, err := jig.Uncalibrated(jig.Options{Name: "a", SenseOhm: 10, Tolerance: 0.01, Mismatch: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	load := netlist.Driver{Re: 6.4, Coil: netlist.Coil{K: 0.015, N: 0.66}, Resonances: []netlist.Resonance{{Hz: 80, Qm: 5, Res: 45}}}
	var g ratio.Ratio
	for hz := 10.0; hz < 20e3; hz *= math.Exp2(1. / 24) {
		z := load.Impedance(hz)
		g.Points = append(g.Points, ratio.Point{Hz: hz, G: z / (z + 10) * cmplx.Rect(1, -2*math.Pi*hz*0.3/48000), Noise: impedance.Circular(1e-10)})
	}
	a := j.Apart(g.Points)
	if err := together(a, g, j, card.Recording{RateHz: 48000, Inputs: [2]int{1, 2}}); err != nil {
		t.Fatal(err)
	}
	c, err := j.Curve(g)
	if err != nil {
		t.Fatal(err)
	}
	w := j.Doubts(jig.Conditions{}, time.Time{}, j.LateBy(c, a, [2]int{1, 2}, 48000))
	if len(w) != 1 || !strings.Contains(w[0].Text, "input 2 hears the signal 0.3") {
		t.Errorf("%+v", w)
	}
}
