package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

const (
	// A bend without memory makes a pulse of its harmonic, which is looked for
	// within so much of L about its arrival.
	pulseHalf = 0.004

	// Frequencies count the less the further they are above this one, as the
	// noise of the quotient rises with them.
	pulseHz = 200.0

	// pulseSure is by how many times the rms about it a pulse must stand out: of
	// normal deviates one in 5e8 does, and some hundred are looked at.
	pulseSure = 6.0
)

// faint finds the third harmonic of a bend without memory below the noise of any
// band, as such a bend moves the fundamental three times as much at all
// frequencies, nil for none. Its harmonic over V1 hardly hangs on frequency: all
// lines together make one pulse of it, weighed by
//
//	w(f) = 1/sqrt(1 + (f/pulseHz)^2),
//
// which is smooth through 0 Hz, so that the fundamental stays in its place. There
// is too little of it to be worth taking out.
func (q *quotient) faint(ctx context.Context) *Bending {
	const order = 3
	if !slices.Contains(q.slots, order) {
		return nil
	}
	lines := slices.Clone(q.lines)
	var weights float64
	for k := range lines {
		w := 1 / math.Hypot(1, float64(k)*q.hz/pulseHz)
		weights += w * q.fade(k)
		lines[k] *= complex(w, 0)
	}
	n := len(q.time)
	x := q.fft.Values(lines)
	if q.fft.Backward(ctx, lines, q.room) != nil {
		return nil
	}
	var peak, squares, count float64
	for i := int(q.rise * math.Log(order-orderFall) / q.step); i < int(q.rise*math.Log(order+orderRise)/q.step); i++ {
		v := x[((-i)%n+n)%n] / 2 // as a line of weight 1 adds twice its real part
		if math.Abs(float64(i)*q.step/q.rise-math.Log(order)) < pulseHalf {
			peak = max(peak, math.Abs(v))
			continue
		}
		squares += v * v
		count++
	}
	if count == 0 || peak < pulseSure*math.Sqrt(squares/count) {
		return nil
	}
	part := peak / weights // of V1
	d := &Bending{}
	for _, b := range q.bands {
		if !b.heard || b.g == 0 || b.lowHz < q.s.frame.LowHz {
			continue
		}
		p := part / cmplx.Abs(b.g)
		if d.Orders == nil || p > d.Orders[0].Part {
			d.Orders = []BentOrder{{order, b.middle(), p}}
		}
		d.Moves = append(d.Moves, Moved{b.middle(), order * p / max(cmplx.Abs(1-b.g), leastSwing)})
	}
	if d.Orders == nil || part*part < bendingLeast {
		return nil
	}
	// Above what was looked at it goes on.
	if last := d.Moves[len(d.Moves)-1]; last.Hz < q.s.frame.HighHz {
		d.Moves = append(d.Moves, Moved{q.s.frame.HighHz, last.Part})
	}
	return d
}

// leastSquares returns the coefficients of the given columns that fit y best.
func leastSquares(columns [][]float64, y []float64) []float64 {
	a := mat.NewDense(len(y), len(columns), nil)
	for j, c := range columns {
		a.SetCol(j, c)
	}
	var x mat.VecDense
	if x.SolveVec(a, mat.NewVecDense(len(y), y)) != nil {
		return make([]float64, len(columns))
	}
	return x.RawVector().Data
}
