package ratio

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// 2 sin(2 pi 100 t + 1) + 0.2, t = 0 .. 1 s in steps of 0.1 ms, from a start at
// 100.2 Hz: the test of an open-source quantum-voltmeter toolbox, for the
// four-parameter fit of IEEE Std 1057. A second channel, three times as large
// and a quarter turn ahead, has the same frequency.
func TestSineFit(t *testing.T) {
	x := make([][]float64, 2)
	for n := range 10001 {
		s := 2*math.Pi*100*float64(n)*1e-4 + 1
		x[0] = append(x[0], 2*math.Sin(s)+0.2)
		x[1] = append(x[1], 6*math.Cos(s)-0.7)
	}
	fit, err := fitSine(x, 2*math.Pi*100.2*1e-4)
	if err != nil {
		t.Fatal(err)
	}
	// From A cos + B sin about the middle to the sine at the first sample.
	phase := cmplx.Phase(fit.a[0]) - fit.w*5000 + math.Pi/2
	phase = math.Mod(phase+2000*math.Pi, 2*math.Pi)
	for what, v := range map[string][2]float64{
		"frequency":           {fit.w / (2 * math.Pi * 1e-4), 100},
		"amplitude":           {cmplx.Abs(fit.a[0]), 2},
		"phase":               {phase, 1},
		"offset":              {fit.offset[0], 0.2},
		"second amplitude":    {cmplx.Abs(fit.a[1]), 6},
		"second offset":       {fit.offset[1], -0.7},
		"phase of the second": {cmplx.Phase(fit.a[1] / fit.a[0]), math.Pi / 2},
	} {
		if math.Abs(v[0]-v[1]) > 1e-9 {
			t.Errorf("%s %.12g, want %g", what, v[0], v[1])
		}
	}
}

// The scatter of the fitted frequency is at the bound of Cramer and Rao for
// unknown amplitude, phase and frequency, var w = 24 s^2/(A^2 N (N^2 - 1)) (S. M.
// Kay, Estimation Theory, 1993, from memory), halved by a second channel, and
// is what the fit states.
func TestSineFitReachesTheBound(t *testing.T) {
	const (
		n, runs = 600, 1500
		a, s, w = 1.0, 0.1, 0.31
	)
	r := rand.New(rand.NewPCG(1, 2))
	var sum, stated float64
	for range runs {
		x := [][]float64{make([]float64, n), make([]float64, n)}
		for i := range n {
			x[0][i] = a*math.Cos(w*float64(i)+0.4) + s*r.NormFloat64()
			x[1][i] = a*math.Cos(w*float64(i)-1.1) + s*r.NormFloat64()
		}
		fit, err := fitSine(x, w+0.002)
		if err != nil {
			t.Fatal(err)
		}
		sum += (fit.w - w) * (fit.w - w) / runs
		stated += fit.varW / runs
	}
	bound := 24 * s * s / (a * a * n * (n*n - 1)) / 2
	// A variance from 1500 runs scatters by 3.7 %.
	if sum/bound < 0.88 || sum/bound > 1.12 || stated/bound < 0.98 || stated/bound > 1.02 {
		t.Errorf("variance %.4f and stated variance %.4f times the bound", sum/bound, stated/bound)
	}
}

func TestSineFitRefuses(t *testing.T) {
	if _, err := fitSine([][]float64{{1, 2, 3}}, 0.5); err == nil {
		t.Error("three samples made a fit")
	}
	constant := make([]float64, 500)
	if _, err := fitSine([][]float64{constant}, 0); err == nil {
		t.Error("no frequency made a fit")
	}
}
