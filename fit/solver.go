package fit

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// residuals is a least-squares problem: it fills r with the residuals at p
// and row k of jac with their derivatives to p[k]. Weights are its own matter.
type residuals func(p, r []float64, jac [][]float64)

// box bounds parameters from both sides.
type box struct{ low, high []float64 }

func (b box) clamp(k int, x float64) float64 { return min(max(x, b.low[k]), b.high[k]) }

// solver minimizes sums of squares by the Levenberg-Marquardt method. It
// solves every damped step by orthogonal factors, never by normal equations:
//
//	minimize |J h + r|^2 + mu |D h|^2
//
// with Marquardt's scaling, D the largest lengths that the columns of J have
// had, and Nielsen's rule for mu (H. B. Nielsen, "Damping parameter in
// Marquardt's method", IMM-REP-1999-05, from memory). J is reduced once a step
// to its triangle R; trials of mu only meet the small matrix [R; sqrt(mu) D].
//
// A parameter on a side of its box from which the sum falls outwards is left
// where it is for the step (projected steps with an active set: J. Nocedal, S.
// J. Wright, Numerical Optimization, 16.7, from memory).
//
// A solver keeps its memory between problems of the same size. It is not for
// several goroutines at once.
type solver struct {
	n, m int

	p, trial    []float64
	flat, other []float64 // n+1 rows of m: the columns of J, then r
	factors     []float64 // of flat, overwritten by its triangle
	tau, work   []float64
	d, c, h     []float64
	stuck       []bool // on a side of the box
	stacked     blas64.General

	sum float64 // of squares, at p
}

// limits say when to stop: when the part of r that a change of p could still
// take away is at most abs long, or at most rel of the standard deviation of
// what would be left (the relative offset of Bates and Watts). Where r has
// unit variance, abs is in standard uncertainties of p.
type limits struct {
	abs, rel float64
	steps    int
	idle     float64 // also when the sum falls by less than this part of the variance of what is left in idleSteps
	again    bool    // where bold first steps lead astray, begin again with careful ones
}

// idleSteps is how many steps without a gain end a descent.
const idleSteps = 6

func newSolver(n, m int) *solver {
	s := &solver{
		n: n, m: m,
		p: make([]float64, n), trial: make([]float64, n),
		flat: make([]float64, (n+1)*m), other: make([]float64, (n+1)*m), factors: make([]float64, (n+1)*m),
		tau: make([]float64, n+1),
		d:   make([]float64, n), c: make([]float64, n), h: make([]float64, n),
		stuck: make([]bool, n),
	}
	s.stacked = blas64.General{Rows: 2*n + 1, Cols: n + 1, Stride: n + 1, Data: make([]float64, (2*n+1)*(n+1))}
	var long, short [1]float64
	lapack64.Gelqf(s.general(), s.tau, long[:], -1)
	lapack64.Geqrf(s.stacked, s.tau, short[:], -1)
	s.work = make([]float64, int(max(long[0], short[0])))
	return s
}

// general is the matrix [J r] transposed, so that gonum's rows run along its
// long side: the lower triangle of its LQ factors is the transpose of R.
func (s *solver) general() blas64.General {
	return blas64.General{Rows: s.n + 1, Cols: s.m, Stride: s.m, Data: s.factors}
}

func (s *solver) split(flat []float64) (r []float64, jac [][]float64) {
	jac = make([][]float64, s.n)
	for k := range jac {
		jac[k] = flat[k*s.m : (k+1)*s.m]
	}
	return flat[s.n*s.m:], jac
}

// reduce brings J and r at p down to R, kept in factors, and c = Q'r.
// It returns |c| and the squares that no change of p can take away.
func (s *solver) reduce() (offset, rest float64) {
	copy(s.factors, s.flat)
	lapack64.Gelqf(s.general(), s.tau, s.work, len(s.work))
	last := s.factors[s.n*s.m:]
	copy(s.c, last[:s.n])
	for _, x := range s.c {
		offset += x * x
	}
	return math.Sqrt(offset), last[s.n] * last[s.n]
}

// r returns element (i, k) of R, i <= k.
func (s *solver) r(i, k int) float64 { return s.factors[k*s.m+i] }

// minimize starts from p, which it does not change, and leaves its answer in
// s.p. It reports whether it met the limits, which it gives up once ctx has ended.
func (s *solver) minimize(ctx context.Context, f residuals, p []float64, in box, lim limits) bool {
	return s.descend(ctx, f, p, in, lim, 1e-3) || lim.again && s.descend(ctx, f, p, in, lim, 1e3)
}

func (s *solver) descend(ctx context.Context, f residuals, p []float64, in box, lim limits, mu float64) bool {
	for k, x := range p {
		s.p[k] = in.clamp(k, x)
	}
	res, jac := s.split(s.flat)
	f(s.p, res, jac)
	trialRes, trialJac := s.split(s.other)
	s.sum = dot(res, res)
	if !(s.sum <= math.MaxFloat64) {
		return false
	}
	if s.n == 0 {
		return true
	}
	clear(s.d)
	nu := 2.0
	fresh := true
	var offset, rest float64
	mark := s.sum
	for step := range lim.steps {
		if ctx.Err() != nil {
			return false
		}
		if fresh {
			if offset, rest = s.prepare(in); s.met(offset, rest, lim) {
				return true
			}
			fresh = false
		}
		if step%idleSteps == idleSteps-1 {
			if mark-s.sum < lim.idle*s.sum/float64(max(s.m-s.n, 1)) {
				return true
			}
			mark = s.sum
		}
		if !s.damped(mu) {
			return false
		}
		moved := false
		for k := range s.p {
			s.trial[k] = in.clamp(k, s.p[k]+s.h[k])
			s.h[k] = s.trial[k] - s.p[k]
			moved = moved || s.h[k] != 0
		}
		if !moved {
			break
		}
		gain := -1.0
		sum := math.Inf(1)
		if promise := s.promise(); promise > 0 {
			f(s.trial, trialRes, trialJac)
			sum = dot(trialRes, trialRes)
			gain = (s.sum - sum) / promise
		}
		if !(gain > 0) {
			mu *= nu
			nu *= 2
			if mu > 1e30 {
				break
			}
			continue
		}
		mu *= max(1.0/3, 1-math.Pow(2*gain-1, 3))
		nu = 2
		s.sum = sum
		s.p, s.trial = s.trial, s.p
		s.flat, s.other = s.other, s.flat
		res, trialRes, jac, trialJac = trialRes, res, trialJac, jac
		fresh = true
	}
	if fresh {
		offset, rest = s.prepare(in)
	}
	// Where rounding ends the descent early the answer stands if what is
	// left to gain is well below its uncertainty.
	return s.met(offset, rest, limits{abs: lim.abs, rel: max(lim.rel, 1e-5)})
}

// prepare reduces J at p, finds what is stuck and scales. It returns the length
// of what a change of the free parameters could take away and the squares that
// no change can.
func (s *solver) prepare(in box) (offset, rest float64) {
	offset, rest = s.reduce()
	for k := range s.d {
		l, slope := 0.0, 0.0
		for i := 0; i <= k; i++ {
			l += s.r(i, k) * s.r(i, k)
			slope += s.r(i, k) * s.c[i]
		}
		s.d[k] = max(s.d[k], math.Sqrt(l))
		if s.d[k] == 0 {
			s.d[k] = 1
		}
		s.stuck[k] = s.p[k] <= in.low[k] && slope >= 0 || s.p[k] >= in.high[k] && slope <= 0
	}
	if slices.Contains(s.stuck, true) {
		offset = s.freeOffset()
	}
	return offset, rest
}

// promise is by how much the sum would fall at the step h if the problem were
// straight: |c|^2 - |R h + c|^2.
func (s *solver) promise() (fall float64) {
	for i := range s.n {
		x := s.c[i]
		for k := i; k < s.n; k++ {
			x += s.r(i, k) * s.h[k]
		}
		fall += s.c[i]*s.c[i] - x*x
	}
	return fall
}

func (s *solver) met(offset, rest float64, lim limits) bool {
	return offset <= lim.abs || s.m > s.n && offset <= lim.rel*math.Sqrt(rest/float64(s.m-s.n))
}

// stack brings [R; sqrt(mu) D] to its triangle, parameters that are stuck held
// at a step of 0. The right-hand side goes along as a last column, so that its
// transform lies beside the triangle.
func (s *solver) stack(mu float64) {
	n, a := s.n, s.stacked
	clear(a.Data)
	for i := range n {
		for k := i; k < n; k++ {
			if !s.stuck[k] {
				a.Data[i*a.Stride+k] = s.r(i, k)
			}
		}
		a.Data[i*a.Stride+n] = -s.c[i]
		a.Data[(n+i)*a.Stride+i] = math.Sqrt(mu) * s.d[i]
		if s.stuck[i] {
			a.Data[(n+i)*a.Stride+i] = s.d[i]
		}
	}
	lapack64.Geqrf(a, s.tau, s.work, len(s.work))
}

// freeOffset is the length of the part of r that the free parameters could
// still take away.
func (s *solver) freeOffset() (offset float64) {
	s.stack(0)
	for i := range s.n {
		x := s.stacked.Data[i*s.stacked.Stride+s.n]
		offset += x * x
	}
	return math.Sqrt(offset)
}

// damped solves for the step h at damping mu.
func (s *solver) damped(mu float64) bool {
	n, a := s.n, s.stacked
	s.stack(mu)
	for i := n - 1; i >= 0; i-- {
		x := a.Data[i*a.Stride+n]
		for k := i + 1; k < n; k++ {
			x -= a.Data[i*a.Stride+k] * s.h[k]
		}
		s.h[i] = x / a.Data[i*a.Stride+i]
		if math.IsNaN(s.h[i]) || math.IsInf(s.h[i], 0) {
			return false
		}
	}
	return true
}
