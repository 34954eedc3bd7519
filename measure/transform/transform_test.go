package transform_test

import (
	"context"
	"errors"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/transform"
)

// lengths have every radix at either end of the order in which they are taken,
// with few groups and with many.
var lengths = []int{1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 16, 20, 25, 30, 32, 45, 60, 64, 81, 90, 125, 128, 360, 1000, 1024, 3125, 6561, 46080, 65536, 131072, 375000, 262144, 524288, 600000}

func noise(n int) []float64 {
	r := rand.New(rand.NewPCG(1, uint64(n)))
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

func TestTheLastBitIsThatOfTheUsualTransform(t *testing.T) {
	for _, n := range lengths {
		x := noise(n)
		plan, room := transform.New(n), make([]float64, n)
		lines := plan.Lines(make([]float64, n+2))
		copy(plan.Values(lines), x)
		if err := plan.Forward(context.Background(), lines, room); err != nil {
			t.Fatal(err)
		}
		usual := fourier.NewFFT(n)
		want := usual.Coefficients(nil, x)
		if !slices.Equal(lines, want) {
			t.Errorf("%d values: other coefficients", n)
		}
		if err := plan.Backward(context.Background(), lines, room); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(plan.Values(lines), usual.Sequence(nil, want)) {
			t.Errorf("%d values: other values when transformed back", n)
		}
	}
}

func TestOtherLengthsPanic(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("7 values have a transform")
		}
	}()
	transform.New(7)
}

func TestItEndsWithItsContext(t *testing.T) {
	const n = 1 << 22
	plan, x, room := transform.New(n), make([]complex128, n/2+1), make([]float64, n)
	copy(plan.Values(x), noise(n))
	before := runtime.NumGoroutine()
	for _, after := range []time.Duration{0, time.Millisecond, 20 * time.Millisecond} {
		ctx, cancel := context.WithTimeout(context.Background(), after)
		defer cancel()
		start := time.Now()
		for err := error(nil); err == nil; err = plan.Forward(ctx, x, room) {
			if time.Since(start) > 10*time.Second {
				t.Fatal("it goes on after its context ended")
			}
		}
		if err := plan.Backward(ctx, x, room); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("after %v: error %v", after, err)
		}
	}
	for deadline := time.Now().Add(5 * time.Second); runtime.NumGoroutine() > before; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%d goroutines are left of %d", runtime.NumGoroutine(), before)
		}
	}
}

func BenchmarkForward(b *testing.B) {
	const n = 524288
	x, room, lines := noise(n), make([]float64, n), make([]complex128, n/2+1)
	b.Run("here", func(b *testing.B) {
		for b.Loop() {
			plan := transform.New(n)
			copy(plan.Values(lines), x)
			if err := plan.Forward(context.Background(), lines, room); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("usual", func(b *testing.B) {
		for b.Loop() {
			fourier.NewFFT(n).Coefficients(nil, x)
		}
	})
}
