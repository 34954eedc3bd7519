package recone

import (
	"math"
	"testing"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// levelsOf measures drivers one after the other, with one jig.
func levelsOf(t testing.TB, noise float64, seed uint64, drivers ...mechanics) []impedance.Curve {
	var curves []impedance.Curve
	for i, m := range drivers {
		curves = append(curves, m.measure(t, noise, seed+uint64(i), 5).Curve)
	}
	return curves
}

func TestLevels(t *testing.T) {
	limp := guitarDriver // whose force factor falls
	limp.bl *= 0.95
	warm := guitarDriver
	warm.re *= 1 + quantity.CopperPerKelvin*20
	both := warm
	both.bl *= 0.95
	hardly := guitarDriver
	hardly.bl *= 0.995
	got, err := Levels(levelsOf(t, 2e-4, 1, guitarDriver, guitarDriver, hardly, limp, warm, both))
	if err != nil {
		t.Fatal(err)
	}
	peak := 100 * (guitarDriver.re + guitarDriver.bl*guitarDriver.bl*0.95*0.95/guitarDriver.loss) / (guitarDriver.re + guitarDriver.bl*guitarDriver.bl/guitarDriver.loss)
	for i, want := range []struct {
		percent     float64
		sure, bends bool
		warm        float64
	}{
		{0, false, false, 0},
		{-0.87, true, false, 0},
		{peak - 100, true, true, 0},
		{100 * quantity.CopperPerKelvin * 20 * 6.6 / 6.63, true, true, quantity.CopperPerKelvin * 20 * 6.6}, // most where |Z| is least, 6.63 ohm at 10 Hz
		{peak - 100, true, true, 0},
	} {
		g := got[i]
		if g.Sure != want.sure || g.Bends != want.bends || math.Abs(g.WarmOhm-want.warm) > 0.03*want.warm {
			t.Errorf("level %d: %+v, want %+v", i+2, g, want)
		}
		if want.sure && i != 4 && math.Abs(g.Percent.Value-want.percent) > 0.3 {
			t.Errorf("level %d: %v %% at %v Hz, want %v", i+2, g.Percent, g.Hz, want.percent)
		}
	}
	if _, err := Levels(levelsOf(t, 2e-4, 1, guitarDriver)); err == nil {
		t.Error("one level is compared with nothing")
	}
}

// A driver that stays what it is changes beyond doubt in one series of twenty.
func TestLevelsStayWithinTheStatedRate(t *testing.T) {
	series := 200
	if testing.Short() {
		series = 50
	}
	sure := 0
	for i := range uint64(series) {
		got, err := Levels(levelsOf(t, 1e-3, 100*i, guitarDriver, guitarDriver, guitarDriver))
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range got {
			if l.Bends {
				t.Errorf("series %d bends: %+v", i, l)
			}
		}
		if got[0].Sure || got[1].Sure {
			sure++
		}
	}
	// One side of a binomial distribution of 0.05, at three standard deviations.
	n := float64(series)
	if most := 0.05*n + 3*math.Sqrt(0.05*0.95*n); float64(sure) > most {
		t.Errorf("%d of %d series changed, want %.0f at most", sure, series, most)
	}
}
