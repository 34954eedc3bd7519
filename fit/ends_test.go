package fit_test

import (
	"context"
	"math"
	"math/cmplx"
	"testing"

	"tapload/fit"
	"tapload/fixtures/bench/foreign"
	"tapload/measure/impedance"
	"tapload/measure/stopping"
)

// A fit went on after Ctrl-C until every model had been tried.
func TestFitsEndWithTheirContext(t *testing.T) {
	driver, twoWay := foreign.Kinds()[2].Draw(1), foreign.Kinds()[9].Draw(1)
	short := twoWay.Curve(0)
	var long impedance.Curve
	for i := range 10000 {
		hz := 10 * math.Pow(2000, float64(i)/10000)
		z := twoWay.Impedance(hz)
		long.Points = append(long.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Circular(1e-6 * real(z*cmplx.Conj(z)))})
	}
	for _, c := range []struct {
		name string
		work func(context.Context) error
	}{
		{"two-way cabinet", func(ctx context.Context) error {
			_, err := fit.Curve(ctx, short, fit.Options{})
			return err
		}},
		{"10000 points, one model", func(ctx context.Context) error {
			_, err := fit.Curve(ctx, long, fit.Options{Models: []fit.Model{{Coil: fit.Power, Resonances: 1}}})
			return err
		}},
		{"what no load could give", func(ctx context.Context) error {
			_, err := fit.KK(ctx, driver.Curve(0), fit.Result{})
			return err
		}},
	} {
		t.Run(c.name, func(t *testing.T) { stopping.Check(t, c.work) })
	}
}
