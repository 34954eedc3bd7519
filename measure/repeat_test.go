package measure_test

import (
	"context"
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"tapload/fixtures/bench"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

// takes hands out recordings of one take, each with the next seed.
type takes struct {
	take *bench.Take
	seed uint64
}

func (t *takes) Play(context.Context, card.Output) (card.Recording, error) {
	t.seed++
	return t.take.Record(t.seed), nil
}

func warned(w []impedance.Warning, code string) bool {
	return slices.ContainsFunc(w, func(w impedance.Warning) bool { return w.Code == code })
}

// Repeats of a load that does not change agree: over 40 seeded runs there is
// no false alarm, the mean is as certain as it says, and that is twice as
// certain as one sweep of the four.
func TestRepeatsOfASteadyLoad(t *testing.T) {
	runs := 40
	if testing.Short() {
		runs = 12
	}
	load := loads[1].load
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.25, LowHz: 100})
	take, err := idealBench(load, -70, 0).Prepare(card.Output{RateHz: sig.RateHz, Channels: [][]float64{sig.Samples()}})
	if err != nil {
		t.Fatal(err)
	}
	s := measure.Setup{Card: &takes{take: take}, Signal: sig, Jig: exactJig(t, 33)}
	single := run(t, s.Card, sig, 33).Curve
	var inside, all int
	for i := range runs {
		rec, repeats, err := measure.RunRepeated(context.Background(), s, 4)
		if err != nil {
			t.Fatal(err)
		}
		if warned(rec.Warnings, "drift") || warned(rec.Warnings, "repeats-differ") {
			t.Errorf("run %d: %v", i, rec.Warnings)
		}
		if len(repeats) != 4 || repeats[0].Change != 0 || repeats[3].Seconds <= repeats[2].Seconds {
			t.Fatalf("run %d: repeats %+v", i, repeats)
		}
		var ratio float64
		for k, p := range rec.Curve.Points {
			if math.Abs(real(p.Z-load.Impedance(p.Hz))) < 1.959964*math.Sqrt(p.Noise.RR) {
				inside++
			}
			all++
			ratio += math.Sqrt(p.Noise.RR/single.Points[k].Noise.RR) / float64(len(rec.Curve.Points))
		}
		if math.Abs(ratio-0.5) > 0.05 {
			t.Fatalf("run %d: noise of the mean of four is %.2f of that of one", i, ratio)
		}
	}
	if share := float64(inside) / float64(all); share < 0.93 || share > 0.97 {
		t.Errorf("%.2f %% of points inside their 95 %% band, want 93 to 97 %%", 100*share)
	} else {
		t.Logf("%.2f %% of points inside their 95 %% band", 100*share)
	}
}

// A coil that warms is found out, its change is reported repeat by repeat, and
// the stated uncertainty of the mean covers what the load was on the way.
func TestRepeatsOfAWarmingLoad(t *testing.T) {
	b := idealBench(loads[1].load, -80, 3)
	b.Warming = 0.002
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 1, LowHz: 20})
	const n = 6
	rec, repeats, err := measure.RunRepeated(context.Background(), measure.Setup{Card: bench.NewSeries(b), Signal: sig, Jig: exactJig(t, 33)}, n)
	if err != nil {
		t.Fatal(err)
	}
	if !warned(rec.Warnings, "drift") || !strings.Contains(rec.Warnings[len(rec.Warnings)-1].Text, "drift") {
		t.Errorf("warnings %v do not say that the load drifts", rec.Warnings)
	}
	// dRe/Z along Z, from the bench's own formula, averaged over the octave.
	for k, r := range repeats {
		var want, m float64
		for _, p := range rec.Curve.Points {
			if p.Hz > 2*rec.Curve.Points[0].Hz {
				break
			}
			z := loads[1].load.Impedance(p.Hz)
			want += real(complex(6.3*0.002*float64(k), 0) / z)
			m++
		}
		if want /= m; math.Abs(r.Change-want) > 3e-4 {
			t.Errorf("repeat %d: changed by %.4f %%, the load by %.4f %%", k+1, 100*r.Change, 100*want)
		}
	}
	// At 300 to 500 Hz the load is Re and little else.
	for i, p := range rec.Curve.Points {
		if p.Hz < 300 || p.Hz > 500 {
			continue
		}
		_, u := rec.Curve.Modulus(i)
		cold := cmplx.Abs(loads[1].load.Impedance(p.Hz))
		if half := 6.3 * 0.002 * (n - 1) / 2; u < half/2 || u > 2*half {
			t.Fatalf("%.0f Hz: u is %.4f ohm; from the first to the last repeat |Z| moves by ± %.4f ohm about %.3f ohm", p.Hz, u, half, cold)
		}
	}
}

func TestRepeatsNeedANumber(t *testing.T) {
	for _, n := range []int{-1, 0, 1, measure.MaxRepeats + 1} {
		if _, _, err := measure.RunRepeated(context.Background(), measure.Setup{}, n); err == nil || !strings.Contains(err.Error(), "repeats") {
			t.Errorf("%d repeats: %v", n, err)
		}
	}
}
