package impedance

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// drawCov draws a covariance L L' with a lower triangular L, so that every
// correlation from -1 to 1 occurs, the ends included.
func drawCov(t *rapid.T) Cov {
	entry := rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(1e-6, 10), rapid.Float64Range(-10, -1e-6))
	a, b, c := entry.Draw(t, "l11"), entry.Draw(t, "l21"), entry.Draw(t, "l22")
	return Cov{RR: a * a, RI: a * b, II: b*b + c*c}
}

func drawComplex(t *rapid.T, label string) complex128 {
	part := rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(1e-6, 100), rapid.Float64Range(-100, -1e-6))
	return complex(part.Draw(t, label+" re"), part.Draw(t, label+" im"))
}

// sameCov reports whether two covariances agree within rounding of scale.
func sameCov(a, b Cov, scale float64) bool {
	tol := 1e-13 * scale
	return math.Abs(a.RR-b.RR) <= tol && math.Abs(a.RI-b.RI) <= tol && math.Abs(a.II-b.II) <= tol
}

// sandwich is J C J' written out as two products of matrices.
func sandwich(j [2][2]float64, c Cov) Cov {
	m := [2][2]float64{{c.RR, c.RI}, {c.RI, c.II}}
	var jm, out [2][2]float64
	for r := range 2 {
		for k := range 2 {
			jm[r][k] = j[r][0]*m[0][k] + j[r][1]*m[1][k]
		}
	}
	for r := range 2 {
		for k := range 2 {
			out[r][k] = jm[r][0]*j[k][0] + jm[r][1]*j[k][1]
		}
	}
	return Cov{RR: out[0][0], RI: out[0][1], II: out[1][1]}
}

func TestTimesIsTheMatrixProduct(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, w := drawCov(t), drawComplex(t, "w")
		a, b := real(w), imag(w)
		got, want := c.Times(w), sandwich([2][2]float64{{a, -b}, {b, a}}, c)
		if !sameCov(got, want, (c.RR+c.II)*(a*a+b*b)) {
			t.Fatalf("%+v times %v: %+v, matrix form %+v", c, w, got, want)
		}
		if !got.valid() {
			t.Fatalf("%+v times %v: %+v is no covariance", c, w, got)
		}
	})
}

func TestAlongIsTheRotatedVariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, z := drawCov(t), drawComplex(t, "z")
		if z == 0 {
			t.Skip()
		}
		sin, cos := math.Sincos(cmplx.Phase(z))
		got, want := c.Along(z), sandwich([2][2]float64{{cos, sin}, {-sin, cos}}, c).RR
		if math.Abs(got-want) > 1e-13*(c.RR+c.II) || got < 0 {
			t.Fatalf("%+v along %v: %v, rotated %v", c, z, got, want)
		}
	})
}

func TestAlongNothingIsTheWorstDirection(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCov(t)
		worst := 0.0
		for k := range 1000 {
			worst = max(worst, c.Along(cmplx.Rect(1, math.Pi*float64(k)/1000)))
		}
		// The scan misses the worst direction by at most pi/2000 rad: 2.5e-6.
		if got := c.Along(0); got < worst*(1-1e-13) || got > worst*(1+1e-5) {
			t.Fatalf("%+v along 0: %v, largest of 1000 directions %v", c, got, worst)
		}
	})
}

// TestUncertaintyMatchesScatter draws points with the stated noise and shared
// error and compares what Times, Total and Modulus state with the scatter.
// With n draws a variance estimate scatters by sqrt(2/n) = 0.3 %; 2 % is more
// than six of that.
func TestUncertaintyMatchesScatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 200_000
	point := Point{Hz: 100, Z: 30 + 40i, Noise: Cov{RR: 0.04, RI: -0.03, II: 0.09}}
	c := Curve{
		Points: []Point{point},
		Shared: []Source{{"sense-resistor:a", []complex128{0.3 + 0.1i}}, {"channel-match:b", []complex128{-0.05 + 0.2i}}},
	}
	w := 2 - 1.5i
	var z, wn, mod []complex128
	for range n {
		x, y := rng.NormFloat64(), rng.NormFloat64()
		l11 := math.Sqrt(point.Noise.RR)
		l21 := point.Noise.RI / l11
		noise := complex(l11*x, l21*x+math.Sqrt(point.Noise.II-l21*l21)*y)
		total := noise
		for _, s := range c.Shared {
			total += complex(rng.NormFloat64(), 0) * s.DZ[0]
		}
		z, wn, mod = append(z, total), append(wn, w*noise), append(mod, complex(cmplx.Abs(point.Z+total), 0))
	}
	check := func(name string, got, want Cov) {
		t.Helper()
		tol := 0.02 * (want.RR + want.II)
		if math.Abs(got.RR-want.RR) > tol || math.Abs(got.RI-want.RI) > tol || math.Abs(got.II-want.II) > tol {
			t.Errorf("%s: stated %+v, scatter %+v", name, got, want)
		}
	}
	check("total", c.Total(0), scatter(z))
	check("times", point.Noise.Times(w), scatter(wn))
	ohm, u := c.Modulus(0)
	if ohm != 50 {
		t.Errorf("modulus of 30 + 40i: %v", ohm)
	}
	check("modulus", Cov{RR: u * u}, scatter(mod))
}

func scatter(z []complex128) Cov {
	var mean complex128
	for _, v := range z {
		mean += v / complex(float64(len(z)), 0)
	}
	var c Cov
	for _, v := range z {
		d := v - mean
		c = c.Add(Cov{real(d) * real(d), real(d) * imag(d), imag(d) * imag(d)})
	}
	k := 1 / float64(len(z)-1)
	return Cov{c.RR * k, c.RI * k, c.II * k}
}

func TestCircular(t *testing.T) {
	c := Circular(0.5)
	if got := c.Times(cmplx.Rect(1, 0.7)); !sameCov(got, c, 1) {
		t.Errorf("a circular covariance turned by 0.7 rad: %+v, want %+v", got, c)
	}
	if got := c.RR + c.II; got != 0.5 {
		t.Errorf("total variance %v, want 0.5", got)
	}
}

// An error along one line only has no variance across it; rounding must not
// leave one below 0, whose root would be NaN.
func TestNoVarianceAcrossALine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawComplex(t, "line")
		a, b := real(v), imag(v)
		c := Cov{RR: a * a, RI: a * b, II: b * b}
		size := c.RR + c.II
		turned := c.Times(1i * cmplx.Conj(v))
		if turned.RR < 0 || turned.RR > 1e-15*size*size || !turned.valid() {
			t.Fatalf("error along %v turned upright: %+v", v, turned)
		}
		if across := c.Along(1i * v); v != 0 && (across < 0 || across > 1e-15*size) {
			t.Fatalf("error along %v has the variance %v across", v, across)
		}
	})
}

// Noise and a shared source are independent of each other: 1 % of 8 ohm and
// 0.06 ohm of noise along Z.
func TestTotalKeepsSharedApart(t *testing.T) {
	c := Curve{
		Points: []Point{{Hz: 100, Z: 8, Noise: Circular(2 * 0.06 * 0.06)}},
		Shared: []Source{{"sense-resistor:a", []complex128{0.08}}},
	}
	// 0.06 and 0.08 ohm make 0.1 ohm, as 3, 4 and 5.
	if _, u := c.Modulus(0); math.Abs(u-0.1) > 1e-15 {
		t.Errorf("u of the modulus %v ohm, want 0.1", u)
	}
}

func TestExtremes(t *testing.T) {
	c := Curve{Points: []Point{{Hz: 1, Z: 5}, {Hz: 2, Z: -3i}, {Hz: 3, Z: 3 + 4i}, {Hz: 4, Z: 3}, {Hz: 5, Z: -20}, {Hz: 6, Z: 19}}}
	if low, high := c.Extremes(); low != 1 || high != 4 {
		t.Errorf("extremes at %d and %d, want 1 and 4", low, high)
	}
}

func TestSameGrid(t *testing.T) {
	curve := func(hz ...float64) Curve {
		var c Curve
		for _, f := range hz {
			c.Points = append(c.Points, Point{Hz: f, Z: 8})
		}
		return c
	}
	for _, tt := range []struct {
		name string
		a, b Curve
		want string
	}{
		{"equal", curve(10, 20, 30), curve(10, 20, 30), ""},
		{"rounding", curve(10, 20, 30), curve(10, 20*(1+1e-12), 30), ""},
		{"one off", curve(10, 20, 30), curve(10, 20.001, 31), "frequency grids differ from point 1 on: 20 Hz and 20.001 Hz"},
		{"one off the other way", curve(10, 20.001), curve(10, 20), "frequency grids differ from point 1 on: 20.001 Hz and 20 Hz"},
		{"shorter", curve(10, 20, 30), curve(10, 20), "frequency grids have different lengths: 3 and 2 points"},
	} {
		t.Run(tt.name, func(t *testing.T) { wantError(t, SameGrid(tt.a, tt.b), tt.want) })
	}
}

func wantError(t *testing.T, err error, want string) {
	t.Helper()
	switch {
	case want == "" && err != nil:
		t.Errorf("error %q, want none", err)
	case want != "" && err == nil:
		t.Errorf("no error, want %q", want)
	case want != "" && err.Error() != want:
		t.Errorf("error\n\t%s\nwant\n\t%s", err, want)
	}
}

func TestCheck(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, tt := range []struct {
		name  string
		spoil func(*Curve)
		want  string
	}{
		{"sound", func(*Curve) {}, ""},
		{"empty", func(c *Curve) { c.Points = nil }, "curve has no points"},
		{"zero hertz", func(c *Curve) { c.Points[0].Hz = 0 }, "point 0: frequency 0 Hz must be finite and above 0"},
		{"NaN hertz", func(c *Curve) { c.Points[1].Hz = nan }, "point 1: frequency NaN Hz must be finite and above 0"},
		{"repeated", func(c *Curve) { c.Points[2].Hz = 20 }, "point 2: frequency 20 Hz must be above that of the point before it, 20 Hz"},
		{"unsorted", func(c *Curve) { c.Points[1].Hz = 5 }, "point 1: frequency 5 Hz must be above that of the point before it, 10 Hz"},
		{"infinite", func(c *Curve) { c.Points[1].Z = complex(8, inf) }, "point 1 (20 Hz): the impedance is not a finite number"},
		{"NaN", func(c *Curve) { c.Points[1].Z = complex(nan, 0) }, "point 1 (20 Hz): the impedance is not a finite number"},
		{"negative variance", func(c *Curve) { c.Points[1].Noise.II = -1 }, "point 1 (20 Hz): its noise is not a covariance: both variances must be finite and at least 0, and the square of what they share at most their product"},
		{"correlation above 1", func(c *Curve) { c.Points[1].Noise.RI = 2.001 }, "point 1 (20 Hz): its noise is not a covariance: both variances must be finite and at least 0, and the square of what they share at most their product"},
		{"correlation of 1", func(c *Curve) { c.Points[1].Noise.RI = -2 }, ""},
		{"covariance without variance", func(c *Curve) { c.Points[1].Noise = Cov{RI: 1e-9} }, "point 1 (20 Hz): its noise is not a covariance: both variances must be finite and at least 0, and the square of what they share at most their product"},
		{"nameless source", func(c *Curve) { c.Shared[0].ID = "" }, "shared source without an id"},
		{"source twice", func(c *Curve) { c.Shared[1].ID = "a" }, `shared source "a" is listed twice; one physical thing has one id`},
		{"short source", func(c *Curve) { c.Shared[1].DZ = c.Shared[1].DZ[:2] }, `shared source "b" has 2 values for 3 points`},
		{"NaN source", func(c *Curve) { c.Shared[1].DZ[2] = complex(0, nan) }, `shared source "b": value 2 (30 Hz) is not a finite number`},
		{"huge source", func(c *Curve) { c.Shared[1].DZ[2] = 1e200 }, `shared source "b": value 2 (30 Hz) of 1e+200 ohm must be at most 1e+40 ohm`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			noise := Cov{RR: 4, RI: 1, II: 1}
			c := Curve{
				Points: []Point{{10, 8, noise}, {20, 8 + 1i, noise}, {30, 8 + 2i, noise}},
				Shared: []Source{{"a", []complex128{1, 2, 3}}, {"b", []complex128{1i, 2i, 3i}}},
			}
			tt.spoil(&c)
			wantError(t, c.Check(), tt.want)
		})
	}
}

// What went wrong: a point of 1e200 ohm and one at 1e300 Hz were taken, as floating-point
// numbers are, and what was worked out of such a curve had squares that were
// infinite, a plot took gigabytes for its octaves, and a fit did not end.
func TestBoundsOfACurve(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(*Curve)
		want  string
	}{
		{"the lowest and the highest frequency", func(c *Curve) { c.Points[0].Hz, c.Points[2].Hz = LeastHz, MostHz }, ""},
		{"a lower one", func(c *Curve) { c.Points[0].Hz = 0.00099 }, "point 0: frequency 0.00099 Hz must be from 0.001 Hz to 1 GHz; look at its unit, or leave it out"},
		{"a higher one", func(c *Curve) { c.Points[2].Hz = 1.1e9 }, "point 2: frequency 1.1e+09 Hz must be from 0.001 Hz to 1 GHz; look at its unit, or leave it out"},
		// What float64 leaves of 1 - V2/V1 at an open end, and what its uncertainty makes of it.
		{"an open end", func(c *Curve) { c.Points[1].Z, c.Shared[0].DZ[1] = 1000/0x1p-53, 1e35 }, ""},
		{"a short", func(c *Curve) { c.Points[1].Z = 0 }, ""},
		{"what rounding leaves of one", func(c *Curve) { c.Points[1].Z = 1e-18i }, ""},
		{"more than an open end", func(c *Curve) { c.Points[1].Z = 1e200i }, "point 1 (20 Hz): |Z| of 1e+200 ohm must be at most 1e+20 ohm, more than any open end shows; leave the point out"},
		{"noise", func(c *Curve) { c.Points[1].Noise = Circular(1e100) }, "point 1 (20 Hz): its noise of 7.07e+49 ohm must be at most 1e+40 ohm"},
		{"a source", func(c *Curve) { c.Shared[0].DZ[0] = 2e40 }, `shared source "a": value 0 (10 Hz) of 2e+40 ohm must be at most 1e+40 ohm`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := Curve{Points: []Point{{Hz: 10, Z: 8}, {Hz: 20, Z: 8}, {Hz: 30, Z: 8}}, Shared: []Source{{"a", []complex128{1, 2, 3}}}}
			tt.spoil(&c)
			wantError(t, c.Check(), tt.want)
		})
	}
}

func TestHz(t *testing.T) {
	c := Curve{Points: []Point{{Hz: 1}, {Hz: 2.5}}}
	if hz := c.Hz(); len(hz) != 2 || hz[0] != 1 || hz[1] != 2.5 {
		t.Errorf("frequencies %v", hz)
	}
}
