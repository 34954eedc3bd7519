package impedance

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// JCGM 100:2008 (GUM), annex H.2: five simultaneous readings of the voltage
// over, the current through and the phase of an impedance. The inputs are
// correlated; each column of the Cholesky factor L of their covariance is an
// independent input of unit uncertainty that moves all three, so that it is a
// Source with
//
//	DZ = Z (L_V/V - L_I/I + j L_phi),  from Z = V/I exp(j phi),
//
// and everything from there on is what a measured curve goes through.
func TestGUMH2(t *testing.T) {
	v := []float64{5.007, 4.994, 5.005, 4.990, 4.999}
	i := []float64{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}
	phi := []float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}
	const n = 5.0

	readings := mat.NewDense(5, 3, nil)
	readings.SetCol(0, v)
	readings.SetCol(1, i)
	readings.SetCol(2, phi)
	var cov mat.SymDense
	stat.CovarianceMatrix(&cov, readings, nil)
	cov.ScaleSym(1/n, &cov) // of the means
	var chol mat.Cholesky
	if !chol.Factorize(&cov) {
		t.Fatal("the covariance of the readings is singular")
	}
	var l mat.TriDense
	chol.LTo(&l)

	vm, im := stat.Mean(v, nil), stat.Mean(i, nil)
	z := cmplx.Rect(vm/im, stat.Mean(phi, nil))
	c := Curve{Points: []Point{{Hz: 1, Z: z}}}
	for k, id := range []string{"first", "second", "third"} {
		dz := z * complex(l.At(0, k)/vm-l.At(1, k)/im, l.At(2, k))
		c.Shared = append(c.Shared, Source{ID: id, DZ: []complex128{dz}})
	}
	if err := c.Check(); err != nil {
		t.Fatal(err)
	}
	total := c.Total(0)
	ohm, u := c.Modulus(0)
	ur, ux := math.Sqrt(total.RR), math.Sqrt(total.II)
	// The modulus moves with R and X by their unit vector along Z.
	er, ex := real(z)/ohm, imag(z)/ohm
	for _, tc := range []struct {
		what             string
		got, want, digit float64 // digit: half of the last one of want
	}{
		{"R", real(z), 127.732, 0.0005},
		{"u(R)", ur, 0.071, 0.0005},
		{"X", imag(z), 219.85, 0.005},
		{"u(X)", ux, 0.30, 0.005},
		{"|Z|", ohm, 254.26, 0.005},
		{"u(|Z|)", u, 0.24, 0.005},
		{"r(R, X)", total.RI / (ur * ux), -0.588, 0.0005},
		{"r(R, |Z|)", (er*total.RR + ex*total.RI) / (ur * u), -0.49, 0.005},
		{"r(X, |Z|)", (er*total.RI + ex*total.II) / (ux * u), 0.99, 0.005},
	} {
		if math.Abs(tc.got-tc.want) > tc.digit {
			t.Errorf("%s is %.5f, the GUM has %g", tc.what, tc.got, tc.want)
		}
	}
}
