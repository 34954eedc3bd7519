package card

import "context"

// Sound is a recording that need not lie in memory: it is read from its first frame
// to its last, in pieces, as often as anybody likes.
type Sound interface {
	// About returns what is known of it beside its samples, which may be missing.
	About() Recording
	// Frames returns how many there are.
	Frames() int
	// Pieces calls take for one piece after the other, V1 and V2 equally long, which
	// are take's until it returns. An error is that of take, that of ctx where it ended, or a
	// *Fault.
	Pieces(ctx context.Context, take func(v1, v2 []float64) error) error
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
