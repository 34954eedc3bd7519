package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

func powerLaw(re, k, n float64, resonances ...Resonance) Result {
	return Result{Re: known(re), Coil: Coil{Kind: Power, K: known(k), N: known(n)}, Resonances: resonances}
}

func inParallel(a, b Result) func(float64) complex128 {
	return func(hz float64) complex128 {
		x, y := a.Impedance(hz), b.Impedance(hz)
		return x * y / (x + y)
	}
}

// Two drivers in parallel follow no model of one: the load is still told, with
// what is left over as misfit. Re is that of the two in parallel; at the
// resonance the load reads what the formula of the pair does.
func TestTwoDriversInParallel(t *testing.T) {
	for _, tc := range []struct {
		name string
		a, b Result
	}{
		{"4 % apart", powerLaw(6.1, 0.02, 0.7, resonance(107, 5.6, 50)), powerLaw(6.3, 0.02, 0.7, resonance(111.5, 5.1, 46))},
		{"with a back panel", powerLaw(13.1, 0.046, 0.66, resonance(107, 5.6, 96), resonance(412, 9, 1.3)), powerLaw(13.4, 0.045, 0.66, resonance(111.5, 5.1, 88), resonance(405, 8.5, 1.1))},
		{"20 % apart", powerLaw(6.1, 0.02, 0.7, resonance(95, 5.6, 50)), powerLaw(6.3, 0.02, 0.7, resonance(115, 5.1, 46))},
	} {
		pair := inParallel(tc.a, tc.b)
		for _, noise := range []float64{1e-5, 1e-4, 1e-3} {
			r, err := Curve(t.Context(), measured(pair, noise, 1), Options{})
			if err != nil {
				t.Fatalf("%s, noise %g: %v", tc.name, noise, err)
			}
			re := 1 / (1/tc.a.Re.Value + 1/tc.b.Re.Value)
			if math.Abs(r.Re.Value/re-1) > 0.003 {
				t.Errorf("%s, noise %g: Re %.5g ohm, want %.5g", tc.name, noise, r.Re.Value, re)
			}
			for hz := 10.0; hz < 20e3; hz *= 1.02 {
				z, want := r.Impedance(hz), pair(hz)
				if real(z) <= 0 {
					t.Errorf("%s, noise %g: real part %g ohm at %.4g Hz", tc.name, noise, real(z), hz)
				}
				if e := math.Hypot(real(z-want), imag(z-want)); e > 0.02*math.Hypot(real(want), imag(want)) {
					t.Errorf("%s, noise %g: %.3g ohm at %.4g Hz, want %.3g", tc.name, noise, z, hz, want)
				}
			}
		}
	}
}

// wandering returns a relative error of the given rms that is remembered over
// so many octaves: a first-order process along the curve.
func wandering(c impedance.Curve, rms, octaves float64, r *rand.Rand) []complex128 {
	e := make([]complex128, len(c.Points))
	draw := func() complex128 {
		return complex(r.NormFloat64(), r.NormFloat64()) * complex(rms/math.Sqrt2, 0)
	}
	e[0] = draw()
	for i := 1; i < len(e); i++ {
		keep := math.Exp(-math.Log2(c.Points[i].Hz/c.Points[i-1].Hz) / octaves)
		e[i] = complex(keep, 0)*e[i-1] + complex(math.Sqrt(1-keep*keep), 0)*draw()
	}
	return e
}

// misled fits loads of one resonance whose curves wander from the model, and
// returns how many got a resonance too many and how many of the intervals of
// k = 2 hold the truth.
func misled(tb testing.TB, rms, octaves float64, seeds int) (tooMany int, inside float64) {
	held, all := 0, 0
	for seed := range uint64(seeds) {
		want := inventedLoads[2].load
		c := measured(want.Impedance, 1e-4, seed)
		for i, e := range wandering(c, rms, octaves, rand.New(rand.NewPCG(seed, 77))) {
			c.Points[i].Z *= 1 + e
		}
		r, err := Curve(tb.Context(), c, Options{})
		if err != nil {
			tb.Fatalf("seed %d: %v", seed, err)
		}
		if len(r.Resonances) > 1 {
			tooMany++
			continue
		}
		g, w := r.Resonances[0], want.Resonances[0]
		for _, p := range [][2]quantity.Value{{r.Re, want.Re}, {g.Hz, w.Hz}, {g.Qms, w.Qms}, {g.Res, w.Res}} {
			all++
			if math.Abs(p[0].Value-p[1].Value) < 2*p[0].U {
				held++
			}
		}
	}
	return tooMany, float64(held) / float64(all)
}

// A misfit makes no resonances, and the uncertainties cover what it does: of 48
// intervals with a chance of 95 % each, which hang together four by four, 85 %
// are three standard deviations down.
func TestMisfitIsNoResonance(t *testing.T) {
	if testing.Short() {
		t.Skip("48 fits of every model")
	}
	for _, rms := range []float64{0.002, 0.01} {
		for _, octaves := range []float64{0.1, 0.5} {
			tooMany, inside := misled(t, rms, octaves, 12)
			if tooMany > 0 || inside < 0.85 {
				t.Errorf("misfit %g over %g octaves: %d of 12 with a resonance too many, %.0f %% of the intervals hold the truth", rms, octaves, tooMany, 100*inside)
			}
		}
	}
}

func BenchmarkMisfit(b *testing.B) {
	for b.Loop() {
		for _, octaves := range []float64{0.03, 0.1, 0.5, 2} {
			for _, rms := range []float64{0.002, 0.01} {
				tooMany, inside := misled(b, rms, octaves, 200)
				b.Logf("misfit %.1f %% over %.2f octaves: %.1f %% with a resonance too many, %.1f %% of the intervals of k = 2 hold the truth", 100*rms, octaves, float64(tooMany)/2, 100*inside)
			}
		}
	}
}

// Noise that is not alike in all directions weighs each direction by its own:
// a reactance without any information leaves the resistance to tell the load,
// and chi-square per degree of freedom stays about 1.
func TestNoiseOfUnequalDirections(t *testing.T) {
	want := inventedLoads[0].load
	r := rand.New(rand.NewPCG(3, 3))
	c := measured(want.Impedance, 0, 0)
	for i := range c.Points {
		// Along (0.8, 0.6) noise is 2 ohm, across it 0.002 ohm.
		long, short := 2*r.NormFloat64(), 0.002*r.NormFloat64()
		c.Points[i].Z += complex(0.8*long-0.6*short, 0.6*long+0.8*short)
		c.Points[i].Noise = impedance.Cov{RR: 0.64*4 + 0.36*4e-6, RI: 0.48*4 - 0.48*4e-6, II: 0.36*4 + 0.64*4e-6}
	}
	got, err := Curve(t.Context(), c, Options{Models: []Model{{Coil: Inductor, Resonances: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	if err := recovered(got, want); err != nil {
		t.Error(err)
	}
	// 264 directions of 2 mohm determine Re of 6.2 ohm to well below 0.01 ohm.
	if got.Re.U > 0.01 {
		t.Errorf("Re has u %.2g ohm", got.Re.U)
	}
	if chi := got.ChiSquare / float64(got.DOF); math.Abs(chi-1) > 4*math.Sqrt(2/float64(got.DOF)) {
		t.Errorf("chi-square is %.2f a degree of freedom", chi)
	}
}

// Two invented two-way cabinets of woofers that are high above their tweeters:
// Re was held at the least Re Z, that of the tweeter, or came out as 0.0001 ohm.
func TestReBehindACrossover(t *testing.T) {
	for _, x := range []struct {
		re, choke, bypass, tweeter, series float64
	}{
		{12.2, 0.25e-3, 10e-6, 4, 6e-6},
		{7.5, 0.3e-3, 0, 3.5, 8e-6},
		{7.1, 0.8e-3, 14e-6, 3.6, 7e-6},
		{12.5, 1.1e-3, 8e-6, 4.1, 5e-6},
	} {
		woofer := powerLaw(x.re, 0.008, 0.65, resonance(72, 8, 17*x.re))
		z := func(hz float64) complex128 {
			s := complex(0, 2*math.Pi*hz)
			low := woofer.Impedance(hz)
			if x.bypass > 0 {
				low = 1 / (1/low + s*complex(x.bypass, 0))
			}
			low += s*complex(x.choke, 0) + 0.2
			return 1 / (1/low + 1/(complex(x.tweeter, 0)+s*30e-6+1/(s*complex(x.series, 0))))
		}
		r, err := Curve(t.Context(), measured(z, 1e-4, 1), Options{})
		if err != nil {
			t.Errorf("%+v: %v", x, err)
			continue
		}
		if want := x.re + 0.2; math.Abs(r.Re.Value-want) > 2.5*r.Re.U || r.Re.U > 0.3*want {
			t.Errorf("%+v: Re %.4g(%.2g), not %.4g; %v", x, r.Re.Value, r.Re.U, want, r.Warnings)
		}
	}
}

// A coil of four sections, which no model has, was followed by some 200 ohm beside
// the driver, which took their part of Qms: of 70 such drivers ten.
func TestCoilIsNoPad(t *testing.T) {
	for _, x := range []struct {
		hz, qms, qes, leak float64
		l, r               [4]float64 // H, ohm
	}{
		{35.2, 4.713, 1.158, 67e-6, [4]float64{84e-6, 155e-6, 288e-6, 297e-6}, [4]float64{17.4, 84.7, 11, 2.56}},
		{42.91, 5.822, 0.9047, 122e-6, [4]float64{364e-6, 200e-6, 535e-6, 388e-6}, [4]float64{4.6, 65.5, 2.69, 2.32}},
		{82.98, 8.384, 0.6129, 139e-6, [4]float64{419e-6, 312e-6, 283e-6, 657e-6}, [4]float64{98.4, 91.2, 48.3, 3.74}},
	} {
		const re = 6.463
		motion := Result{Resonances: []Resonance{resonance(x.hz, x.qms, re*x.qms/x.qes)}}
		z := func(hz float64) complex128 {
			s := complex(0, 2*math.Pi*hz)
			z := re + s*complex(x.leak, 0) + motion.Impedance(hz)
			for i := range x.l {
				z += 1 / (1/(s*complex(x.l[i], 0)) + 1/complex(x.r[i], 0))
			}
			return z
		}
		r, err := Curve(t.Context(), measured(z, 1e-5, 1), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if q := r.Resonances[0].Qms; r.Crossover == Pad || math.Abs(q.Value-x.qms) > 4*q.U || q.U > 0.1*x.qms {
			t.Errorf("%g Hz: Qms %.4g(%.2g), not %g; %v, pad %.4g ohm", x.hz, q.Value, q.U, x.qms, r.Model, r.Pad.Value)
		}
	}
}
