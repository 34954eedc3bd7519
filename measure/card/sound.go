package card

import "context"

// Sound is a recording that need not lie in memory: it is read from its first frame
// to its last, in pieces, or anywhere, as often as anybody likes. Several goroutines may
// do so at once.
type Sound interface {
	// About returns what is known of it beside its samples, which may be missing.
	About() Recording
	// Frames returns how many there are.
	Frames() int
	// Pieces calls take for one piece after the other, V1 and V2 equally long, which
	// are take's until it returns. An error is that of take, that of ctx where it ended, or a
	// *Fault.
	Pieces(ctx context.Context, take func(v1, v2 []float64) error) error
	// ReadAt fills v1 and v2 with the samples from frame from on, step frames apart, all of
	// which there must be; either may be nil. An error is that of ctx where it ended, or a
	// *Fault.
	ReadAt(ctx context.Context, v1, v2 []float64, from, step int) error
}

// About returns r.
func (r Recording) About() Recording { return r }

// Frames returns how many frames r has.
func (r Recording) Frames() int { return len(r.V1) }

// Pieces calls take for one piece of r after the other, unless one input has more
// samples than the other.
func (r Recording) Pieces(ctx context.Context, take func(v1, v2 []float64) error) error {
	if err := r.alike(); err != nil {
		return err
	}
	for from := 0; from < len(r.V1); from += often {
		if err := ctx.Err(); err != nil {
			return err
		}
		to := min(len(r.V1), from+often)
		if err := take(r.V1[from:to:to], r.V2[from:to:to]); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// ReadAt copies samples of r.
func (r Recording) ReadAt(ctx context.Context, v1, v2 []float64, from, step int) error {
	copyApart(v1, r.V1, from, step)
	copyApart(v2, r.V2, from, step)
	return ctx.Err()
}

// copyApart fills dst with every step-th of src from a place on.
func copyApart(dst, src []float64, from, step int) {
	switch {
	case len(dst) == 0:
	case step == 1:
		copy(dst, src[from:from+len(dst)])
	default:
		for i := range dst {
			dst[i] = src[from+i*step]
		}
	}
}

// InMemory returns all of s as a Recording. An error is that of Pieces.
func InMemory(ctx context.Context, s Sound) (Recording, error) {
	if r, is := s.(Recording); is {
		return r, nil
	}
	r := s.About()
	r.V1, r.V2 = make([]float64, 0, s.Frames()), make([]float64, 0, s.Frames())
	err := s.Pieces(ctx, func(v1, v2 []float64) error {
		r.V1, r.V2 = append(r.V1, v1...), append(r.V2, v2...)
		return nil
	})
	return r, err
}
