package fit

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

// even is a curve of 8 ohm with 24 points an octave, whose noise has a standard
// deviation of 0.01 ohm in each part.
func even() (c impedance.Curve) {
	for i := range 100 {
		c.Points = append(c.Points, impedance.Point{Hz: 50 * math.Exp2(float64(i)/24), Z: 8, Noise: impedance.Circular(2e-4)})
	}
	return c
}

// What a shared source did to a curve is no misfit of the model: five of its standard
// uncertainties leave next to nothing, and as much of no known source counts.
func TestSharedSourcesAreNoMisfit(t *testing.T) {
	for _, known := range []bool{true, false} {
		c := even()
		source := impedance.Source{ID: "phase"}
		for range c.Points {
			source.DZ = append(source.DZ, 0.2i)
		}
		if known {
			c.Shared = []impedance.Source{source}
		}
		s := newSearch(c, Options{}, 0, 0)
		fitted := s.newTrial(load{}, nil)
		s.weigh(fitted)
		for i := range fitted.residual {
			fitted.residual[i] = 5 * source.DZ[i]
		}
		q := mat.NewDense(2*len(c.Points), 1, nil)
		q.Set(0, 0, 1) // the parameters took one value
		if squares, _ := s.wandered(fitted, q); (squares == 0) != known {
			t.Errorf("known %v: %g squares are the model's misfit", known, squares)
		}
	}
}

// Misfit an octave apart, remembered over two, has the correlation exp(-1/2).
func TestMisfitIsRememberedByOctaves(t *testing.T) {
	s := newSearch(even(), Options{}, 0, 0)
	fitted := s.newTrial(load{}, nil)
	s.weigh(fitted)
	keep := 1.0
	for _, k := range newWander(s, fitted, 2).keep[1:25] {
		keep *= k
	}
	if math.Abs(keep-math.Exp(-0.5)) > 1e-12 {
		t.Errorf("over an octave %.6f is kept, want exp(-1/2)", keep)
	}
}

// Re is at most what Re Z is at its least, a sixth of an octave at a time, and as much
// more as its noise may hide.
func TestMostReIsTheLeastOfReZ(t *testing.T) {
	var c impedance.Curve
	for i := range 200 {
		hz := 50 * math.Exp2(float64(i)/24)
		x := math.Log(hz / 400)
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: complex(6+2*x*x, 0.5), Noise: impedance.Circular(2e-6)})
	}
	if most := mostRe(c); most < 6 || most > 6.02 {
		t.Errorf("Re may be %.4f ohm, where Re Z is 6 ohm at the least", most)
	}
}
