package impedance

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// grid returns frequencies from low to high at n points an octave.
func grid(low, high float64, n int) []float64 {
	var hz []float64
	for i := 0; ; i++ {
		f := low * math.Exp2(float64(i)/float64(n))
		if f > high {
			return hz
		}
		hz = append(hz, f)
	}
}

func sample(hz []float64, z func(hz float64) complex128) Curve {
	var c Curve
	for _, f := range hz {
		c.Points = append(c.Points, Point{Hz: f, Z: z(f)})
	}
	return c
}

// resonator is 6 ohm and 0.5 mH in series with a parallel resonance at 70 Hz,
// whose peak is 50 times its foot: closed form, Q as given.
func resonator(q float64) func(hz float64) complex128 {
	return func(hz float64) complex128 {
		s := complex(0, hz/70)
		return 6 + complex(0, 2*math.Pi*hz*0.5e-3) + 294*(s/complex(q, 0))/(s*s+s/complex(q, 0)+1)
	}
}

// TestResampleResonator holds the errors that Resample's documentation states.
func TestResampleResonator(t *testing.T) {
	for _, tt := range []struct{ q, inside, outside float64 }{
		{2, 2e-7, 2e-5},
		{5, 3e-5, 5e-4},
		{8, 4e-4, 3e-3},
		{12, 3e-3, 1.2e-2},
	} {
		z := resonator(tt.q)
		worst := func(c Curve, hz []float64) float64 {
			t.Helper()
			r, err := c.Resample(hz)
			if err != nil {
				t.Fatal(err)
			}
			e := 0.0
			for _, p := range r.Points {
				e = max(e, cmplx.Abs(p.Z-z(p.Hz))/cmplx.Abs(z(p.Hz)))
			}
			return e
		}
		inside, outside := 0.0, 0.0
		for phase := range 8 { // of the grid against the peak
			hz := grid(20*math.Exp2(float64(phase)/8/48), 400, 48)
			between := grid(hz[3], hz[len(hz)-4], 480)
			inside = max(inside, worst(sample(hz, z), between))
		}
		// The end of a curve right on the peak is the worst end there is.
		for phase := range 48 {
			hz := grid(70*math.Exp2((float64(phase)/8-4)/48), 400, 48)
			outside = max(outside, worst(sample(hz, z), grid(hz[0], hz[2], 480)))
		}
		t.Logf("Q %v: worst error %.2g inside, %.2g in the outer two intervals", tt.q, inside, outside)
		if inside > tt.inside || outside > tt.outside {
			t.Errorf("Q %v: worst error %.2g inside (limit %.2g), %.2g in the outer two intervals (limit %.2g)", tt.q, inside, tt.inside, outside, tt.outside)
		}
	}
}

// Polynomials in ln f come back: of degree 5 inside, of degree 3 at the ends
// and of degree n-1 for n < 4 points, on uneven grids too.
func TestResampleIsExactForPolynomials(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "points")
		hz := []float64{rapid.Float64Range(5, 500).Draw(t, "first")}
		for range n - 1 {
			hz = append(hz, hz[len(hz)-1]*rapid.Float64Range(1.1, 1.5).Draw(t, "step"))
		}
		k := rapid.IntRange(0, max(0, n-2)).Draw(t, "interval")
		f := hz[k]
		if n > 1 {
			f *= math.Pow(hz[k+1]/hz[k], rapid.Float64Range(1e-3, 0.999).Draw(t, "part"))
		}
		degree := min(3, n-1)
		if k >= 2 && k+3 < n {
			degree = 5
		}
		var coeff [6]complex128
		for i := range degree + 1 {
			coeff[i] = drawComplex(t, "coefficient")
		}
		polynomial := func(f float64) (z complex128) {
			x := complex(math.Log(f/hz[0]), 0)
			for _, a := range slices.Backward(coeff[:]) {
				z = z*x + a
			}
			return z
		}
		c := sample(hz, polynomial)
		largest := 0.0
		for _, p := range c.Points {
			largest = max(largest, cmplx.Abs(p.Z))
		}
		got, err := c.Resample([]float64{f})
		if err != nil {
			t.Fatal(err)
		}
		if e := cmplx.Abs(got.Points[0].Z - polynomial(f)); e > 1e-10*largest {
			t.Fatalf("degree %d at %v Hz, interval %d of %d points: off by %v of %v", degree, f, k, n, e, largest)
		}
	})
}

// The noise stated after resampling is the scatter of resampled noise.
func TestResampleNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	noise := Cov{RR: 0.04, RI: -0.03, II: 0.09}
	flat := sample(grid(20, 24, 48), func(float64) complex128 { return 8 })
	for i := range flat.Points {
		flat.Points[i].Noise = noise.Times(complex(1+0.2*float64(i), 0))
	}
	hz := []float64{20.1, 20.7, 22, 23.5}
	want, err := flat.Resample(hz)
	if err != nil {
		t.Fatal(err)
	}
	const n = 20_000 // a variance scatters by 1 %
	z := make([][]complex128, len(hz))
	noisy := Curve{Points: slices.Clone(flat.Points)}
	for range n {
		for i := range noisy.Points {
			cov := flat.Points[i].Noise
			l11 := math.Sqrt(cov.RR)
			l21 := cov.RI / l11
			x, y := rng.NormFloat64(), rng.NormFloat64()
			noisy.Points[i].Z = 8 + complex(l11*x, l21*x+math.Sqrt(cov.II-l21*l21)*y)
		}
		r, err := noisy.Resample(hz)
		if err != nil {
			t.Fatal(err)
		}
		for j, p := range r.Points {
			z[j] = append(z[j], p.Z)
		}
	}
	for j, p := range want.Points {
		got := scatter(z[j])
		tol := 0.05 * (p.Noise.RR + p.Noise.II)
		if math.Abs(got.RR-p.Noise.RR) > tol || math.Abs(got.RI-p.Noise.RI) > tol || math.Abs(got.II-p.Noise.II) > tol {
			t.Errorf("%v Hz: stated %+v, scatter %+v", p.Hz, p.Noise, got)
		}
	}
}

// A shared source that scales Z still scales Z after resampling.
func TestResampleSharedSources(t *testing.T) {
	c := sample(grid(20, 400, 48), resonator(4))
	c.Shared = []Source{{ID: "sense-resistor:a"}, {ID: "none", DZ: make([]complex128, len(c.Points))}}
	for _, p := range c.Points {
		c.Shared[0].DZ = append(c.Shared[0].DZ, 0.01*p.Z)
	}
	r, err := c.Resample(grid(21, 390, 31))
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range r.Points {
		if d := r.Shared[0].DZ[i]; cmplx.Abs(d-0.01*p.Z) > 1e-14*cmplx.Abs(p.Z) {
			t.Errorf("%v Hz: source %v, want 1 %% of %v", p.Hz, d, p.Z)
		}
		if r.Shared[1].DZ[i] != 0 {
			t.Errorf("%v Hz: the empty source became %v", p.Hz, r.Shared[1].DZ[i])
		}
	}
	if r.Shared[0].ID != "sense-resistor:a" || r.Shared[1].ID != "none" {
		t.Errorf("sources renamed: %q and %q", r.Shared[0].ID, r.Shared[1].ID)
	}
}

func TestResampleRefuses(t *testing.T) {
	c := sample([]float64{10, 20, 40, 80}, func(float64) complex128 { return 8 })
	for _, tt := range []struct {
		name string
		c    Curve
		hz   []float64
		want string
	}{
		{"inside", c, []float64{10, 15, 80}, ""},
		{"ends within rounding", c, []float64{10 * (1 - 1e-12), 80 * (1 + 1e-12)}, ""},
		{"below", c, []float64{9.9, 15}, "resample: frequency 0, 9.9 Hz, is outside the curve's band from 10 to 80 Hz"},
		{"above", c, []float64{15, 80.1}, "resample: frequency 1, 80.1 Hz, is outside the curve's band from 10 to 80 Hz"},
		{"NaN", c, []float64{math.NaN()}, "resample: frequency 0, NaN Hz, is outside the curve's band from 10 to 80 Hz"},
		{"unsorted", c, []float64{30, 15}, "resample: point 1: frequency 15 Hz must be above that of the point before it, 30 Hz"},
		{"nothing asked", c, nil, "resample: curve has no points"},
		{"nothing there", Curve{}, []float64{10}, "resample: curve has no points"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := tt.c.Resample(tt.hz)
			wantError(t, err, tt.want)
		})
	}
}

func BenchmarkResample(b *testing.B) {
	c := sample(grid(10, 20000, 48), resonator(4))
	hz := grid(10.05, 19000, 48)
	for b.Loop() {
		if _, err := c.Resample(hz); err != nil {
			b.Fatal(err)
		}
	}
}
