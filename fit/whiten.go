package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

// white turns the complex error of one point into two of unit variance that do
// not depend on each other: it is the inverse of the lower Cholesky factor of
// its covariance.
type white struct{ rr, ir, ii float64 }

// whiten returns the factor for c and ln det c.
func whiten(c impedance.Cov) (white, float64) {
	det := c.RR*c.II - c.RI*c.RI
	ii := math.Sqrt(c.RR / det)
	return white{1 / math.Sqrt(c.RR), -c.RI / c.RR * ii, ii}, math.Log(det)
}

func (w white) of(e complex128) (a, b float64) {
	return w.rr * real(e), w.ir*real(e) + w.ii*imag(e)
}

// whitened returns the errors of all points so, in one vector.
func (t *trial) whitened(errors []complex128) *mat.VecDense {
	var all []float64
	for i, e := range errors {
		a, b := t.white[i].of(e)
		all = append(all, a, b)
	}
	return mat.NewVecDense(len(all), all)
}

// weigh prepares t for its misfit: the variance of every point and its factor.
// It returns ln det of the covariance of all points.
func (s *search) weigh(t *trial) (logs float64) {
	m2 := t.misfit * t.misfit
	for i, n := range s.noise {
		own := m2 * s.abs2[i]
		t.scale[i] = s.variance[i] + own
		var log float64
		t.white[i], log = whiten(n.Add(impedance.Circular(own)))
		logs += log
	}
	return logs
}

// chiSquare is that of the residual of t with the stated noise alone, or 0
// where none is stated.
func (s *search) chiSquare(t *trial) (chi float64) {
	for i, e := range t.residual {
		if s.variance[i] == 0 {
			continue
		}
		w, _ := whiten(s.noise[i])
		a, b := w.of(e)
		chi += a*a + b*b
	}
	return chi
}
