package recone

import (
	"context"
	"testing"

	"tapload/fit"
	"tapload/fixtures/bench/foreign"
	"tapload/measure/stopping"
)

// Comparing, grouping and matching drivers went on to the end after Ctrl-C.
func TestComparisonsEndWithTheirContext(t *testing.T) {
	side := func(kind int, seed uint64, models ...fit.Model) Side {
		c := foreign.Kinds()[kind].Draw(seed).Curve(0)
		load, err := fit.Curve(t.Context(), c, fit.Options{Models: models})
		if err != nil {
			t.Fatal(err)
		}
		return Side{Label: "driver", Curve: c, Load: load}
	}
	one, other := side(0, 1), side(0, 2)
	single := side(0, 3, fit.Model{Coil: fit.Power, Resonances: 1})
	for _, c := range []struct {
		name string
		work func(context.Context) error
	}{
		{"two", func(ctx context.Context) error {
			_, err := Compare(ctx, one, other, Options{})
			return err
		}},
		{"a group of different models", func(ctx context.Context) error {
			_, err := Group(ctx, []Side{one, single, one, single}, one)
			return err
		}},
		{"quads of 20", func(ctx context.Context) error {
			_, err := arrange(ctx, points(20, 1), 4)
			return err
		}},
		{"quads of 50", func(ctx context.Context) error {
			_, err := arrange(ctx, points(50, 1), 4)
			return err
		}},
		{"pairs of 300", func(ctx context.Context) error {
			_, err := arrange(ctx, points(300, 1), 2)
			return err
		}},
	} {
		t.Run(c.name, func(t *testing.T) { stopping.Check(t, c.work) })
	}
}
