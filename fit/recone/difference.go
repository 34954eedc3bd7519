package recone

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/impedance"
)

// A gap is how the curve of one driver differs from another of its kind, which
// a bend of the other's load explains but for noise and scatter.
type gap struct {
	dz      []complex128    // ohm
	noise   []impedance.Cov // of dz
	abs2    []float64       // |Z|^2, to which scatter is in proportion
	misfit  []complex128    // of the load to its curve, ohm
	sources []pair          // shared ones, with what they do to the driver's curve after the other's
}

// newGap takes two curves of one grid, and the load that was fitted to the first.
func newGap(from, to impedance.Curve, load fit.Result) gap {
	g := gap{sources: sharedPairs(from, to)}
	for i, z := range load.Impedances(from.Hz()) {
		g.misfit = append(g.misfit, from.Points[i].Z-z)
	}
	for i, p := range from.Points {
		q := to.Points[i]
		noise := p.Noise.Add(q.Noise)
		// Noise that all but lacks a direction would be lost in rounding.
		const thinnest = 1e-9
		g.noise = append(g.noise, noise.Add(impedance.Circular(thinnest*(noise.RR+noise.II))))
		g.dz = append(g.dz, q.Z-p.Z)
		g.abs2 = append(g.abs2, real(p.Z)*real(p.Z)+imag(p.Z)*imag(p.Z))
	}
	return g
}

// white returns an error at point i in units of its standard deviation, where
// scatter is that of the model relative to |Z|.
func (g gap) white(i int, scatter float64, e complex128) (float64, float64) {
	v := g.noise[i].Add(impedance.Circular(scatter * scatter * g.abs2[i]))
	l := math.Sqrt(v.RR)
	cross := v.RI / l
	a := real(e) / l
	return a, (imag(e) - cross*a) / math.Sqrt(max(v.II-cross*cross, 1e-12*v.II))
}

// chiSquare is that of what is left.
func (g gap) chiSquare(scatter float64, left []complex128) (sum float64) {
	for i, e := range left {
		a, b := g.white(i, scatter, e)
		sum += a*a + b*b
	}
	return sum
}

// leastScatter is what counts as no scatter, relative to |Z|.
const leastScatter = 1e-7

// scatter is that of the model, by which what is left has the chi-square that
// it should have.
func (g gap) scatter(left []complex128, parameters int) float64 {
	dof := float64(max(2*len(left)-parameters, 1))
	if g.chiSquare(leastScatter, left) <= dof {
		return leastScatter
	}
	low, high := leastScatter, 1.0
	for high/low > 1.001 {
		if m := math.Sqrt(low * high); g.chiSquare(m, left) > dof {
			low = m
		} else {
			high = m
		}
	}
	return high
}

// correlationLength is how many neighbouring points count as one, since what a model leaves
// is a wiggle along the curve: 1 + 2 sum of the correlations of what is left, up
// to the first that chance could give.
func (g gap) correlationLength(scatter float64, left []complex128) float64 {
	n := len(left)
	w := make([]complex128, n)
	var power float64
	for i, e := range left {
		a, b := g.white(i, scatter, e)
		w[i] = complex(a, b)
		power += a*a + b*b
	}
	m := 1.0
	if power == 0 {
		return m
	}
	for lag := 1; lag < n/8; lag++ {
		var sum float64
		for i := lag; i < n; i++ {
			sum += real(w[i] * cmplx.Conj(w[i-lag]))
		}
		r := sum / power
		if r < 2/math.Sqrt(2*float64(n)) {
			break
		}
		m += 2 * r
	}
	return m
}

// A solution is the bend that explains a gap best.
type solution struct {
	bend
	x       []float64
	own     *mat.SymDense // covariance of x by noise and scatter
	shared  map[string][]float64
	left    []complex128 // ohm
	scatter float64      // rms relative to |Z|
	length  float64      // of correlation, points
	normal  *mat.SymDense
	chi     float64 // with the priors
}

var errNoBend = errors.New("no change of the load explains the difference of the curves")

// solve finds it from x; scatter and correlation length are those of like, unless it is nil.
// Steps are those of Gauss and Newton, cut in half while they lead uphill.
func (g gap) solve(ctx context.Context, b bend, x []float64, like *solution) (solution, error) {
	const rounds, steps, firstScatter = 4, 12, 0.01
	s := solution{bend: b, x: slices.Clone(x), scatter: firstScatter}
	if like != nil {
		s.scatter = like.scatter
	}
	for range rounds {
		for range steps {
			if ctx.Err() != nil {
				return s, ctx.Err()
			}
			moved, err := g.step(&s, x)
			if err != nil {
				return s, err
			}
			if moved < 1e-3 {
				break
			}
		}
		if like != nil {
			break
		}
		was := s.scatter
		s.scatter = g.scatter(s.left, b.size())
		if math.Abs(s.scatter/was-1) < 0.01 {
			break
		}
	}
	if like != nil {
		s.length = like.length
	} else {
		s.length = g.correlationLength(s.scatter, s.left)
	}
	return s, g.uncertain(&s)
}

// left is what the change dz of s at x leaves of the gap.
func (g gap) left(s *solution, x []float64, dz []complex128) []complex128 {
	carried := s.carried(x, g.misfit)
	left := make([]complex128, len(dz))
	for i := range dz {
		left[i] = g.dz[i] - dz[i] - (carried[i] - g.misfit[i])
	}
	return left
}

// cost is the chi-square of what the bend at x leaves, with the priors about
// origin.
func (g gap) cost(s *solution, x, origin []float64) (float64, []complex128) {
	dz, _ := s.change(x, false)
	left := g.left(s, x, dz)
	sum := g.chiSquare(s.scatter, left)
	for k, p := range s.priors() {
		d := x[k] - s.prior(k, origin)
		sum += p * d * d
	}
	return sum, left
}

// step takes one and returns how far it went, in standard deviations.
func (g gap) step(s *solution, origin []float64) (moved float64, err error) {
	dz, by := s.change(s.x, true)
	normal, slope := g.normal(s, by, g.left(s, s.x, dz))
	for k, p := range s.priors() {
		slope.SetVec(k, slope.AtVec(k)-p*(s.x[k]-s.prior(k, origin)))
	}
	var chol mat.Cholesky
	var d mat.VecDense
	if !chol.Factorize(normal) || chol.SolveVecTo(&d, slope) != nil {
		return 0, errNoBend
	}
	s.normal = normal
	now, rest := g.cost(s, s.x, origin)
	for cut := 1.0; cut > 1e-4; cut /= 2 {
		y := slices.Clone(s.x)
		for k := range y {
			// A longer step leaves what the derivatives are good for.
			y[k] += cut * max(-0.3, min(0.3, d.AtVec(k)))
		}
		if next, better := g.cost(s, y, origin); next <= now {
			s.x, s.left, s.chi = y, better, next
			return math.Sqrt(math.Abs(now - next)), nil
		}
	}
	s.left, s.chi = rest, now
	return 0, nil
}

// normal returns the matrix and the right side of the normal equations for what
// is left, by the derivatives by, with the priors in the matrix.
func (g gap) normal(s *solution, by [][]complex128, left []complex128) (*mat.SymDense, *mat.VecDense) {
	size := len(by)
	sum, slope := make([]float64, size*size), make([]float64, size)
	rows := make([]float64, 2*size)
	for i, e := range left {
		a, b := g.white(i, s.scatter, e)
		for k := range size {
			rows[2*k], rows[2*k+1] = g.white(i, s.scatter, by[k][i])
			slope[k] += rows[2*k]*a + rows[2*k+1]*b
		}
		for k := range size {
			for l := k; l < size; l++ {
				sum[k*size+l] += rows[2*k]*rows[2*l] + rows[2*k+1]*rows[2*l+1]
			}
		}
	}
	for k, p := range s.priors() {
		sum[k*size+k] += p
	}
	return mat.NewSymDense(size, sum), mat.NewVecDense(size, slope)
}

// uncertain works out what makes the solution uncertain.
func (g gap) uncertain(s *solution) error {
	var chol mat.Cholesky
	var inverse mat.SymDense
	if !chol.Factorize(s.normal) || chol.InverseTo(&inverse) != nil {
		return errNoBend
	}
	s.own = mat.NewSymDense(s.size(), nil)
	s.own.ScaleSym(s.length, &inverse)
	s.shared = map[string][]float64{}
	_, by := s.change(s.x, true)
	start := make([]float64, s.size())
	if s.hangs {
		copy(start[s.hangAt():], s.x[s.hangAt():])
		start[s.hangAt()+2] = 0
	}
	_, from := s.change(start, true)
	for _, source := range g.sources {
		// A source moves the load that was bent too, by as much as its curve
		// shows: only what it moves the other curve's further is a change.
		moved, err := g.moved(s, from, source.before)
		if err != nil {
			return err
		}
		lacks, further := slices.Clone(source.before), slices.Clone(source.after)
		for i := range further {
			for k, d := range moved {
				lacks[i] -= from[k][i] * complex(d, 0)
				further[i] -= by[k][i] * complex(d, 0)
			}
		}
		for i, z := range s.carried(s.x, lacks) {
			further[i] -= z
		}
		if s.shared[source.id], err = g.moved(s, by, further); err != nil {
			return err
		}
	}
	return nil
}

// moved is by how much a change dz of a curve moves the parameters.
func (g gap) moved(s *solution, by [][]complex128, dz []complex128) ([]float64, error) {
	normal, slope := g.normal(s, by, dz)
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(normal) || chol.SolveVecTo(&x, slope) != nil {
		return nil, errNoBend
	}
	return x.RawVector().Data, nil
}

// changes returns by how much the quantities differ, as logarithms.
func (s solution) changes() logs {
	at := func(x []float64) []float64 { q := s.quantities(x); return q[:] }
	g := slopes(at, s.x, func(int) float64 { return 1e-5 })
	l := logs{value: s.quantities(s.x), own: through(g, s.own), shared: map[string][]float64{}, hasLe: s.coil != nil}
	for i, unchanged := range s.quantities(make([]float64, s.size())) {
		l.value[i] -= unchanged
	}
	for id, x := range s.shared {
		var d mat.VecDense
		d.MulVec(g, mat.NewVecDense(len(x), x))
		l.shared[id] = d.RawVector().Data
	}
	return l
}
