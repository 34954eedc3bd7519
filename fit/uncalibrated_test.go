package fit

import (
	"math"
	"math/cmplx"
	"testing"

	"tapload/measure/impedance"
)

// What went wrong: the noise of a good card is a hundredth of what an uncalibrated
// rig may do to a curve. Models followed the little that its inputs really differed
// with so many parameters that Re of the plainest driver was stated to 22 %.
func TestUncalibratedCurves(t *testing.T) {
	const (
		sense = 10
		u     = 0.0058 // of the ratio of the inputs, as stated
		off   = 0.001  // as it is
		late  = 2e-9   // s, of one input after the other
		noise = 2e-5
	)
	for _, l := range inventedLoads {
		t.Run(l.name, func(t *testing.T) {
			c := measured(func(hz float64) complex128 {
				z := l.load.Impedance(hz)
				g := z / (z + sense) * cmplx.Rect(1+off, -2*math.Pi*hz*late)
				return sense * g / (1 - g)
			}, noise, 1)
			gain, phase := make([]complex128, len(c.Points)), make([]complex128, len(c.Points))
			for i, p := range c.Points {
				gain[i] = p.Z * (1 + p.Z/sense) * u // Z by ln g
				phase[i] = gain[i] * 1i
			}
			c.Shared = []impedance.Source{{ID: "channel-gain", DZ: gain}, {ID: "channel-phase", DZ: phase}}
			r, err := Curve(t.Context(), c, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(r.Re.Value-l.load.Re.Value) > 2*r.Re.U || r.Re.U > 0.04*r.Re.Value {
				t.Errorf("Re is %.3f with u %.3f, want %.3f and at most 4 %%", r.Re.Value, r.Re.U, l.load.Re.Value)
			}
			if r.Model.Coil != l.load.Coil.Kind || r.Model.Resonances != len(l.load.Resonances) || r.Model.Coupled {
				t.Errorf("the model is %v", r.Model)
			}
		})
	}
}
