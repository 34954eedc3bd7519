package ratio

import (
	"context"
	"slices"

	"tapload/measure/hum"
)

// kept holds the samples of a recording while their memory is used for something
// else: in half of it where they are whole codes of up to 24 bits.
type kept struct {
	narrow [2][]float32 // nil where they would lose digits
	wide   [2][]float64

	clock *onClock // that they are put on when they are fetched; nil where they are on it
}

// onClock is where the counted samples lie in a recording, in steps of 1 + drift
// of its own.
type onClock struct {
	kernel
	start int
	drift float64
}

// keep copies v1 and v2. It stops where ctx ends.
func keep(ctx context.Context, v1, v2 []float64, clock *onClock) *kept {
	k := &kept{clock: clock}
	for ch, v := range [2][]float64{v1, v2} {
		y := make([]float32, len(v))
		k.narrow[ch] = y
		for i, x := range v {
			if i%often == 0 && ctx.Err() != nil {
				return k
			}
			if y[i] = float32(x); float64(y[i]) != x {
				return &kept{wide: [2][]float64{slices.Clone(v1), slices.Clone(v2)}, clock: clock}
			}
		}
	}
	return k
}

// piece returns samples of a channel as they were recorded.
func (k *kept) piece(ch, from, to int) []float64 {
	if k.wide[ch] != nil {
		return k.wide[ch][from:to]
	}
	x := make([]float64, to-from)
	for i, v := range k.narrow[ch][from:to] {
		x[i] = float64(v)
	}
	return x
}

// fetch fills v1 and v2 with the counted samples.
func (k *kept) fetch(ctx context.Context, v1, v2 []float64) error {
	if k.wide[0] != nil {
		return fetch(ctx, v1, v2, k.wide, k.clock)
	}
	return fetch(ctx, v1, v2, k.narrow, k.clock)
}

// fetch copies x to v1 and v2, interpolated where there is a clock, both channels
// alike.
func fetch[T float32 | float64](ctx context.Context, v1, v2 []float64, x [2][]T, clock *onClock) error {
	const block = 4096
	return hum.Concurrently(ctx, (len(v1)+block-1)/block, func(b int) {
		end := min(len(v1), (b+1)*block)
		if clock == nil {
			for i := b * block; i < end; i++ {
				v1[i], v2[i] = float64(x[0][i]), float64(x[1][i])
			}
			return
		}
		taps := make([]float64, 2*clock.half)
		for i := b * block; i < end; i++ {
			from := clock.taps(taps, i)
			x1, x2 := x[0][from:from+len(taps)], x[1][from:from+len(taps)]
			var s1, s2 float64
			for j, w := range taps {
				s1 += w * float64(x1[j])
				s2 += w * float64(x2[j])
			}
			v1[i], v2[i] = s1, s2
		}
	})
}
