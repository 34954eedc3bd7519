package measure_test

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"tapload/fixtures/bench"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/signal"
)

// alterations are what a desktop does to sound, from mild to severe, drawn for
// an ordinary card; and the codes under which a check names it. The limits of a
// mild case are those below which a curve hardly changes, or the noise of the
// card hides it.
var alterations = []struct {
	name   string
	rateHz int
	alter  func(b *bench.Bench, between func(lo, hi float64) float64, seed uint64)
	codes  []string
}{
	{"automatic gain", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		b.Desktop.Gain = bench.GainControl{Level: bench.DB(u(-40, -12)), Seconds: bench.DB(20 * u(-1.3, 0.7)), Most: bench.DB(u(6, 30))}
	}, []string{"automatic-gain"}},
	{"leveller of the output", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		b.Source.Leveller = bench.GainControl{Level: bench.DB(u(-40, -12)), Seconds: bench.DB(20 * u(-1.3, 0.7)), Most: bench.DB(u(6, 30))}
	}, []string{"automatic-gain"}},
	{"noise gate", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		// It closes in silence: its threshold is above noise and hum.
		least := 5*max(b.Inputs[0].Noise, b.Inputs[1].Noise) + 2*max(b.Inputs[0].Hum, b.Inputs[1].Hum)
		b.Desktop.Gate = bench.Gate{Level: max(least, bench.DB(u(-55, -25))), Floor: bench.DB(u(-80, -10)), Open: u(0.002, 0.05), Close: u(0.02, 0.3)}
	}, []string{"automatic-gain"}},
	{"noise suppression", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		b.Desktop.Suppress = bench.Suppressor{Floor: bench.DB(u(-30, -6)), Seconds: u(0.1, 0.5)}
	}, []string{"automatic-gain"}},
	{"echo canceller", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		b.Desktop.Echo = bench.EchoCanceller{Tail: u(0.002, 0.02), Step: bench.DB(20 * u(-3.5, -0.3))}
	}, []string{"echo-cancel"}},
	{"resampling through 8 to 32 kHz", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		b.Desktop.RateHz = []int{8000, 16000, 22050, 24000, 32000}[int(u(0, 5))]
	}, []string{card.Resampled}},
	{"96 kHz through 44.1 or 48 kHz", 96000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		b.Desktop.RateHz = []int{44100, 48000}[int(u(0, 2))]
	}, []string{card.Resampled}},
	{"music of another program", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, seed uint64) {
		b.Music = bench.Music{Level: bench.DB(u(-45, -10)), Seed: tunes[seed%uint64(len(tunes))]}
	}, []string{card.Mixed}},
	{"alert of another program", 48000, func(b *bench.Bench, u func(lo, hi float64) float64, _ uint64) {
		b.Alert = bench.Alert{Level: bench.DB(u(-45, -10)), Hz: u(300, 2000), At: u(0.2, 1.1)}
	}, []string{card.Mixed}},
	{"joined inputs", 48000, func(b *bench.Bench, _ func(lo, hi float64) float64, _ uint64) {
		b.Desktop.Joined = true
	}, []string{"same-signal"}},
}

// tunes are seeds of music that does not begin with a pause as long as a check.
var tunes = [...]uint64{0, 1, 2, 4, 5, 6, 7, 8, 9, 10}

// named counts the checks, of the cards drawn from the seeds, that find a
// fault or give a warning of what is altered, and those that name it rightly.
func named(tb testing.TB, i int, from, to uint64) (found, rightly int) {
	a := alterations[i]
	for seed := from; seed < to; seed++ {
		b := usualBench(seed)
		g := rand.New(rand.NewPCG(seed, 77))
		a.alter(b, func(lo, hi float64) float64 { return lo + (hi-lo)*g.Float64() }, seed)
		c := check(tb, b, measure.CheckSetup{RateHz: a.rateHz})
		altering := func(f measure.Finding) bool {
			return f.Severity == measure.Problem || slices.Contains(a.codes, f.Code)
		}
		right := func(f measure.Finding) bool { return slices.Contains(a.codes, f.Code) }
		switch {
		case slices.ContainsFunc(c.Findings, right):
			found, rightly = found+1, rightly+1
		case slices.ContainsFunc(c.Findings, altering):
			found++
			tb.Logf("%s, seed %d: named otherwise: %+v", a.name, seed, c.Findings)
		default:
			tb.Logf("%s, seed %d: not found, only %+v", a.name, seed, c.Findings)
		}
	}
	return found, rightly
}

// Each alteration is found and named. The benchmark below does it over more
// cards.
func TestAlterationsAreHeard(t *testing.T) {
	for i, a := range alterations {
		t.Run(a.name, func(t *testing.T) {
			t.Parallel()
			if found, rightly := named(t, i, 1, 2); found != 1 || rightly != 1 {
				t.Errorf("found %d, named %d of 1", found, rightly)
			}
		})
	}
}

func BenchmarkAlterationsAreHeard(b *testing.B) {
	const cards = 20
	for i, a := range alterations {
		b.Run(a.name, func(b *testing.B) {
			for b.Loop() {
				found, rightly := named(b, i, 0, cards)
				b.ReportMetric(float64(found), "found/20")
				b.ReportMetric(float64(rightly), "named/20")
			}
		})
	}
}

// A sweep through a lower rate says so in its record, and one through an echo
// canceller is refused by that name.
func TestSweepHearsAlterations(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40, Peak: 0.4})
	b := idealBench(loads[1].load, -88, 1)
	b.SenseOhm, b.Latency, b.LeadOut = 10, 0.3, 0.3
	b.Desktop.RateHz = 32000
	rec, err := measure.Run(context.Background(), measure.Setup{Card: b, Signal: sig, Jig: exactJig(t, 10)})
	if err != nil || !warned(rec.Warnings, card.Resampled) {
		t.Errorf("through 32 kHz: got %v, %v", rec.Warnings, err)
	}
	b.Desktop = bench.Desktop{Echo: bench.EchoCanceller{Tail: 0.01, Step: 0.02}}
	var fault *card.Fault
	if _, err = measure.Run(context.Background(), measure.Setup{Card: b, Signal: sig, Jig: exactJig(t, 10)}); !errors.As(err, &fault) || fault.Cause != card.EchoCancelled {
		t.Errorf("through an echo canceller: got %v", err)
	}
}
