package measure

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"testing"
	"time"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
	"tapload/measure/record"
	"tapload/measure/signal"
)

// guitarBench is an invented cabinet on an amplifier that a guitar is played
// through, with noise and hum of an ordinary card.
func guitarBench(seed uint64, noiseDB, humDB float64) *bench.Bench {
	in := bench.Input{Noise: bench.DB(noiseDB), Hum: bench.DB(humDB), Offset: 0.001}
	return &bench.Bench{
		Seed: seed, SenseOhm: 10, Bits: 24,
		Load: []netlist.Branch{{Name: "driver", From: bench.In, To: bench.Ground, Element: netlist.Driver{
			Re: 6.3, Coil: netlist.Coil{K: 0.03, N: 0.65},
			Resonances: []netlist.Resonance{{Hz: 82, Qm: 5.5, Res: 48}},
		}}},
		Source: bench.Source{Ohm: 2}, Music: bench.Music{Level: bench.DB(-6), Hiss: bench.DB(-75), Seed: seed},
		Inputs: [2]bench.Input{in, in}, HumHz: 49.97, HumHarmonics: []float64{0.3, 0.4},
		Latency: 0.05, LeadOut: 0.2, ClockError: 20e-6,
	}
}

type listening struct {
	seconds, low, coherence, fullScaleVolt float64
	keep                                   func(card.Recording) error
	slow                                   bool // 16 kHz instead of 48, for the sake of time
}

func (l listening) run(t testing.TB, b card.Card) (record.Record, error) {
	t.Helper()
	rate, high := 48000, 20000.0
	if l.slow {
		rate, high = 16000, 7000
	}
	sig, err := signal.NewListen(rate, l.seconds, signal.Band{LowHz: l.low, HighHz: high, Coherence: l.coherence})
	if err != nil {
		t.Fatal(err)
	}
	j, err := jig.Uncalibrated(jig.Options{Name: "test", SenseOhm: 10})
	if err != nil {
		t.Fatal(err)
	}
	return Run(context.Background(), Setup{Card: b, Signal: sig, Jig: j, Label: "guitar", Now: time.Unix(0, 0).UTC(), FullScaleVolt: l.fullScaleVolt, Keep: l.keep})
}

// against compares |Z| with the bench's own, at frequencies of the recorder's clock:
// points, points off by more than 1 %, the worst, and points inside the stated 95 %
// band.
func against(b *bench.Bench, c impedance.Curve) (points, off, inside int, worst float64) {
	for _, p := range c.Points {
		truth := cmplx.Abs(b.Impedance(p.Hz * (1 + b.ClockError)))
		d := math.Abs(cmplx.Abs(p.Z) - truth)
		if d > 0.01*truth {
			off++
		}
		if d < 1.96*math.Sqrt(p.Noise.Along(p.Z)) {
			inside++
		}
		worst = max(worst, d/truth)
	}
	return len(c.Points), off, inside, worst
}

// One minute of an invented guitar, on a card of -95 dB with hum: every point
// that is believed is within 1 % of the truth, and the stated band covers.
func TestGuitarWithinOnePercent(t *testing.T) {
	if testing.Short() {
		t.Skip("a minute of sound")
	}
	b := guitarBench(3, -95, -70)
	var rec card.Recording
	keep := func(r card.Recording) error { rec = r; return nil }
	r, err := listening{60, 10, signal.DefaultCoherence, 40, keep, false}.run(t, b)
	if err != nil {
		t.Fatal(err)
	}
	points, off, inside, worst := against(b, r.Curve)
	if points < 450 {
		t.Errorf("only %d points", points)
	}
	if off > 0 {
		t.Errorf("%d of %d points are off by more than 1 %%, the worst by %.2f %%", off, points, 100*worst)
	}
	if part := float64(inside) / float64(points); part < 0.93 {
		t.Errorf("the stated 95 %% band holds %.1f %% of the points", 100*part)
	}
	for i, c := range r.Coherence {
		if c < signal.DefaultCoherence || c > 1 {
			t.Fatalf("coherence %g at %g Hz", c, r.Curve.Points[i].Hz)
		}
	}

	var kept bytes.Buffer
	if err := r.Write(&kept); err != nil {
		t.Fatal(err)
	}
	back, err := record.Read(&kept)
	if err != nil {
		t.Fatal(err)
	}
	if len(back.Coherence) != points || back.Drive == nil || *back.Drive != *r.Drive {
		t.Errorf("the record came back with %d coherences and drive %+v, want %d and %+v", len(back.Coherence), back.Drive, points, r.Drive)
	}
	if _, err := signal.Decode(back.Signal); err != nil {
		t.Errorf("law %s: %v", back.Signal, err)
	}

	// Another way to the watts: the mean of voltage times current over all
	// samples, current being the drop over the sense resistor.
	var v, i, square, watt float64
	for k := range rec.V1 {
		v += rec.V2[k] / float64(len(rec.V1))
		i += (rec.V1[k] - rec.V2[k]) / float64(len(rec.V1))
	}
	for k := range rec.V1 {
		square += (rec.V2[k] - v) * (rec.V2[k] - v)
		watt += (rec.V2[k] - v) * (rec.V1[k] - rec.V2[k] - i) / 10
	}
	n := float64(len(rec.V1)) / (40 * 40)
	if got, want := r.Drive.RMSVolt, math.Sqrt(square/n); math.Abs(got-want) > 1e-3*want {
		t.Errorf("%g V rms, want %g", got, want)
	}
	// Edges of the windows count the ends of the recording less.
	if got, want := r.Drive.Watt, watt/n; math.Abs(got-want) > 0.05*want {
		t.Errorf("%g W, want %g", got, want)
	}
}

func TestListenFaults(t *testing.T) {
	for _, test := range []struct {
		name  string
		spoil func(*bench.Bench, *listening)
		cause card.Cause
	}{
		{"silence", func(b *bench.Bench, _ *listening) { b.Music.Level = 0 }, card.NoSignal},
		{"clipped", func(b *bench.Bench, _ *listening) { b.Source.Level = 8 }, card.Clipped},
		{"dead input 2", func(b *bench.Bench, _ *listening) { b.Inputs[1].Unplugged = true }, card.DeadInput},
		{"dead input 1", func(b *bench.Bench, _ *listening) { b.Inputs[0].Unplugged = true }, card.DeadInput},
		{"swapped", func(b *bench.Bench, _ *listening) { b.Swapped = true }, card.Swapped},
		{"mono", func(b *bench.Bench, _ *listening) { b.Mono = true }, card.SameSignal},
		{"too short", func(_ *bench.Bench, l *listening) { l.seconds = 5 }, card.TooShort},
		{"no coherence", func(b *bench.Bench, l *listening) {
			b.Music.Level, b.Inputs[0].Noise, b.Inputs[1].Noise = bench.DB(-70), bench.DB(-50), bench.DB(-50)
		}, card.NoSignal},
		{"lost blocks", func(b *bench.Bench, _ *listening) { b.Flags = []bench.Flag{{Lapse: card.InputOverflow, Blocks: 1}} }, card.LostBlocks},
		{"open load", func(b *bench.Bench, _ *listening) {
			b.Load[0].Element = netlist.Open()
		}, card.OpenLoad},
	} {
		t.Run(test.name, func(t *testing.T) {
			b, l := guitarBench(1, -95, -90), listening{seconds: 8, low: 40, coherence: 0.95, slow: true}
			test.spoil(b, &l)
			_, err := l.run(t, b)
			var fault *card.Fault
			if !errors.As(err, &fault) || fault.Cause != test.cause {
				t.Fatalf("error %v, want a fault of cause %v", err, test.cause)
			}
		})
	}
}

func TestMaterialLaws(t *testing.T) {
	band := signal.Band{LowHz: 20, HighHz: 15000, Coherence: 0.9}
	l, err := signal.NewListen(44100, 30, band)
	if err != nil {
		t.Fatal(err)
	}
	p, err := signal.NewProgram(44100, "tune.wav", "00ff", []float64{0, 0.25, -0.125}, 0.5, band)
	if err != nil {
		t.Fatal(err)
	}
	if x := p.Samples(); x[1] != 0.5 || x[2] != -0.25 {
		t.Errorf("played at %v, want the loudest sample at 0.5", x)
	}
	for _, s := range []signal.Material{l, p} {
		law, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		back, err := signal.Decode(law)
		if err != nil {
			t.Fatalf("%s: %v", law, err)
		}
		again, err := json.Marshal(back)
		if err != nil || !bytes.Equal(law, again) || back.(signal.Material).Band() != band {
			t.Errorf("law %s came back as %s (%v)", law, again, err)
		}
	}
	for _, bad := range []string{
		`{"kind":"listen","rate_hz":48000,"low_hz":10,"high_hz":20000,"coherence":1,"seconds":60}`,
		`{"kind":"listen","rate_hz":48000,"low_hz":10,"high_hz":20000,"coherence":0.9,"seconds":0}`,
		`{"kind":"program","rate_hz":48000,"low_hz":10,"high_hz":20000,"coherence":0.9,"seconds":9}`,
		`{"kind":"listen","rate_hz":48000,"low_hz":10,"high_hz":20000,"coherence":0.9,"seconds":9,"gain":1}`,
	} {
		if _, err := signal.Decode([]byte(bad)); err == nil {
			t.Errorf("law %s was taken", bad)
		}
	}
}

// BenchmarkListening analyses one minute of an invented guitar.
func BenchmarkListening(b *testing.B) {
	var rec card.Recording
	keep := func(r card.Recording) error { rec = r; return nil }
	if _, err := (listening{60, 10, signal.DefaultCoherence, 0, keep, false}).run(b, guitarBench(3, -95, -70)); err != nil {
		b.Fatal(err)
	}
	sig, err := signal.NewListen(48000, 60, signal.Band{LowHz: 10, HighHz: 20000, Coherence: signal.DefaultCoherence})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := ratio.Of(b.Context(), rec, sig); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkProgramMaterial is the study of one minute of invented guitar on
// cards from good to poor. Kept in testdata/figures/program-material.txt.
func BenchmarkProgramMaterial(b *testing.B) {
	for _, study := range []struct {
		name       string
		noise, hum float64
	}{
		{"good", -100, -90},
		{"ordinary", -90, -70},
		{"poor", -75, -60},
		{"noisy", -60, -60},
	} {
		b.Run(study.name, func(b *testing.B) {
			const seeds = 12
			for b.Loop() {
				limits := [3]float64{0.9, 0.95, 0.98}
				var points, off, inside [3]int
				var worst [3]float64
				var sure, sureOff int // points of a stated band within 1 %, at the first limit
				for seed := range uint64(seeds) {
					bn := guitarBench(1000+seed, study.noise, study.hum)
					r, err := listening{seconds: 60, low: 10, coherence: limits[0]}.run(b, bn)
					if err != nil {
						b.Fatal(err)
					}
					var c impedance.Curve
					for _, p := range r.Curve.Points {
						if 2*math.Sqrt(p.Noise.Along(p.Z)) < 0.01*cmplx.Abs(p.Z) {
							c.Points = append(c.Points, p)
						}
					}
					p, o, _, _ := against(bn, c)
					sure, sureOff = sure+p, sureOff+o
					for i, limit := range limits {
						var c impedance.Curve
						for k, p := range r.Curve.Points {
							if r.Coherence[k] >= limit {
								c.Points = append(c.Points, p)
							}
						}
						p, o, in, w := against(bn, c)
						points[i], off[i], inside[i], worst[i] = points[i]+p, off[i]+o, inside[i]+in, max(worst[i], w)
					}
				}
				b.ReportMetric(float64(sure)/seeds, "points-stated-within-1%")
				b.ReportMetric(100*float64(sureOff)/float64(max(1, sure)), "%off-by-1%-of-those")
				for i, limit := range limits {
					at := fmt.Sprintf("@%g", limit)
					b.ReportMetric(float64(points[i])/seeds, "points"+at)
					b.ReportMetric(100*float64(off[i])/float64(points[i]), "%off-by-1%"+at)
					b.ReportMetric(100*worst[i], "%worst"+at)
					b.ReportMetric(100*float64(inside[i])/float64(points[i]), "%covered"+at)
				}
			}
		})
	}
}
