package ratio

import (
	"context"
	"math"

	"tapload/measure/card"
)

// often is after how many samples, or lines, a loop asks whether the context has
// ended: in far less than a millisecond.
const often = 1 << 12

// rms is card.RMS; it stops where ctx ends.
func rms(ctx context.Context, x []float64) float64 {
	var sum, squares float64
	for i, v := range x {
		if i%often == 0 && ctx.Err() != nil {
			break
		}
		sum += v
		squares += v * v
	}
	n := float64(len(x))
	return math.Sqrt(math.Max(0, squares/n-(sum/n)*(sum/n)))
}

// codeOf is card.Code; it stops where ctx ends.
func codeOf(ctx context.Context, x []float64) float64 {
	code := 1.0
	for from := 0; from < len(x) && ctx.Err() == nil; from += often {
		code = min(code, card.Code(x[from:min(len(x), from+often)]))
	}
	return code
}

// framed returns the memory of total values of x from start on with one value on
// either side, which a transform of them takes, elsewhere if there is none.
func framed(x []float64, start, total int) []float64 {
	if start > 0 && start+total < len(x) {
		return x[start-1 : start+total+1]
	}
	y := make([]float64, total+2)
	copy(y[1:], x[start:min(len(x), start+total)])
	return y
}

// withoutSamples drops what was recorded from rec and leaves the rest of what is
// known of it.
func withoutSamples(rec *card.Recording) { rec.V1, rec.V2 = nil, nil }
