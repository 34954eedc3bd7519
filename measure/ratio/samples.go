package ratio

import (
	"context"
	"math"

	"tapload/measure/card"
)

// often is after how many samples, or lines, a loop asks whether the context has
// ended: in far less than a millisecond.
const often = 1 << 12

// spread is what the rms of samples about their mean is made of.
type spread struct{ samples, sum, squares float64 }

func (s *spread) add(x []float64) {
	for _, v := range x {
		s.sum += v
		s.squares += v * v
	}
	s.samples += float64(len(x))
}

func (s spread) rms() float64 {
	mean := s.sum / s.samples
	return math.Sqrt(math.Max(0, s.squares/s.samples-mean*mean))
}

// rms is card.RMS; it stops where ctx ends.
func rms(ctx context.Context, x []float64) float64 {
	var s spread
	for from := 0; from < len(x) && ctx.Err() == nil; from += often {
		s.add(x[from:min(len(x), from+often)])
	}
	return s.rms()
}

// codeOf is card.Code; it stops where ctx ends.
func codeOf(ctx context.Context, x []float64) float64 {
	code := 1.0
	for from := 0; from < len(x) && ctx.Err() == nil; from += often {
		code = min(code, card.Code(x[from:min(len(x), from+often)]))
	}
	return code
}

// inputs is what all samples of a recording say of its inputs, whatever was played.
type inputs struct {
	rms  [2]float64
	code [2]float64 // by which samples are apart; 0 for none
	id   string     // see identity
}

// inputsOf reads all of sound.
func inputsOf(ctx context.Context, sound card.Sound) (in inputs, err error) {
	var all [2]spread
	whole := newFingerprint(sound.Frames())
	in.code = [2]float64{1, 1}
	if err := sound.Pieces(ctx, func(v1, v2 []float64) error {
		whole.add(v1, v2)
		for ch, v := range [2][]float64{v1, v2} {
			all[ch].add(v)
			if in.code[ch] > 0 {
				in.code[ch] = min(in.code[ch], card.Code(v))
			}
		}
		return ctx.Err()
	}); err != nil {
		return in, err
	}
	in.id = whole.identity()
	in.rms = [2]float64{all[0].rms(), all[1].rms()}
	return in, nil
}
