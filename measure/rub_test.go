package measure

import (
	"cmp"
	"math"
	"math/rand/v2"
	"testing"

	"tapload/fixtures/bench"
	"tapload/measure/card"
	"tapload/measure/ratio"
	"tapload/measure/record"
	"tapload/measure/signal"
)

// drawnDriver returns the distortion of one of many drivers like that of
// bent-driver.toml, 10 % apart, driven with 1 to 16 V on inputs with noise of
// -100 to -80 dB. A rub is between 1 and 30 % of the force that drives the cone
// and begins at 30 to 90 % of the excursion at which the spring alone holds it.
func drawnDriver(t testing.TB, c signal.Chirp, seed uint64, rubs bool) record.Distortion {
	t.Helper()
	b, err := bench.Load("../testdata/bench/bent-driver.toml")
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(seed, 0x12b))
	m := b.Motor.Drawn(0.1, seed)
	b.Motor, b.Seed = &m, seed
	b.Source.Level = 2 * math.Pow(16, r.Float64()) // of which the chirp takes half
	for i := range b.Inputs {
		b.Inputs[i].Gain, b.Inputs[i].Noise = 1/b.Source.Level, bench.DB(-100+20*r.Float64())
	}
	if rubs {
		force := c.Peak * b.Source.Level / (m.Re + b.SenseOhm + b.Source.Ohm) * m.Bl
		m.Rub = force * 0.01 * math.Pow(30, r.Float64())
		m.RubFrom = force * m.Cms * (0.3 + 0.6*r.Float64())
	}
	rec, err := b.Play(t.Context(), card.Output{RateHz: c.Rate(), Channels: [][]float64{c.Samples()}})
	if err != nil {
		t.Fatal(err)
	}
	_, d, err := ratio.WithHarmonics(t.Context(), rec, c)
	if err = cmp.Or(err, d.Err); err != nil {
		t.Fatal(err)
	}
	return d.Distortion
}

func defaultChirp(t testing.TB) signal.Chirp {
	t.Helper()
	c, err := signal.NewChirp(signal.ChirpOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// The figures of all seeds are in testdata/figures/rub.txt.
func TestRubIsFound(t *testing.T) {
	c := defaultChirp(t)
	drivers := uint64(2)
	if testing.Short() {
		drivers = 1
	}
	for seed := range drivers {
		if i := drawnDriver(t, c, seed, false).Scrape(); i >= 0 {
			t.Errorf("driver %d is good and said to scrape", seed)
		}
		if i := drawnDriver(t, c, seed, true).Scrape(); i < 0 {
			t.Errorf("driver %d scrapes and is said to be good", seed)
		}
	}
}

func BenchmarkRub(b *testing.B) {
	const rubbing, good = 300, 600
	c := defaultChirp(b)
	for b.Loop() {
		var found, alarms float64
		for seed := range uint64(rubbing) {
			if drawnDriver(b, c, 1000+seed, true).Scrape() >= 0 {
				found++
			}
		}
		for seed := range uint64(good) {
			if drawnDriver(b, c, 2000+seed, false).Scrape() >= 0 {
				alarms++
			}
		}
		b.ReportMetric(100*found/rubbing, "%found")
		b.ReportMetric(100*alarms/good, "%false-alarms")
	}
}
