package measure_test

import (
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"runtime"
	"sync"
	"testing"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
	"tapload/measure/record"
	"tapload/measure/signal"
)

func multitone(t testing.TB, o signal.MultitoneOptions) signal.Multitone {
	t.Helper()
	m, err := signal.NewMultitone(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func tones(t testing.TB, o signal.TonesOptions) signal.Tones {
	t.Helper()
	s, err := signal.NewTones(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// shortSignals are short and slow enough for a thousand sweeps.
func shortSignals(t testing.TB) map[string]signal.Signal {
	return map[string]signal.Signal{
		"chirp":     chirp(t, signal.ChirpOptions{RateHz: 8000, PeriodSeconds: 0.25, LowHz: 100, HighHz: 3400}),
		"multitone": multitone(t, signal.MultitoneOptions{RateHz: 8000, PeriodSeconds: 0.25, LowHz: 100, HighHz: 3400}),
		"tones":     tones(t, signal.TonesOptions{RateHz: 8000, LowHz: 200, HighHz: 3200, PerOctave: 1, DwellSeconds: 0.06, SettleSeconds: 0.05}),
	}
}

// study measures the cabinet of 8 ohm so often, each time with another seed, and
// gives each ratio to f, in no order.
func study(tb testing.TB, sig signal.Signal, noiseDB float64, seeds int, f func(seed uint64, g ratio.Ratio)) {
	b := idealBench(loads[1].load, noiseDB, 0)
	take, err := b.Prepare(card.Output{RateHz: sig.Rate(), Channels: [][]float64{sig.Samples()}})
	if err != nil {
		tb.Fatal(err)
	}
	var mu sync.Mutex
	var wait sync.WaitGroup
	next := make(chan uint64)
	for range runtime.NumCPU() {
		wait.Go(func() {
			for seed := range next {
				g, err := ratio.Of(tb.Context(), take.Record(seed), sig)
				if err != nil {
					tb.Error(err)
					continue
				}
				mu.Lock()
				f(seed, g)
				mu.Unlock()
			}
		})
	}
	for seed := range uint64(seeds) {
		next <- seed
	}
	close(next)
	wait.Wait()
}

const allSweeps = 1000

// sweeps is how many seeded sweeps a coverage test takes: allSweeps with
// TAPLOAD_SEEDS=all, as make check has it.
func sweeps() int {
	if os.Getenv("TAPLOAD_SEEDS") == "all" {
		return allSweeps
	}
	return fewSweeps
}

// fewer is all with TAPLOAD_SEEDS=all, and else one of so many.
func fewer(all, of int) int {
	if os.Getenv("TAPLOAD_SEEDS") == "all" {
		return all
	}
	return all / of
}

// bands counts how often the truth lies inside the stated 95 % band.
type bands struct {
	inside [3]int // real part, imaginary part, modulus
	all    int
}

func (b *bands) count(c impedance.Curve, load netlist.Element) {
	b.all += len(c.Points)
	for i, p := range c.Points {
		truth := load.Impedance(p.Hz)
		total := c.Total(i)
		m, u := c.Modulus(i)
		for k, x := range [3]float64{
			real(p.Z-truth) / math.Sqrt(total.RR),
			imag(p.Z-truth) / math.Sqrt(total.II),
			(m - cmplx.Abs(truth)) / u,
		} {
			if math.Abs(x) < 1.959964 { // normal quantile of 97.5 %
				b.inside[k]++
			}
		}
	}
}

// check holds the share inside against 93 to 97 %, where there were so many
// sweeps at least.
func (b bands) check(t testing.TB, name string, sweeps, least int) {
	for k, what := range [...]string{"real part", "imaginary part", "modulus"} {
		share := float64(b.inside[k]) / float64(b.all)
		if sweeps < least {
			t.Logf("%s, %s: %.2f %% inside; %d sweeps are too few for a verdict", name, what, 100*share, sweeps)
			continue
		}
		if share < 0.93 || share > 0.97 {
			t.Errorf("%s, %s: %.2f %% of points inside their 95 %% band, want 93 to 97 %%", name, what, 100*share)
		} else {
			t.Logf("%s, %s: %.2f %% inside", name, what, 100*share)
		}
	}
}

// Over 1000 seeded sweeps (by default fewer, see sweeps) with each signal the
// stated 95 % band holds the truth at 93 to 97 % of the points, noise alone,
// and with a sense resistor that is drawn each time from its tolerance: what
// the jig is told is off by that, normally distributed with the standard
// uncertainty that the tolerance stands for.
func TestEverySignalCovers(t *testing.T) {
	load := loads[1].load
	const tolerance = 0.01
	exact := exactJig(t, 33)
	for name, sig := range shortSignals(t) {
		var alone, drawn bands
		n := sweeps()
		if name != "tones" { // of five points alone
			n = min(n, fewer(allSweeps, 16))
		}
		study(t, sig, -70, n, func(seed uint64, g ratio.Ratio) {
			off := tolerance / math.Sqrt(3) * rand.New(rand.NewPCG(seed, 33)).NormFloat64()
			j, err := jig.Uncalibrated(jig.Options{Name: "drawn", SenseOhm: 33 / (1 + off), Tolerance: tolerance})
			if err != nil {
				t.Error(err)
				return
			}
			for _, try := range []struct {
				jig jig.Jig
				b   *bands
			}{{exact, &alone}, {j, &drawn}} {
				c, err := try.jig.Curve(g)
				if err != nil {
					t.Error(err)
					return
				}
				try.b.count(c, load)
			}
		})
		alone.check(t, name, n, 60)
		// One resistor moves all points of a sweep, so that sweeps alone count.
		drawn.check(t, name+", resistor drawn", n, allSweeps)
	}
}

// energy returns the sum of squares of one sine or cosine component: A^2 N/2
// for a sine of amplitude A over N samples.
func energy(amplitude float64, samples int) float64 {
	return amplitude * amplitude * float64(samples) / 2
}

// chirpEnergy returns the energy of V1's counted samples that a point of a chirp
// has to itself: that of its 48th of an octave.
func chirpEnergy(c signal.Chirp) float64 {
	// The amplitude spectrum squared is L/(4 f) Peak^2 (A. Farina, AES 108th
	// Convention, 2000): equal energy in equal parts of an octave, Peak^2/2 times
	// the time that the chirp spends there.
	return c.Peak * c.Peak / 2 * c.Rise() * math.Ln2 / ratio.PointsPerOctave * float64(c.RateHz) * float64(c.Frame().Periods)
}

// BenchmarkEfficiency compares the scatter of Z over seeded sweeps with the
// bound of Cramer and Rao for known frequency. In white noise of variance s^2 a
// sample in both channels, a sine of energy E = A^2 N/2 in V1 has
//
//	E|dG|^2 >= 2 s^2 (1 + |G|^2)/(2 E) 2 = 2 s^2 (1 + |G|^2)/E
//
// since each amplitude has the variance 2 s^2/N in either phase (S. M. Kay,
// Estimation Theory, 1993, from memory); Z = R G/(1 - G) has |dZ/dG|^2 times
// that. For chirp and multitone E is that of the counted periods, for the
// chirp's points of their own cell; for tones that of the dwell, and, as the
// second figure, of settling and joints too.
func BenchmarkEfficiency(b *testing.B) {
	const ohm, db, runs = 33, -80, 400
	load := loads[1].load
	s2 := math.Pow(bench.DB(db), 2)
	c := chirp(b, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 100})
	m := multitone(b, signal.MultitoneOptions{PeriodSeconds: 0.5, LowHz: 100})
	ts := tones(b, signal.TonesOptions{LowHz: 100, PerOctave: 3})
	of := map[float64]signal.Step{}
	for _, s := range ts.Steps() {
		of[s.Hz(ts.RateHz)] = s
	}
	x := m.Samples()[m.Frame().LeadIn:][:m.Frame().Period]
	var lineEnergy float64
	for _, v := range x {
		lineEnergy += v * v
	}
	lineEnergy *= float64(m.Frame().Periods) / float64(len(m.Lines()))
	for _, tc := range []struct {
		name   string
		sig    signal.Signal
		energy func(hz float64) float64
		all    func(hz float64) float64
		lowHz  float64 // where the chirp's cells are whole 48ths of an octave
	}{
		{"chirp", c, func(float64) float64 { return chirpEnergy(c) }, nil, 2000},
		{"multitone", m, func(float64) float64 { return lineEnergy }, nil, 0},
		{"tones", ts,
			func(hz float64) float64 { return energy(ts.Peak, of[hz].Dwell()) },
			func(hz float64) float64 { return energy(ts.Peak, of[hz].Dwell()+of[hz].Settle+ts.Overhead()) }, 0},
	} {
		b.Run(tc.name, func(b *testing.B) {
			for b.Loop() {
				var sum, sumAll float64
				points := 0
				study(b, tc.sig, db, runs, func(_ uint64, g ratio.Ratio) {
					for _, p := range g.Points {
						if p.Hz < tc.lowHz || p.Hz > 18000 {
							continue
						}
						z := load.Impedance(p.Hz)
						truth := z / (z + ohm)
						bound := 2 * s2 * (1 + real(truth)*real(truth) + imag(truth)*imag(truth)) / tc.energy(p.Hz)
						e := ohm*p.G/(1-p.G) - z
						slope := cmplx.Abs(ohm / ((1 - truth) * (1 - truth)))
						over := (real(e)*real(e) + imag(e)*imag(e)) / (slope * slope * bound)
						sum += over
						if tc.all != nil {
							sumAll += over * tc.all(p.Hz) / tc.energy(p.Hz)
						}
						points++
					}
				})
				b.ReportMetric(sum/float64(points), "variance/bound")
				if tc.all != nil {
					b.ReportMetric(sumAll/float64(points), "variance/bound-with-settling")
				}
			}
		})
	}
}

// All three signals see the same load on the same mediocre bench, and agree
// within what they state.
func TestSignalsAgree(t *testing.T) {
	b := idealBench(loads[1].load, -80, 7)
	b.HumHz, b.HumHarmonics = 50, []float64{0.2, 0.4}
	b.Inputs[0].Hum, b.Inputs[1].Hum = bench.DB(-60), bench.DB(-63)
	b.Inputs[0].Offset, b.ClockError, b.Bits = 0.01, 40e-6, 16
	b.Source.Ohm, b.Source.CouplingHz = 22, 3
	curves := map[string]impedance.Curve{}
	for i, s := range []struct {
		name string
		sig  signal.Signal
	}{
		{"chirp", chirp(t, signal.ChirpOptions{PeriodSeconds: 2})},
		{"multitone", multitone(t, signal.MultitoneOptions{PeriodSeconds: 2})},
		{"tones", tones(t, signal.TonesOptions{LowHz: 20, PerOctave: 4})},
	} {
		b.Seed = uint64(7 + i)
		curves[s.name] = run(t, b, s.sig, 33).Curve
	}
	for _, pair := range [][2]string{{"multitone", "chirp"}, {"tones", "chirp"}, {"tones", "multitone"}} {
		few, many := curves[pair[0]], curves[pair[1]]
		inside, all, largest := 0, 0, 0.0
		truth := loads[1].load.Impedance
		for _, p := range few.Points {
			near, ok := nearest(many, p.Hz)
			if !ok {
				continue
			}
			// Each has its error about the truth at its own frequency: even a
			// thousandth of an octave apart the load differs more than that.
			d := (p.Z - truth(p.Hz)) - (near.Z - truth(near.Hz))
			u := p.Noise.Add(near.Noise)
			for _, x := range [2]float64{real(d) / math.Sqrt(u.RR), imag(d) / math.Sqrt(u.II)} {
				all++
				if math.Abs(x) < 1.959964 {
					inside++
				}
				largest = max(largest, math.Abs(x))
			}
		}
		share := float64(inside) / float64(all)
		t.Logf("%s and %s: %.1f %% of %d parts agree within 95 %%, the furthest are %.1f standard uncertainties apart", pair[0], pair[1], 100*share, all, largest)
		// The share of 80 parts scatters by 2.5 %.
		if share < 0.87 || largest > 4.5 || all < 60 {
			t.Errorf("%s and %s do not agree", pair[0], pair[1])
		}
	}
}

// nearest returns the point of c nearest to hz, if one is within a twentieth of
// an octave.
func nearest(c impedance.Curve, hz float64) (near impedance.Point, ok bool) {
	for _, p := range c.Points {
		if !ok || math.Abs(p.Hz-hz) < math.Abs(near.Hz-hz) {
			near, ok = p, true
		}
	}
	return near, math.Abs(math.Log2(near.Hz/hz)) < 0.05
}

// Rounds bring every tone to what is wanted, say when the time does not
// suffice, and let a load settle that rings.
func TestRounds(t *testing.T) {
	sig := tones(t, signal.TonesOptions{LowHz: 50, HighHz: 6400, PerOctave: 2, SettleSeconds: 0.02, DwellSeconds: 0.1})
	in := func(aim measure.Aim) (record.Record, error) {
		b := idealBench(loads[1].load, -60, 11)
		return measure.Run(context.Background(), measure.Setup{
			Card: bench.NewSeries(b), Signal: sig, Aim: &aim, Jig: exactJig(t, 33), Label: "test",
		})
	}
	for _, tc := range []struct {
		aim   measure.Aim
		short bool
	}{
		{measure.Aim{Wanted: 0.01, Seconds: 60}, false},
		{measure.Aim{Wanted: 0.002, Seconds: 120}, false},
		{measure.Aim{Wanted: 0.00002, Seconds: 20}, true},
	} {
		rec, err := in(tc.aim)
		if err != nil {
			t.Fatal(err)
		}
		var b bands
		b.count(rec.Curve, loads[1].load)
		for i, p := range rec.Curve.Points {
			m, u := rec.Curve.Modulus(i)
			if rel := 2 * u / m; !tc.short && rel > tc.aim.Wanted*1.001 {
				t.Errorf("%+v: ± %.3g %% at %.4g Hz", tc.aim, 100*rel, p.Hz)
			}
			if d := math.Abs(m - cmplx.Abs(loads[1].load.Impedance(p.Hz))); d > 4*u {
				t.Errorf("%+v: off by %.1f standard uncertainties at %.4g Hz", tc.aim, d/u, p.Hz)
			}
		}
		said := false
		for _, w := range rec.Warnings {
			said = said || w.Code == "wanted"
		}
		if said != tc.short || len(rec.Curve.Points) != len(sig.Steps()) {
			t.Errorf("%+v: %d points of %d tones, warnings %v", tc.aim, len(rec.Curve.Points), len(sig.Steps()), rec.Warnings)
		}
		back, err := signal.Decode(rec.Signal)
		if err != nil {
			t.Fatal(err)
		}
		n := float64(len(back.Samples())) / float64(back.Rate())
		if n > max(tc.aim.Seconds, float64(sig.Len())/float64(sig.RateHz)) {
			t.Errorf("%+v: played for %.1f s", tc.aim, n)
		}
		t.Logf("%+v: played for %.1f s, law %T", tc.aim, n, back)
	}
	for _, aim := range []measure.Aim{{Wanted: 0, Seconds: 10}, {Wanted: 2, Seconds: 10}, {Wanted: 0.1}} {
		if _, err := in(aim); err == nil {
			t.Errorf("%+v was taken", aim)
		}
	}
}
