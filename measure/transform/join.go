package transform

import (
	"context"
	"math"
	"math/cmplx"
)

// exactly is after how many lines the angle of a turn is worked out and not
// continued.
const exactly = 32

// Join adds to sum what one part of a long sequence has in its coefficients, at most
// those up to half its length: of a sequence of by Len values, lines
// are the coefficients of the values part, part+by, part+2 by and so on. With n and m
// the long and the short length,
//
//	X(k) = sum over the parts of exp(-2 pi j k part/n) X_part(k mod m),
//
// so that a sequence need not lie in memory as a whole (J. W. Cooley, J. W. Tukey, Math.
// Comput. 19, 297-301, 1965, from memory). An error is that of ctx, and leaves nothing of
// any use.
func (r *Real) Join(ctx context.Context, sum *Spectrum, lines []complex128, part, by int) error {
	m := r.n
	angle := -2 * math.Pi / float64(m*by)
	step := cmplx.Rect(1, angle*float64(part))
	return split(ctx, sum.lines, 2, 0, func(lo, hi int, _ []float64) {
		at := lo % m
		signal := (lo + sum.periods - 1) / sum.periods // the first from lo on
		next := signal * sum.periods
		var turn complex128
		for k := lo; k < hi; k++ {
			if (k-lo)%exactly == 0 {
				turn = cmplx.Rect(1, angle*float64(k*part%(m*by)))
			}
			var z complex128
			if at <= m/2 {
				z = turn * lines[at]
			} else {
				z = turn * conj(lines[m-at])
			}
			switch {
			case sum.whole != nil:
				sum.whole[k] += z
			case k == next:
				sum.signal[signal] += z
				signal, next = signal+1, next+sum.periods
			default:
				sum.between[k-signal] += complex64(z)
			}
			turn *= step
			if at++; at == m {
				at = 0
			}
		}
	})
}
