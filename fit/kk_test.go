package fit

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// kkLoad is a load for the test, written apart from the model of the package.
type kkLoad struct {
	re    float64
	coil  func(s complex128) complex128
	peaks []Resonance
}

func (l kkLoad) z(hz float64) complex128 {
	s := complex(0, 2*math.Pi*hz)
	z := complex(l.re, 0) + l.coil(s)
	for _, r := range l.peaks {
		z += complex(r.Res.Value, 0) / complex(1, r.Qms.Value*(hz/r.Hz.Value-r.Hz.Value/hz))
	}
	return z
}

func plainPeak(hz, q, res float64) Resonance {
	return Resonance{Hz: quantity.Value{Value: hz}, Qms: quantity.Value{Value: q}, Res: quantity.Value{Value: res}}
}

// kkGrid is 20 Hz to 20 kHz with n points.
func kkGrid(l kkLoad, n int, noise float64, state bool, rng *rand.Rand) impedance.Curve {
	var c impedance.Curve
	for i := range n {
		hz := 20 * math.Pow(1000, float64(i)/float64(n-1))
		z := l.z(hz)
		u := noise * cmplx.Abs(z) / math.Sqrt2
		p := impedance.Point{Hz: hz, Z: z + complex(u*rng.NormFloat64(), u*rng.NormFloat64())}
		if state {
			p.Noise = impedance.Circular(2 * u * u)
		}
		c.Points = append(c.Points, p)
	}
	return c
}

func powerCoil(k, n float64) func(complex128) complex128 {
	return func(s complex128) complex128 { return complex(k, 0) * cmplx.Pow(s, complex(n, 0)) }
}

func parallel(a, b complex128) complex128 { return a * b / (a + b) }

func randomKKLoad(rng *rand.Rand) kkLoad {
	uniform := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	scale := func(a, b float64) float64 { return a * math.Pow(b/a, rng.Float64()) }
	l := kkLoad{re: scale(1, 60)}
	x := l.re * scale(0.3, 3) // reactance at 3 kHz or so
	k, n := x/math.Pow(2*math.Pi*3000, 0.7), uniform(0.5, 0.85)
	k *= math.Pow(2*math.Pi*3000, 0.7-n)
	h := x / (2 * math.Pi * 3000)
	switch rng.IntN(4) {
	case 0:
		l.coil = func(s complex128) complex128 { return s * complex(h, 0) }
	case 1:
		l.coil = powerCoil(k, n)
	case 2:
		l.coil = func(s complex128) complex128 {
			return s*complex(h/3, 0) + parallel(s*complex(h, 0), complex(2*x, 0))
		}
	default:
		l.coil = func(s complex128) complex128 { return parallel(s*complex(h, 0), powerCoil(3*k, n)(s)) }
	}
	hz := scale(35, 200)
	for range 1 + rng.IntN(3) {
		l.peaks = append(l.peaks, plainPeak(hz, scale(1, 25), l.re*scale(0.5, 10)))
		hz *= uniform(1.5, 4)
	}
	return l
}

// goodDriver is invented: a coil as lossy as case B of the DTU lecture's
// driver (K 0.0106, n 0.76) and its resonance.
var goodDriver = kkLoad{re: 5.46, coil: powerCoil(0.0106, 0.76), peaks: []Resonance{plainPeak(35, 3.9, 41.4)}}

func stepped(c impedance.Curve, from int, by complex128) impedance.Curve {
	for i := from; i < len(c.Points); i++ {
		c.Points[i].Z *= by
	}
	return c
}

func rotate(degrees float64) complex128 { return cmplx.Rect(1, degrees*math.Pi/180) }

// What is left of a good curve is next to nothing, and what is left of a faulty
// one is about the fault: half of a step of 5 % or of 2 degrees (3.5 %) on
// either side, less the part that terms make of it away from its place.
func TestKKFigures(t *testing.T) {
	for _, c := range []struct {
		name      string
		by        complex128
		low, high float64 // percent
		fault     Fault
		size      float64
	}{
		{"clean", 1, 0, 0.013, Consistent, 0},
		{"gain step", 1.05, 0.6, 2.5, GainStep, 0.05},
		{"phase step", rotate(2), 0.4, 1.75, PhaseStep, 2 * math.Pi / 180},
	} {
		t.Run(c.name, func(t *testing.T) {
			curve := stepped(kkGrid(goodDriver, 264, 0, false, rand.New(rand.NewPCG(1, 1))), 132, c.by)
			r, err := KK(t.Context(), curve, fittedTo(t, curve))
			if err != nil {
				t.Fatal(err)
			}
			if r.Percent < c.low || r.Percent > c.high {
				t.Errorf("%.4f %% rms, want %.3f to %.3f", r.Percent, c.low, c.high)
			}
			// The terms bend towards the fault and take a few percent of it.
			if r.Fault != c.fault || math.Abs(r.Size-c.size) > 0.05*c.size {
				t.Errorf("fault %d of size %.4f, want %d of %.4f", r.Fault, r.Size, c.fault, c.size)
			}
			if c.fault != Consistent && math.Abs(math.Log2(r.AtHz*r.AtHz/(curve.Points[131].Hz*curve.Points[132].Hz))) > 1e-9 {
				t.Errorf("step at %.1f Hz, want between points 131 and 132", r.AtHz)
			}
		})
	}
}

// fittedTo is the fit of c, or none where it has none.
func fittedTo(tb testing.TB, c impedance.Curve) Result {
	tb.Helper()
	load, err := Curve(tb.Context(), c, Options{})
	if err != nil {
		return Result{}
	}
	return load
}

// inject returns c with one fault, and where a step was put.
func inject(c impedance.Curve, fault Fault, rng *rand.Rand) (impedance.Curve, float64) {
	n := len(c.Points)
	at := n/6 + rng.IntN(2*n/3)
	d := impedance.Curve{Points: append([]impedance.Point(nil), c.Points...)}
	for i := range d.Points {
		z := &d.Points[i].Z
		switch {
		case fault == GainStep && i >= at:
			*z *= 1.05
		case fault == PhaseStep && i >= at:
			*z *= rotate(2)
		case fault == Drift:
			*z *= complex(1+0.1*float64(i)/float64(n-1), 0)
		case fault == PhaseSign:
			*z = cmplx.Conj(*z)
		}
	}
	return d, d.Points[at].Hz
}

var kkFaults = map[Fault]string{GainStep: "gain step of 5 %", PhaseStep: "phase step of 2 degrees", Drift: "drift of 10 %", PhaseSign: "phase sign"}

func TestKKNoFalseAlarms(t *testing.T) {
	loads := 60
	if testing.Short() {
		loads = 8 // one of each noise and both grids
	}
	rng := rand.New(rand.NewPCG(5, 5))
	for i := range loads {
		noise := []float64{0, 0.0002, 0.003, 0.02}[i%4]
		c := kkGrid(randomKKLoad(rng), 120, noise, i%8 < 4, rng)
		r, err := KK(t.Context(), c, fittedTo(t, c))
		if err != nil {
			t.Fatal(err)
		}
		if w, bad := r.Warning(); bad {
			t.Errorf("load %d, noise %g, %s", i, noise, w.Text)
		}
	}
}

func TestKKNamesFaults(t *testing.T) {
	loads := 12
	if testing.Short() {
		loads = 3 // one of each noise
	}
	for fault, name := range kkFaults {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(6, uint64(fault)))
			for i := range loads {
				c := kkGrid(randomKKLoad(rng), 120, []float64{0, 0.0002, 0.003}[i%3], i%2 == 0, rng)
				bad, hz := inject(c, fault, rng)
				r, err := KK(t.Context(), bad, fittedTo(t, bad))
				if err != nil {
					t.Fatal(err)
				}
				if r.Fault != fault {
					w, _ := r.Warning()
					t.Errorf("load %d: fault %d, want %d: %s", i, r.Fault, fault, w.Text)
				}
				if (fault == GainStep || fault == PhaseStep) && math.Abs(math.Log2(r.AtHz/hz)) > 1./3 {
					t.Errorf("load %d: step at %.4g Hz, put at %.4g Hz", i, r.AtHz, hz)
				}
			}
		})
	}
}

func TestKKWords(t *testing.T) {
	for _, c := range []struct {
		r          KKResult
		code, text string
	}{
		{KKResult{Fault: GainStep, AtHz: 632.5, Size: 0.05}, "kk-gain-step", "its level steps by +5.0 % at 632.5 Hz"},
		{KKResult{Fault: PhaseStep, AtHz: 632.5, Size: -0.035}, "kk", "its phase steps by -2.0 degrees at 632.5 Hz"},
		// pi/2 * 0.1/ln(1000) = 0.02274 rad = 1.3 degrees
		{KKResult{Fault: Drift, LowHz: 20, HighHz: 20000, Size: -0.1}, "kk-drift", "off by 1.3 degrees throughout, or its level drifts by -10.0 % from 20.00 Hz to 20000 Hz"},
		// What went wrong: inputs samples apart made "its level drifts by -643.5 %".
		// pi/2 * 6.435/ln(1000) = 1.463 rad = 84 degrees
		{KKResult{Fault: Drift, LowHz: 20, HighHz: 20000, Size: -6.435}, "kk-drift", "the phase of the curve is off by some 84 degrees, as no load's is"},
		{KKResult{Fault: PhaseError, AtHz: 40, Size: -0.035}, "kk-phase-error", "off by up to 2.0 degrees, most at 40.00 Hz"},
		{KKResult{Fault: PhaseSign}, "kk-phase-sign", "its phase has the wrong sign"},
		{KKResult{Fault: Inconsistent, Percent: 3.21, Noise: 0.1, WorstHz: 150}, "kk", "3.2 % is left (noise leaves 0.1 %), most at 150.0 Hz"},
	} {
		w, bad := c.r.Warning()
		if !bad || w.Code != c.code || !strings.Contains(w.Text, c.text) {
			t.Errorf("%v %q of %q, want %q with %q", bad, w.Text, w.Code, c.code, c.text)
		}
	}
	if _, bad := (KKResult{}).Warning(); bad {
		t.Error("a consistent curve has a warning")
	}
}

func TestKKErrors(t *testing.T) {
	flat := func(n int, z complex128) (c impedance.Curve) {
		for i := range n {
			c.Points = append(c.Points, impedance.Point{Hz: float64(20 + i), Z: z})
		}
		return c
	}
	for _, c := range []struct {
		curve impedance.Curve
		want  string
	}{
		{flat(0, 8), "curve has no points"},
		{flat(5, 8), "curve has 5 points; a Kramers-Kronig test needs at least 24"},
		{flat(30, 0), "impedance is 0 at 20 Hz; a Kramers-Kronig test is relative to it"},
	} {
		if _, err := KK(t.Context(), c.curve, Result{}); err == nil || err.Error() != c.want {
			t.Errorf("error %v, want %s", err, c.want)
		}
	}
	if r, err := KK(t.Context(), flat(30, 8), Result{}); err != nil || r.Fault != Consistent || r.Percent > 1e-3 {
		t.Errorf("a resistor: %+v, %v", r, err)
	}
}

// passed is c with its phase turned by so many degrees at each frequency.
func passed(c impedance.Curve, by func(hz float64) float64) impedance.Curve {
	return turned(c, func(hz float64) complex128 { return rotate(by(hz)) })
}

// A plain inductor has a phase of 90 degrees, and a lag of one takes it beyond
// what a passive load can have or short of it. Neither turns its sign round.
func TestKKPlainInductorKeepsItsSign(t *testing.T) {
	for _, l := range []kkLoad{
		{re: 0, coil: func(s complex128) complex128 { return s * 1e-3 }},
		{re: 0.01, coil: func(s complex128) complex128 { return s * 1e-3 }},
		{re: 6, coil: func(s complex128) complex128 { return s * 2e-3 }, peaks: []Resonance{plainPeak(80, 6, 50)}},
	} {
		for _, lag := range []float64{-1, 0, 1} {
			c := passed(kkGrid(l, 264, 1e-4, true, rand.New(rand.NewPCG(9, 9))), func(float64) float64 { return lag })
			r, err := KK(t.Context(), c, fittedTo(t, c))
			if err != nil {
				t.Fatal(err)
			}
			if r.Fault == PhaseSign {
				t.Errorf("Re %g, a lag of %g degrees: called of the wrong sign", l.re, lag)
			}
		}
	}
}

// BenchmarkKKStudy is the long study behind testdata/figures/kk.txt: shares
// of 200 random loads, by noise.
func BenchmarkKKStudy(b *testing.B) {
	const loads = 200
	for _, noise := range []float64{0, 0.0002, 0.003, 0.02} {
		b.Run(fmt.Sprintf("noise=%g%%", 100*noise), func(b *testing.B) {
			for b.Loop() {
				rng := rand.New(rand.NewPCG(7, 7))
				alarms, named := 0, map[Fault]int{}
				for i := range loads {
					c := kkGrid(randomKKLoad(rng), 264, noise, i%2 == 0, rng)
					r, err := KK(b.Context(), c, fittedTo(b, c))
					if err != nil {
						b.Fatal(err)
					}
					if r.Fault != Consistent {
						alarms++
					}
					for fault := range kkFaults {
						bad, _ := inject(c, fault, rand.New(rand.NewPCG(8, uint64(i))))
						r, err := KK(b.Context(), bad, fittedTo(b, bad))
						if err != nil {
							b.Fatal(err)
						}
						if r.Fault == fault {
							named[fault]++
						}
					}
				}
				b.ReportMetric(100*float64(alarms)/loads, "%false")
				b.ReportMetric(100*float64(named[GainStep])/loads, "%gain5%")
				b.ReportMetric(100*float64(named[PhaseStep])/loads, "%phase2deg")
				b.ReportMetric(100*float64(named[Drift])/loads, "%drift10%")
				b.ReportMetric(100*float64(named[PhaseSign])/loads, "%sign")
			}
		})
	}
}

// What noise would leave is what it leaves: the terms take their part of it.
func TestKKNoiseIsWhatItLeaves(t *testing.T) {
	load := Result{Re: quantity.Of(goodDriver.re, 0), Coil: Coil{Kind: Power, K: quantity.Of(0.0106, 0), N: quantity.Of(0.76, 0)}, Resonances: goodDriver.peaks}
	rng := rand.New(rand.NewPCG(6, 2))
	var left, stated float64
	const curves = 60
	for range curves {
		r, err := KK(t.Context(), kkGrid(goodDriver, 60, 1e-3, true, rng), load)
		if err != nil {
			t.Fatal(err)
		}
		left += r.Percent * r.Percent
		stated += r.Noise * r.Noise
	}
	// The mean of 60 sums of 120 squares scatters by 1.7 %.
	if q := left / stated; math.Abs(q-1) > 0.06 {
		t.Errorf("noise leaves %.3f of the power that is stated", q)
	}
}

// Without a step of its level a curve is less by the step above its place, or more
// below it; without one of its phase it is turned by as much.
func TestCurveWithoutItsStep(t *testing.T) {
	c := impedance.Curve{Points: []impedance.Point{{Hz: 100, Z: 3 + 4i}, {Hz: 1000, Z: 5i}}}
	for fault, by := range map[Fault]complex128{GainStep: complex(math.Exp(0.1), 0), PhaseStep: cmplx.Rect(1, 0.1)} {
		ways := KKResult{Fault: fault, AtHz: 300, Size: 0.1}.Without(c)
		want := [][2]complex128{{3 + 4i, 5i / by}, {by * (3 + 4i), 5i}}
		if len(ways) != len(want) {
			t.Fatalf("%v: %d ways", fault, len(ways))
		}
		for i, w := range want {
			for k, p := range ways[i].Points {
				if cmplx.Abs(p.Z-w[k]) > 1e-12 {
					t.Errorf("%v at %g Hz: %v, want %v", fault, p.Hz, p.Z, w[k])
				}
			}
		}
	}
}
