package transform_test

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
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

// A sequence in parts has the coefficients that it has as a whole, as many of them as
// are asked for.
func TestPartsJoin(t *testing.T) {
	for _, c := range []struct{ n, by, lines int }{{12, 3, 7}, {600000, 1, 300001}, {600000, 2, 300001}, {600000, 5, 1000}, {262144, 16, 131073}, {46080, 45, 20000}} {
		x := noise(c.n)
		want := fourier.NewFFT(c.n).Coefficients(nil, x)
		part := transform.New(c.n / c.by)
		lines, room, sum := make([]complex128, part.Len()/2+1), make([]float64, part.Len()), make([]complex128, c.lines)
		for p := range c.by {
			values := part.Values(lines)
			for i := range values {
				values[i] = x[p+i*c.by]
			}
			if err := part.Forward(t.Context(), lines, room); err != nil {
				t.Fatal(err)
			}
			if err := part.Join(t.Context(), sum, lines, p, c.by); err != nil {
				t.Fatal(err)
			}
		}
		for k, z := range sum {
			if off := cmplx.Abs(z - want[k]); off > 1e-14*math.Sqrt(float64(c.n)) {
				t.Fatalf("%d values in %d parts: coefficient %d is off by %g of %g", c.n, c.by, k, off, cmplx.Abs(want[k]))
			}
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
