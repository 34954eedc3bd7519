package measure_test

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"testing"
	"time"

	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/signal"
)

// remembering is a card that gives at once what it recorded before of the same
// sound.
type remembering struct {
	card.Card
	had []struct {
		played   []float64
		recorded card.Recording
	}
}

func (r *remembering) Play(ctx context.Context, out card.Output) (card.Recording, error) {
	if ctx.Err() != nil {
		return card.Recording{}, context.Cause(ctx)
	}
	for _, h := range r.had {
		if slices.Equal(h.played, out.Channels[0]) {
			rec := h.recorded
			rec.V1, rec.V2 = slices.Clone(rec.V1), slices.Clone(rec.V2)
			return rec, nil
		}
	}
	rec, err := r.Card.Play(ctx, out)
	if err != nil {
		return card.Recording{}, err
	}
	kept := rec
	kept.V1, kept.V2 = slices.Clone(rec.V1), slices.Clone(rec.V2)
	r.had = append(r.had, struct {
		played   []float64
		recorded card.Recording
	}{out.Channels[0], kept})
	return rec, nil
}

// Whatever a measurement is at when its context ends, it returns that error
// within a tenth of a second, and leaves no goroutine. On a machine that is busy
// it may take a fifth of the time of the whole, and has some tries.
func TestMeasurementsEndWithTheirContext(t *testing.T) {
	seconds, perOctave, moments := 2.0, 3, 2
	switch {
	case os.Getenv("TAPLOAD_SEEDS") == "all":
		seconds, perOctave, moments = 4, 6, 8
	case testing.Short():
		seconds = 1
	}
	usual := signal.ChirpOptions{PeriodSeconds: seconds, LowHz: 20}
	long := usual
	long.Periods = 4
	m, err := signal.NewMultitone(t.Context(), signal.MultitoneOptions{PeriodSeconds: seconds, LowHz: 20, Periods: 4})
	if err != nil {
		t.Fatal(err)
	}
	tones, err := signal.NewTones(signal.TonesOptions{LowHz: 20, PerOctave: perOctave})
	if err != nil {
		t.Fatal(err)
	}
	setup := func(sig signal.Signal) measure.Setup {
		return measure.Setup{Signal: sig, Jig: exactJig(t, 33), Label: "test", Now: time.Unix(1.8e9, 0)}
	}
	run := func(s measure.Setup) func(context.Context, card.Card) error {
		return func(ctx context.Context, c card.Card) error {
			s.Card = c
			_, err := measure.Run(ctx, s)
			return err
		}
	}
	distortion := setup(chirp(t, usual))
	distortion.Distortion = true
	rounds := setup(tones)
	rounds.Aim = &measure.Aim{Wanted: 1e-5, Seconds: 15 * seconds}
	for _, tc := range []struct {
		name    string
		measure func(context.Context, card.Card) error
	}{
		{"chirp", run(setup(chirp(t, long)))},
		{"chirp with distortion", run(distortion)},
		{"multitone", run(setup(m))},
		{"tones in rounds", run(rounds)},
		{"repeated", func(ctx context.Context, c card.Card) error {
			s := setup(chirp(t, usual))
			s.Card = c
			_, _, err := measure.RunRepeated(ctx, s, 3)
			return err
		}},
		{"ratio", func(ctx context.Context, c card.Card) error {
			s := setup(chirp(t, long))
			s.Card = c
			_, _, err := measure.Ratio(ctx, s)
			return err
		}},
		{"check", func(ctx context.Context, c card.Card) error {
			_, err := measure.Check(ctx, measure.CheckSetup{Card: c, Jig: statedJig(t, 33, 0.01)})
			return err
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := &remembering{Card: idealBench(loads[1].load, -90, 1)}
			if err := tc.measure(t.Context(), c); err != nil {
				t.Fatal(err)
			}
			goroutines := runtime.NumGoroutine()
			start := time.Now()
			if err := tc.measure(t.Context(), c); err != nil {
				t.Fatal(err)
			}
			whole := time.Since(start)
			limit := max(100*time.Millisecond, whole/5)

			r := rand.New(rand.NewPCG(uint64(start.UnixNano()), 1))
			slowest := time.Duration(0)
			for range moments {
				at := time.Duration(r.Float64() * float64(whole))
				least := time.Hour
				for tries := 0; tries < 8 && least > limit; tries++ {
					took, err := endedAt(tc.measure, c, at)
					if err == nil {
						at /= 2 // it was over before
						continue
					}
					if !errors.Is(err, context.Canceled) {
						t.Fatalf("cancelled after %v of %v, the error is: %v", at, whole, err)
					}
					least = min(least, took)
				}
				slowest = max(slowest, least)
			}
			if slowest > limit {
				t.Errorf("it took %v to end, of %v in all; at most %v is right", slowest, whole, limit)
			}
			for deadline := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > goroutines; time.Sleep(time.Millisecond) {
				if time.Now().After(deadline) {
					t.Fatalf("%d goroutines of %d are left", runtime.NumGoroutine(), goroutines)
				}
			}
			t.Logf("%v in all, ended within %v", whole, slowest)
		})
	}
}

// endedAt cancels a measurement at a moment, and returns how long it took to end
// after that.
func endedAt(measure func(context.Context, card.Card) error, c card.Card, at time.Duration) (took time.Duration, err error) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	cancelled := make(chan time.Time, 1)
	timer := time.AfterFunc(at, func() {
		cancelled <- time.Now()
		cancel()
	})
	if err = measure(ctx, c); err == nil {
		timer.Stop()
		return 0, nil
	}
	return time.Since(<-cancelled), err
}
