package fit

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"tapload/measure/impedance"
	"tapload/measure/processor"
)

// spoilt is a curve of a load with some of its numbers beyond anything that is
// measured, all of them within the bounds of a curve.
func spoilt(r *rand.Rand) impedance.Curve {
	sizes := []float64{0, 1e-300, 1e-160, 1e-30, 1e-12, 1e-6, 1, 1e3, 1e6, 1e9, 1e15, 1e19}
	doubts := []float64{0, 1e-300, 1e-150, 1e-30, 1e-12, 1, 1e3, 1e9, 1e20, 1e39}
	pick := func(of []float64) float64 { return of[r.IntN(len(of))] }
	driver := Result{Re: known(6.6), Coil: Coil{Kind: Inductor, L: known(0.5e-3)}, Resonances: []Resonance{resonance(109, 5.3, 45)}}
	whole := measured(driver.Impedance, 1e-3, r.Uint64()).Within(20, 20000)
	var c impedance.Curve
	for i := 0; i < len(whole.Points); i += 1 + r.IntN(4) {
		c.Points = append(c.Points, whole.Points[i])
	}
	n := len(c.Points)
	for _, id := range []string{"sense", "gain"} {
		s := impedance.Source{ID: id, DZ: make([]complex128, n)}
		for i, p := range c.Points {
			s.DZ[i] = p.Z / 100
		}
		c.Shared = append(c.Shared, s)
	}
	for more := true; more; more = r.IntN(2) == 0 {
		from := r.IntN(n)
		to := from + 1
		if r.IntN(3) == 0 {
			to = from + 1 + r.IntN(n-from)
		}
		what, size, doubt, angle := r.IntN(6), pick(sizes), pick(doubts), cmplx.Rect(1, 2*math.Pi*r.Float64())
		for i := from; i < to; i++ {
			switch what {
			case 0:
				c.Points[i].Z = complex(size, 0) * angle
			case 1:
				c.Points[i].Z = complex(0, size)
			case 2:
				c.Points[i].Noise = impedance.Cov{RR: doubt * doubt, II: pick(doubts)}
			case 3:
				c.Shared[r.IntN(2)].DZ[i] = complex(doubt, 0) * angle
			case 4:
				c.Points[n-1].Hz = pick([]float64{1e5, 1e7, impedance.MostHz})
			case 5:
				c.Points[0].Hz = pick([]float64{1, 0.1, impedance.LeastHz})
			}
		}
	}
	return c
}

// What went wrong: one point of 1e200 ohm, one source of 1000 ohm or a last
// frequency of 1e20 Hz ended in a panic, and a curve from 1e-300 to 1e300 Hz took
// all memory. Whatever a curve may hold is fitted and tested, or refused with a
// reason, and soon.
func TestExtremeCurves(t *testing.T) {
	n := 30
	if os.Getenv("TAPLOAD_SEEDS") == "all" {
		n = 1000
	}
	status := map[Status]int{}
	for seed := range uint64(n) {
		c := spoilt(rand.New(rand.NewPCG(seed, 0xe7)))
		if err := c.Check(); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		began := processor.Time()
		r, err := Curve(t.Context(), c, Options{})
		status[r.Status]++
		if (err == nil) != (r.Status == Converged) || err == nil && len(r.Resonances) == 0 {
			t.Errorf("seed %d: %v with %d resonances: %v", seed, r.Status, len(r.Resonances), err)
		}
		for _, p := range r.Parameters {
			if math.IsNaN(p.Value) || math.IsInf(p.Value, 0) || math.IsNaN(p.U) {
				t.Errorf("seed %d: %s is %v ± %v", seed, p.Name, p.Value, p.U)
			}
		}
		if k, err := KK(t.Context(), c, r); err == nil && (math.IsNaN(k.Percent) || math.IsNaN(k.Size)) {
			t.Errorf("seed %d: %+v", seed, k)
		}
		if took := processor.Time() - began; took > 10*time.Second {
			t.Errorf("seed %d took %v", seed, took)
		}
	}
	t.Log(status)
}
