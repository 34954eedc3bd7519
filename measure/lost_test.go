package measure_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"tapload/fixtures/bench"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

// recorded is a card that returns one recording.
type recorded struct{ card.Recording }

func (r recorded) Play(context.Context, card.Output) (card.Recording, error) { return r.Recording, nil }

// damages are what the way between program and card does to a signal of which
// it loses a piece.
var damages = []string{"lost", "silenced", "silence inserted", "repeated"}

// damage does it to n samples of x from at on.
func damage(x []float64, kind string, at, n int) []float64 {
	at = min(at, len(x))
	end := min(at+n, len(x))
	y := slices.Clone(x)
	switch kind {
	case "lost":
		return slices.Delete(y, at, end)
	case "silenced":
		clear(y[at:end])
		return y
	case "silence inserted":
		return slices.Insert(y, at, make([]float64, n)...)
	case "repeated":
		return slices.Insert(y, at, x[max(0, at-n):at]...)
	}
	panic(kind)
}

// lostOutcome is what came of a damaged sweep: the cause of the fault, or by
// how much the curve is off.
type lostOutcome struct {
	what  string // was done
	cause string // empty for a curve
	off   float64
	atHz  float64
}

// lose damages so many recordings of sig, each at one place, from 5 ms to 1 s of
// it: three in the recording to one in what is played.
func lose(tb testing.TB, sig signal.Signal, load int, trials int, f func(lostOutcome)) {
	const shortest, longest = 0.005, 1.0
	b := idealBench(loads[load].load, -90, 1)
	b.Latency, b.LeadOut = 0.3, 0.7
	out := card.Output{RateHz: sig.Rate(), Channels: [][]float64{sig.Samples()}}
	take, err := b.Prepare(out)
	if err != nil {
		tb.Fatal(err)
	}
	whole := take.Record(1)
	r := rand.New(rand.NewPCG(uint64(load), 0x105e))
	for i := range trials {
		kind := damages[r.IntN(len(damages))]
		n := int(shortest * math.Pow(longest/shortest, r.Float64()) * float64(sig.Rate()))
		at := r.IntN(out.Frames()) + int(b.Latency*float64(sig.Rate()))
		o := lostOutcome{what: fmt.Sprintf("%d samples %s at %d", n, kind, at)}
		rec := whole
		if i%4 == 3 {
			o.what += " on the way out"
			at -= int(b.Latency * float64(sig.Rate()))
			take, err := b.Prepare(card.Output{RateHz: sig.Rate(), Channels: [][]float64{damage(out.Channels[0], kind, at, n)}})
			if err != nil {
				tb.Fatal(err)
			}
			rec = take.Record(1)
		} else {
			rec.V1, rec.V2 = damage(rec.V1, kind, at, n), damage(rec.V2, kind, at, n)
		}
		got, err := measure.Run(context.Background(), measure.Setup{Card: recorded{rec}, Signal: sig, Jig: exactJig(tb, 33)})
		var fault *card.Fault
		switch {
		case errors.As(err, &fault):
			o.cause = fault.Cause.String()
		case err != nil:
			tb.Fatal(err)
		}
		for _, p := range got.Curve.Points {
			if d := math.Abs(cmplx.Abs(p.Z)/cmplx.Abs(loads[load].load.Impedance(p.Hz)) - 1); p.Hz >= 20 && d > o.off {
				o.off, o.atHz = d, p.Hz
			}
		}
		f(o)
	}
}

// lostSeen is the error of |Z| that passes for none: five times what an ideal
// card of this noise is off by.
const lostSeen = 2e-3

// Wherever samples are lost on the way, and the driver says nothing of it, the
// sweep is refused, or the loss was outside of what counts and the curve is
// right. The figures of many are in testdata/figures/lost-samples.txt.
func TestLostSamplesLeaveNoCurve(t *testing.T) {
	refused, curves := 0, 0
	lose(t, chirp(t, signal.ChirpOptions{LowHz: 40, PeriodSeconds: 1}), 1, 40, func(o lostOutcome) {
		switch {
		case o.cause != "":
			refused++
		case o.off > lostSeen:
			t.Errorf("%s: a curve that is off by %.2f %% at %.1f Hz", o.what, 100*o.off, o.atHz)
		default:
			curves++
		}
	})
	// Of the signal's 2.9 s, 0.6 s lie before and 0.3 s behind what counts.
	if refused < 20 || curves < 2 {
		t.Errorf("%d refused, %d curves of 40", refused, curves)
	}
}

// Where a piece of the first period came twice, hardly any of it agrees with the
// next one, and what does hides behind a clock that is none.
func TestMostOfAPeriodSlipped(t *testing.T) {
	sig := multitone(t, signal.MultitoneOptions{})
	b := idealBench(loads[1].load, -90, 1)
	b.Latency, b.LeadOut = 0.3, 0.7
	rec, err := b.Play(t.Context(), card.Output{RateHz: sig.Rate(), Channels: [][]float64{sig.Samples()}})
	if err != nil {
		t.Fatal(err)
	}
	const at, n = 265525, 39707 // of which benchmark LostSamples once made a curve
	rec.V1, rec.V2 = damage(rec.V1, "repeated", at, n), damage(rec.V2, "repeated", at, n)
	_, err = measure.Run(context.Background(), measure.Setup{Card: recorded{rec}, Signal: sig, Jig: exactJig(t, 33)})
	// An echo canceller leaves two periods that agree as little.
	var fault *card.Fault
	if !errors.As(err, &fault) || fault.Cause != card.Dropout && fault.Cause != card.EchoCancelled {
		t.Errorf("got %v, want a dropout or an echo canceller", err)
	}
}

func BenchmarkLostSamples(b *testing.B) {
	for _, s := range []struct {
		name   string
		signal signal.Signal
		trials int
	}{
		{"chirp", chirp(b, signal.ChirpOptions{}), 300},
		{"chirp-1s", chirp(b, signal.ChirpOptions{LowHz: 40, PeriodSeconds: 1}), 300},
		{"multitone", multitone(b, signal.MultitoneOptions{}), 300},
		{"tones", tones(b, signal.TonesOptions{PerOctave: 6}), 100},
	} {
		b.Run(s.name, func(b *testing.B) {
			for b.Loop() {
				causes := map[string]int{}
				wrong, curves, refused := 0, 0, 0
				for load := 1; load <= 3; load++ {
					lose(b, s.signal, load, s.trials/3, func(o lostOutcome) {
						switch {
						case o.cause != "":
							refused++
							causes[o.cause]++
						case o.off > lostSeen:
							wrong++
							b.Logf("load %d, %s: off by %.2f %% at %.1f Hz", load, o.what, 100*o.off, o.atHz)
						default:
							curves++
						}
					})
				}
				b.ReportMetric(float64(refused), "refused")
				b.ReportMetric(float64(curves), "right")
				b.ReportMetric(float64(wrong), "wrong")
				b.Log(causes)
			}
		})
	}
}

// A flag matters where it touches what counts, and is a warning elsewhere.
func TestFlagsWhereTheyCount(t *testing.T) {
	short := chirp(t, signal.ChirpOptions{PeriodSeconds: 1, LowHz: 40}) // counts from 1.1 to 3.12 s
	steps := tones(t, signal.TonesOptions{LowHz: 200, HighHz: 3200, PerOctave: 1, DwellSeconds: 0.5, SettleSeconds: 0.5})
	multi := multitone(t, signal.MultitoneOptions{PeriodSeconds: 1, LowHz: 40, PerOctave: 3})
	dwell := 0.5 + float64(steps.Dwells()[1])/48000 // where the second one starts
	for _, tc := range []struct {
		name     string
		signal   signal.Signal
		from, to float64 // s
		counts   bool
	}{
		{"ahead of the signal", short, 0, 0.4, false},
		{"in the lead-in", short, 0.5, 1.09, false},
		{"in the first period", short, 1.0, 1.11, true},
		{"in the middle", short, 2, 2.01, true},
		{"in the last period", short, 3.09, 3.3, true},
		{"behind the last period", short, 3.2, 3.3, false},
		{"anywhere", short, 0, 0, true},
		{"multitone, in the lead-in", multi, 0.5, 1.09, false},
		{"multitone, in the middle", multi, 2, 2.01, true},
		{"between two tones", steps, dwell - 0.3, dwell - 0.01, false},
		{"in a tone", steps, dwell + 0.1, dwell + 0.11, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := idealBench(loads[1].load, -95, 5)
			b.Latency, b.LeadOut = 0.5, 0.5
			clean := run(t, b, tc.signal, 33)
			b.Flags = []bench.Flag{{Lapse: card.InputOverflow, Blocks: 2, From: tc.from, To: tc.to}}
			rec, err := measure.Run(context.Background(), measure.Setup{Card: b, Signal: tc.signal, Jig: exactJig(t, 33)})
			if tc.counts {
				var fault *card.Fault
				if !errors.As(err, &fault) || fault.Cause != card.LostBlocks || !strings.Contains(err.Error(), "input overflow, 2 times") {
					t.Fatalf("got %v, want lost blocks", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(rec.Curve.Points, clean.Curve.Points) {
				t.Error("the curve is another one")
			}
			late := func(w impedance.Warning) bool {
				return w.Code == "late-blocks" && strings.Contains(w.Text, "2 blocks of sound")
			}
			if !slices.ContainsFunc(rec.Warnings, late) {
				t.Errorf("warnings %v, want late-blocks", rec.Warnings)
			}
		})
	}
}

// Where a recording makes no sense and the driver lost blocks, those are why.
func TestFlagsExplainWhatWentWrong(t *testing.T) {
	for _, tc := range []struct {
		name   string
		change func(*bench.Bench)
		says   string
	}{
		{"lost samples", func(b *bench.Bench) { b.Dropouts = []bench.Dropout{{At: 2, Samples: 1024, Kind: bench.Lost}} }, "samples were lost or doubled"},
		{"no signal", func(b *bench.Bench) { b.Source.Level = 1e-6 }, "not in input 1"},
		{"gain that changes", func(b *bench.Bench) { b.Gain = bench.GainControl{Level: 0.1, Seconds: 1} }, "the gain of"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := idealBench(loads[1].load, -95, 5)
			b.Latency = 0.5
			tc.change(b)
			b.Flags = []bench.Flag{{Lapse: card.OutputUnderflow, Blocks: 1, From: 0.2, To: 0.3}}
			_, err := measure.Run(context.Background(), measure.Setup{
				Card: b, Signal: chirp(t, signal.ChirpOptions{PeriodSeconds: 1, LowHz: 40}), Jig: exactJig(t, 33),
			})
			var fault *card.Fault
			if !errors.As(err, &fault) || fault.Cause != card.LostBlocks || !strings.Contains(err.Error(), tc.says) || !strings.Contains(err.Error(), "output underflow, once") {
				t.Errorf("got %v, want lost blocks and %q", err, tc.says)
			}
		})
	}
}

// A block really lost in the lead-in, and flagged, leaves a curve as good as
// its stated noise says.
func TestFlaggedLossInTheLeadIn(t *testing.T) {
	load := loads[2].load // which rings for longest
	for name, sig := range map[string]signal.Signal{
		"chirp":     chirp(t, signal.ChirpOptions{PeriodSeconds: 2, LowHz: 20}),
		"multitone": multitone(t, signal.MultitoneOptions{PeriodSeconds: 2, LowHz: 20, PerOctave: 6}),
	} {
		b := idealBench(load, -95, 5)
		b.Latency, b.LeadOut = 0.5, 0.5
		b.Dropouts = []bench.Dropout{{At: 0.8, Samples: 2048, Kind: bench.Lost}} // 0.3 s before the first counted period
		b.Flags = []bench.Flag{{Lapse: card.InputOverflow, Blocks: 1, From: 0.5, To: 1.05}}
		rec, err := measure.Run(context.Background(), measure.Setup{Card: b, Signal: sig, Jig: exactJig(t, 33)})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i, p := range rec.Curve.Points {
			m, u := rec.Curve.Modulus(i)
			if d := math.Abs(m - cmplx.Abs(load.Impedance(p.Hz))); p.Hz >= 20 && d > 5*u && d > 1e-3*m {
				t.Errorf("%s, %.1f Hz: |Z| is off by %.3g ohm, u is %.3g ohm", name, p.Hz, d, u)
			}
		}
	}
}
