package ratio

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"tapload/measure/transform"
)

// In noise nearly as strong as the signal, of which both channels share a part, the
// mean of a cell is that of the ratio and scatters as it says, where the noise's
// moments are known. What is of second order, a part of a few hundredths over the
// number of lines, stays in.
func TestMeanOfACellInStrongNoise(t *testing.T) {
	const cells, lines = 500, 400
	const own, common = 0.5, 0.4 // rms in a line, of a signal of 1
	g, second := 0.6-0.3i, -0.7+0.2i
	n := noise{p1: own*own + common*common, p2: own*own + common*common*abs2(second), p12: common * common * second}
	r := rand.New(rand.NewPCG(1, 8))
	deviate := func(rms float64) complex128 {
		return complex(rms/math.Sqrt2*r.NormFloat64(), rms/math.Sqrt2*r.NormFloat64())
	}
	var off complex128
	var scatter, stated float64
	for range cells {
		var s sums
		for range lines {
			x, c := cmplx.Rect(1, 2*math.Pi*r.Float64()), deviate(common)
			s.add(x+deviate(own)+c, g*x+deviate(own)+second*c, 0, 1, 0)
		}
		d := s.ratio(n) - g
		off += d / cells
		scatter += abs2(d) / cells
		stated += s.variance(n, g) / cells
	}
	if u := math.Sqrt(stated / cells); cmplx.Abs(off) > 0.002+4*u {
		t.Errorf("the mean is off by %.3f, of a standard uncertainty of %.4f", off, u)
	}
	// The mean square of as many deviates is known to 1 in the root of their number.
	if q := scatter / stated; math.Abs(q-1) > 5/math.Sqrt(cells) {
		t.Errorf("the variance is %.2f times what is stated", q)
	}
}

// Where the lines between those of the signal are all alike, the noise is one of them.
func TestNoiseOfTheLinesBetween(t *testing.T) {
	s := spectrum{periods: 3, samples: 1200, x1: transform.Apart(601, 3), x2: transform.Apart(601, 3)}
	for j := range 601 {
		v := complex(1, 0)
		if s.isSignal(j) {
			v = 100
		}
		s.x1.Set(j, 3*v)
		s.x2.Set(j, 2i*v)
	}
	if n, want := s.usualNoise(1, 300), (noise{9, 4, 6i}); n != want {
		t.Errorf("noise %+v, want %+v", n, want)
	}
	// Of N/2 lines of power p the mean square of the samples is p/N.
	if f := s.noiseFloor(t.Context()); math.Abs(f[0]-3/math.Sqrt(1200)) > 1e-12 || math.Abs(f[1]-2/math.Sqrt(1200)) > 1e-12 {
		t.Errorf("rms noise %v", f)
	}
}

// The tail of F with 2 and 2m degrees of freedom, against gonum's.
func TestTailOfF(t *testing.T) {
	for _, m := range []float64{12, 48, 500} {
		for _, p := range []float64{0.1, 1e-4, 1e-8} {
			if got := (distuv.F{D1: 2, D2: 2 * m}).Survival(fTail(p, m)); math.Abs(got/p-1) > 1e-6 {
				t.Errorf("with %g lines %g is exceeded with a probability of %g, not %g", m, fTail(p, m), got, p)
			}
		}
	}
}

// Student's t for 95 %, over 1.96: JCGM 100:2008, table G.2 (from memory), which has
// two decimals.
func TestWidenedIsStudents(t *testing.T) {
	for free, want := range map[float64]float64{2: 4.30, 5: 2.57, 10: 2.23, 20: 2.09, 50: 2.01} {
		if got := 1.96 * math.Sqrt(widened(free)); math.Abs(got-want) > 0.0051 {
			t.Errorf("%g degrees of freedom: t is %.3f, want %g", free, got, want)
		}
	}
}

// What is in doubt of a line of V1 is as much of V2 - G V1 as G has it.
func TestDoubtOfALine(t *testing.T) {
	s := spectrum{periods: 2, x1: transform.Whole(make([]complex128, 40)), x2: transform.Whole(make([]complex128, 40)), doubt: map[int][2]float64{20: {9, 0}, 22: {0, 4}, 24: {1, 1}}}
	if got, want := s.excess(&cell{lo: 9, hi: 12, g: 0.3 + 0.4i}), []float64{0, 2.25, 4, 1.25}; !slices.Equal(got, want) {
		t.Errorf("doubt %v, want %v", got, want)
	}
}
