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
		lines, room := make([]complex128, part.Len()/2+1), make([]float64, part.Len())
		sum := transform.Whole(make([]complex128, c.lines))
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
		for k, z := range sum.Lines() {
			if off := cmplx.Abs(z - want[k]); off > 1e-14*math.Sqrt(float64(c.n)) {
				t.Fatalf("%d values in %d parts: coefficient %d is off by %g of %g", c.n, c.by, k, off, cmplx.Abs(want[k]))
			}
		}
	}
}

// Held apart, the coefficients of a signal that repeats are those of a whole, to the last
// bit, and those between are off by no more than rounding each part to seven digits makes
// of what all parts hold. So they are when they are worked out once more.
func TestSpectrumApart(t *testing.T) {
	for _, c := range []struct{ n, by, lines, periods int }{{600, 1, 301, 2}, {600, 2, 301, 2}, {600, 5, 211, 3}, {46080, 15, 20000, 5}, {46080, 45, 23041, 1024}} {
		const tone = 1e5 // far above noise
		x := noise(c.n)
		for i := range x {
			x[i] += tone * math.Sin(2*math.Pi*7.3*float64(i)/float64(c.n))
		}
		whole, apart := transform.Whole(make([]complex128, c.lines)), transform.Apart(c.lines, c.periods)
		join := func(sum *transform.Spectrum) {
			t.Helper()
			sum.Clear()
			part := transform.New(c.n / c.by)
			lines, room := make([]complex128, part.Len()/2+1), make([]float64, part.Len())
			for p := range c.by {
				for i := range part.Len() {
					part.Values(lines)[i] = x[p+i*c.by]
				}
				if err := part.Forward(t.Context(), lines, room); err != nil {
					t.Fatal(err)
				}
				if err := part.Join(t.Context(), sum, lines, p, c.by); err != nil {
					t.Fatal(err)
				}
			}
		}
		join(whole)
		for round := range 2 {
			join(apart)
			for k := range c.lines {
				want, got := whole.At(k), apart.At(k)
				allowed := 0.0
				if k%c.periods != 0 {
					allowed = 1e-7 * tone * float64(c.n)
					if c.by == 1 {
						allowed = 1e-7 * cmplx.Abs(want)
					}
				}
				if off := cmplx.Abs(got - want); off > allowed {
					t.Fatalf("%+v, round %d: coefficient %d is off by %g of %g", c, round, k, off, cmplx.Abs(want))
				}
			}
			apart.Forget()
		}
	}
}

// Each coefficient has its place, in as much memory as is said.
func TestSpectrumPlaces(t *testing.T) {
	for periods := 2; periods < 8; periods++ {
		for lines := 1; lines < 30; lines++ {
			s := transform.Apart(lines, periods)
			if s.Len() != lines || s.Lines() != nil {
				t.Fatalf("%d lines of %d periods: %d, %v", lines, periods, s.Len(), s.Lines())
			}
			for k := range lines {
				s.Set(k, complex(float64(k+1), -float64(k)))
			}
			for k := range lines {
				if z := s.At(k); z != complex(float64(k+1), -float64(k)) {
					t.Fatalf("line %d of %d with %d periods is %v", k, lines, periods, z)
				}
			}
		}
	}
	const lines, periods = 1 << 16, 4
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	transform.Apart(lines, periods)
	runtime.ReadMemStats(&after)
	bytes := after.TotalAlloc - before.TotalAlloc
	if want := uint64(lines * (16 + 3*8) / 4); bytes < want || bytes > want*11/10 {
		t.Errorf("%d bytes, want %d", bytes, want)
	}
	defer func() {
		if recover() == nil {
			t.Error("one period has lines between")
		}
	}()
	transform.Apart(10, 1)
}

// The length below another is the greatest even one that has a transform.
func TestLengthBelow(t *testing.T) {
	has := func(n int) (has bool) {
		defer func() { has = recover() == nil }()
		transform.New(n)
		return
	}
	for n, want := 2, 2; n < 3000; n++ {
		if n%2 == 0 && has(n) {
			want = n
		}
		if got := transform.LengthBelow(n); got != want {
			t.Fatalf("below %d: %d, want %d", n, got, want)
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
