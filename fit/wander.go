package fit

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// A real load follows no model to its noise. What the best one leaves is a
// wiggle along the curve, taken as a process along the octaves, alike in both
// parts of (Z - model)/Z, with the correlation
// exp(-|log2 f - log2 f'|/wanderOctaves). Its size follows from the residual,
// which is the part of it that the parameters could not take.
//
// What the parameters took cannot be seen any more. A model that had to bend,
// with wrinkles, a suspension that gives way, resonances that lean on each other,
// imitates the load: it leaves little and may be off by much. Its process counts
// as wanderReach times what is seen, and as no less than noise could well hide.
//
// The figures are ours: round ones with which 95 % intervals of Re and of
// resonances hold on loads of foreign models (fixtures/bench/foreign,
// testdata/figures/foreign.txt).
const (
	wanderOctaves = 2
	wanderReach   = 5.
	plainReach    = 1.5 // of a model that did not bend
)

// imitates reports whether t had to bend to follow the curve.
func (s *search) imitates(t *trial) bool {
	if t.Suspension != Spring || t.Coupled || t.Padded {
		return true
	}
	for k := range t.Resonances {
		if s.marks(t, k) != nil {
			return true
		}
	}
	return false
}

// reason is the standard uncertainty of the logarithm of a parameter that the
// data say nothing of: a coil has some inductance, within reason.
const reason = 3

// sigma returns the covariance of the solver's parameters from noise and
// misfit: that of a weighted least-squares fit (J'J)^-1 J'(N + M) J (J'J)^-1
// with J = q r, where noise N and misfit M are what they are, and not what the
// weights say. It is nil where J has no rank.
func (s *search) sigma(t *trial, q, r *mat.Dense) *mat.SymDense {
	n, size := len(s.tones), t.size()
	squares, octaves := s.wandered(t, q)
	wander := newWander(s, t, octaves)
	pq := mat.NewDense(2*n, size, nil) // the process, of unit size, on Q
	wander.times(pq, q)
	var inner, noise mat.Dense
	inner.Mul(q.T(), pq)

	scaled := mat.NewDense(2*n, size, nil)
	for i := range n {
		share := 1.0 // of the variance of a point that its neighbours know nothing of
		if squares > 0 {
			share = s.variance[i] / t.scale[i]
		}
		for part := range 2 {
			for k, x := range q.RawRowView(2*i + part) {
				scaled.Set(2*i+part, k, share*x)
			}
		}
	}
	noise.Mul(q.T(), scaled)
	if seen := wander.trace - mat.Trace(&inner); squares > 0 && seen > 0 {
		inner.Scale(squares/seen, &inner)
		noise.Add(&noise, &inner)
	}
	var inverse, half, both mat.Dense
	if err := inverse.Inverse(r); err != nil && !poor(err) {
		return nil
	}
	half.Mul(&inverse, &noise)
	both.Mul(&half, inverse.T())
	sigma := mat.NewSymDense(size, nil)
	for i := range size {
		for k := i; k < size; k++ {
			x := (both.At(i, k) + both.At(k, i)) / 2
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return nil
			}
			sigma.SetSym(i, k, x)
		}
	}
	return sigma
}

// wandered returns the squares that the process leaves of a whitened residual,
// and over how many octaves it is remembered. They are judged by the products of
// neighbours, in which noise cancels; the memory is that by which products fall
// from a distance to twice that. What the shared sources may have done to the
// curve, beside what the parameters took of it, is not the model's misfit. A
// model leaves nothing where noise alone makes as much once in a thousand
// curves, unless it imitates the load. Q is that of factors.
func (s *search) wandered(t *trial, q *mat.Dense) (squares, octaves float64) {
	const (
		sure     = 3 // standard deviations
		hideable = 2 // of that
	)
	residual := t.whitened(t.residual)
	if len(s.c.Shared) > 0 {
		s.takeOffShared(t, q, residual)
	}
	r := make([]complex128, len(s.tones)) // along Z
	for i := range r {
		z := s.c.Points[i].Z
		r[i] = complex(residual.AtVec(2*i), residual.AtVec(2*i+1)) * cmplx.Conj(z) / complex(cmplx.Abs(z), 0)
	}
	products := func(apart int) (sum float64) {
		for i := apart; i < len(r); i++ {
			sum += real(r[i] * cmplx.Conj(r[i-apart]))
		}
		return sum
	}
	squares = products(1)
	hidden := sure * math.Sqrt(2*float64(len(r)))
	if s.imitates(t) {
		return max(wanderReach*wanderReach*squares, hideable*hidden), wanderOctaves
	}
	if squares < hidden {
		return 0, wanderOctaves
	}
	n := float64(len(s.tones))
	step := (s.tones[len(s.tones)-1].octave - s.tones[0].octave) / math.Ln2 / (n - 1)
	apart := max(1, int(0.1/step))
	near, far := products(apart), products(2*apart)
	octaves = wanderOctaves
	if far < near {
		octaves = float64(apart) * step / math.Log(near/max(far, 1e-3*near))
	}
	octaves = min(max(octaves, step), wanderOctaves)
	return plainReach * plainReach * squares * math.Exp(step/octaves), octaves
}

// takeOffShared takes from a whitened residual what the shared sources most
// likely made of it, each with its own uncertainty of 1.
func (s *search) takeOffShared(t *trial, q *mat.Dense, residual *mat.VecDense) {
	rows, count := residual.Len(), len(s.c.Shared)
	d := mat.NewDense(rows+count, count, nil)
	for k, source := range s.c.Shared {
		column := t.whitened(source.DZ)
		var in, fitted mat.VecDense
		in.MulVec(q.T(), column)
		fitted.MulVec(q, &in)
		for i := range rows {
			d.Set(i, k, column.AtVec(i)-fitted.AtVec(i))
		}
		d.Set(rows+k, k, 1)
	}
	long := mat.NewVecDense(rows+count, nil)
	long.SliceVec(0, rows).(*mat.VecDense).CopyVec(residual)
	var size, taken mat.VecDense
	if err := size.SolveVec(d, long); err != nil && !poor(err) {
		return
	}
	taken.MulVec(d.Slice(0, rows, 0, count), &size)
	residual.SubVec(residual, &taken)
}

// factors returns J = Q R of the whitened residuals of t, with what reason says
// of each parameter below J, where Q has no rows.
func (s *search) factors(t *trial) (q, r *mat.Dense) {
	n, size := len(s.tones), t.size()
	j := mat.NewDense(2*n+size, size, nil)
	j.Slice(0, 2*n, 0, size).(*mat.Dense).Copy(s.jacobian(t))
	for k := range size {
		if k < t.turnsAt() || k >= t.suspensionAt() {
			j.Set(2*n+k, k, 1/float64(reason))
		}
	}
	var qr mat.QR
	qr.Factorize(j)
	r = mat.NewDense(size, size, nil)
	var tall, inverse mat.Dense
	qr.RTo(&tall)
	r.Copy(tall.Slice(0, size, 0, size))
	q = mat.NewDense(2*n, size, nil)
	if err := inverse.Inverse(r); err == nil || poor(err) {
		q.Mul(j.Slice(0, 2*n, 0, size), &inverse)
	}
	return q, r
}

// poor reports whether err only says that an inverse is inexact.
func poor(err error) bool {
	c, ok := err.(mat.Condition)
	return ok && !math.IsInf(float64(c), 0)
}

// wander is the misfit's process of unit size at the points of a search, as
// the whitened residuals of a trial see it.
type wander struct {
	keep  []float64    // correlation of a point with the one before
	size  []complex128 // that of the process as a residual, along Z
	trace float64
}

func newWander(s *search, t *trial, octaves float64) wander {
	n := len(s.tones)
	w := wander{keep: make([]float64, n), size: make([]complex128, n)}
	for i, tn := range s.tones {
		if i > 0 {
			w.keep[i] = math.Exp((s.tones[i-1].octave - tn.octave) / math.Ln2 / octaves)
		}
		w.size[i] = s.c.Points[i].Z * complex(1/math.Sqrt(t.scale[i]), 0)
		w.trace += 2 * s.abs2[i] / t.scale[i]
	}
	return w
}

// times puts the covariance of the process times each column of q into out, in
// one pass up and one down: the correlation of an exponential falls by the same
// factor for all that lie beyond a point.
func (w wander) times(out, q *mat.Dense) {
	n, columns := len(w.keep), q.RawMatrix().Cols
	sum := make([]complex128, columns)
	add := func(i int, own complex128) {
		re, im := q.RawRowView(2*i), q.RawRowView(2*i+1)
		toRe, toIm := out.RawRowView(2*i), out.RawRowView(2*i+1)
		back := cmplx.Conj(w.size[i])
		for k := range columns {
			x := back * complex(re[k], im[k])
			y := w.size[i] * (sum[k] + own*x)
			toRe[k] += real(y)
			toIm[k] += imag(y)
			sum[k] += x
		}
	}
	for i := range n {
		for k := range sum {
			sum[k] *= complex(w.keep[i], 0)
		}
		add(i, 1)
	}
	clear(sum)
	for i := n - 1; i >= 0; i-- {
		add(i, 0)
		for k := range sum {
			sum[k] *= complex(w.keep[i], 0)
		}
	}
}

// between returns how far the logarithm of Re is between the models that are
// nearly as good as best: the median distance from it over those that leave at
// most twice its misfit. A better one counts too that leaves its suspension
// undetermined: that is why it is not the result, and says nothing against its Re.
func (s *search) between(best *trial) float64 {
	if best.pinned > 0 {
		return 0
	}
	const nearly = 2
	counts := func(t *trial) bool {
		if open, ok := t.err.(openError); ok && open.suspension && t.criterion < best.criterion {
			return true
		}
		return t.err == nil && t.misfit <= nearly*best.misfit
	}
	var apart []float64
	for _, t := range s.trials {
		if t != best && counts(t) {
			apart = append(apart, math.Abs(t.p[0]-best.p[0]))
		}
	}
	if len(apart) == 0 {
		return 0
	}
	slices.Sort(apart)
	return apart[len(apart)/2]
}
