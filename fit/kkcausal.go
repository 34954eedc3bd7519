package fit

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// What a load may have beyond its fit, chosen by us.
const (
	causalPoles  = 4     // an octave
	causalQ      = 4     // of each
	causalBeyond = 1.5   // octaves that they reach beyond the band
	causalBins   = 48    // an octave, at most, that a curve is taken in
	causalFloor  = 0.002 // standard deviation allowed to each part of ln Z beyond noise
	causalFree   = 1e3   // standard deviation, in units of that of the terms, of a term that is free
)

// causal is what a curve has beyond a fitted load, y = ln(Z/Zfit), with its
// weights, and the causal functions that a load can have of it. Both Z and Zfit
// are positive real, so that y is analytic wherever a causal function is: its
// real part, the level, and its imaginary part, the phase, belong together. A
// level or a phase by itself does not.
//
// Vectors hold a part of each bin after the other: level and phase of the first,
// of the second, and so on, weighted by one over their standard deviation.
type causal struct {
	low    float64 // Hz, of the curve
	high   float64
	hz     []float64
	y      []complex128
	noise  []float64 // variance of each part of y
	weight []float64
	data   []float64

	fitted     []complex128 // Zfit, of each bin
	resonances []Resonance

	terms *mat.Dense // weighted, a column each
	free  []bool
	use   *mat.Dense // terms times the inverse transpose of the Cholesky factor of their normal matrix with its prior
	parts []float64  // of data along the columns of use
	left  []float64  // what the terms leave of data
	dof   float64    // of left
}

// newCausal takes what points leave of the fitted load, whose impedance is
// given, with that of its resonances.
func newCausal(points []impedance.Point, fitted func(hz []float64) []complex128, resonances []Resonance) *causal {
	y, noise := beyond(points, fitted)
	c := binned(points, y, noise)
	c.fitted, c.resonances = fitted(c.hz), resonances
	c.weight = make([]float64, len(c.hz))
	for i, v := range c.noise {
		c.weight[i] = 1 / math.Hypot(causalFloor, math.Sqrt(v))
	}
	c.data = c.column(func(i int) complex128 { return c.y[i] })
	c.choose()
	return c
}

// beyond returns ln(Z/Zfit) at every point, its phase unwrapped, and the
// variance of each part from the noise that the curve states or, where it
// states none, from its scatter.
func beyond(points []impedance.Point, fitted func(hz []float64) []complex128) (y []complex128, noise []float64) {
	y, noise = make([]complex128, len(points)), make([]float64, len(points))
	zfit := fitted(impedance.Curve{Points: points}.Hz())
	silent, turn := true, 0.0
	for i, p := range points {
		m := real(p.Z)*real(p.Z) + imag(p.Z)*imag(p.Z)
		y[i] = cmplx.Log(p.Z / zfit[i])
		if i > 0 {
			turn -= 2 * math.Pi * math.Round((imag(y[i])+turn-imag(y[i-1]))/(2*math.Pi))
			y[i] += complex(0, turn)
		}
		noise[i] = (p.Noise.RR + p.Noise.II) / (2 * m)
		silent = silent && noise[i] == 0
	}
	if silent {
		v := scatter(y)
		for i := range noise {
			noise[i] = v
		}
	}
	return y, noise
}

// scatter returns the variance of each part of y that its second differences
// show: what is smooth drops out of them, and a jump or two do not move their
// median (after J. von Neumann, Annals of Mathematical Statistics 12, 1941).
func scatter(y []complex128) float64 {
	var steps []float64
	for i := 2; i < len(y); i++ {
		d := y[i] - 2*y[i-1] + y[i-2]
		steps = append(steps, real(d)*real(d)/6, imag(d)*imag(d)/6)
	}
	slices.Sort(steps)
	return steps[len(steps)/2] / 0.4549 // the median of chi-square with one degree of freedom
}

// binned takes the points of each bin together, those of less noise for more.
func binned(points []impedance.Point, y []complex128, noise []float64) *causal {
	c := &causal{low: points[0].Hz, high: points[len(points)-1].Hz}
	const leastNoise = 1e-12 // of variance, so that a noiseless point has a weight
	for i := 0; i < len(points); {
		var sum complex128
		var weight, hz float64
		end := points[i].Hz * math.Exp2(1./causalBins)
		from := i
		for ; i < len(points) && (i == from || points[i].Hz < end); i++ {
			w := 1 / (noise[i] + leastNoise)
			sum += complex(w, 0) * y[i]
			hz += w * math.Log(points[i].Hz)
			weight += w
		}
		c.hz = append(c.hz, math.Exp(hz/weight))
		c.y = append(c.y, sum/complex(weight, 0))
		c.noise = append(c.noise, 1/weight)
	}
	return c
}

// column returns a weighted vector.
func (c *causal) column(f func(i int) complex128) []float64 {
	v := make([]float64, 2*len(c.hz))
	for i, w := range c.weight {
		z := f(i)
		v[2*i], v[2*i+1] = w*real(z), w*imag(z)
	}
	return v
}

// choose sets the terms and how large they may be: by the evidence of the data
// (D. J. C. MacKay, Neural Computation 4(3), 415-447, 1992, from memory).
//
// A level of its own and a power of s are free, since fits have them, and so is
// every change of Re, of an inductance and of the fitted resonances. The others
// are resonances all over the band and beside it.
func (c *causal) choose() {
	var columns [][]float64
	c.free = nil
	add := func(free bool, f func(s, fit complex128) complex128) {
		columns = append(columns, c.term(f))
		c.free = append(c.free, free)
	}
	add(true, func(_, _ complex128) complex128 { return 1 })
	add(true, func(s, _ complex128) complex128 { return cmplx.Log(s) })
	add(true, func(_, fit complex128) complex128 { return 1 / fit })
	add(true, func(s, fit complex128) complex128 { return s / fit })
	for _, r := range c.resonances {
		p := poleOf(r)
		add(true, p.in)
		add(true, p.out)
		add(true, func(s, fit complex128) complex128 { return s * p.a / p.d(s) * p.in(s, fit) })
		add(true, func(s, fit complex128) complex128 { return s * p.a / p.d(s) * p.out(s, fit) })
	}
	low, high := math.Log2(c.low)-causalBeyond, math.Log2(c.high)+causalBeyond
	for k := 0.0; low+k/causalPoles <= high; k++ {
		p := pole{complex(2*math.Pi*math.Exp2(low+k/causalPoles), 0), causalQ}
		add(false, func(s, _ complex128) complex128 { return p.in(s, causalQ) })
		add(false, func(s, _ complex128) complex128 { return p.out(s, causalQ) })
	}
	c.terms = mat.NewDense(len(c.data), len(columns), nil)
	for k, v := range columns {
		if c.free[k] {
			scale(v)
		}
		c.terms.SetCol(k, v)
	}
	c.weigh()
}

// term returns the column of a function of s and of the fitted impedance.
func (c *causal) term(f func(s, fit complex128) complex128) []float64 {
	return c.column(func(i int) complex128 { return f(complex(0, 2*math.Pi*c.hz[i]), c.fitted[i]) })
}

// pole is a pair of complex poles: angular frequency in rad/s and quality.
type pole struct{ a, q complex128 }

func poleOf(r Resonance) pole {
	return pole{complex(2*math.Pi*r.Hz.Value, 0), complex(r.Qms.Value, 0)}
}

func (p pole) d(s complex128) complex128 { return s*s + s*p.a/p.q + p.a*p.a }

// in and out are the two terms of a pole, relative to an impedance fit.
func (p pole) in(s, fit complex128) complex128  { return s * p.a / (p.d(s) * fit) }
func (p pole) out(s, fit complex128) complex128 { return p.a * p.a / (p.d(s) * fit) }

// hidden frees the resonance that takes most out of what is left around where
// that is worst: one that the fit has not found. It gives up where ctx ends.
func (c *causal) hidden(ctx context.Context, worstHz float64) {
	const reach = 0.5 // octaves
	best, drop := Resonance{}, 0.0
	for _, hz := range c.hz {
		if ctx.Err() != nil {
			return
		}
		if math.Abs(math.Log2(hz/worstHz)) > reach {
			continue
		}
		for q := 2.0; q < 50; q *= 2 {
			r := Resonance{Hz: quantity.Value{Value: hz}, Qms: quantity.Value{Value: q}}
			p := poleOf(r)
			if d := c.together(c.term(p.in), c.term(p.out)); d > drop {
				best, drop = r, d
			}
		}
	}
	if drop > 0 {
		c.resonances = append(slices.Clip(c.resonances), best)
		c.choose()
	}
}

// scale brings a free term, whose unit means nothing, to the length of one that
// is 1 throughout.
func scale(v []float64) {
	if l := math.Sqrt(dot(v, v) / float64(len(v))); l > 0 {
		for i := range v {
			v[i] /= l
		}
	}
}

// weigh finds the size of the terms and what they leave.
func (c *causal) weigh() {
	_, size := c.terms.Dims()
	normal := mat.NewSymDense(size, nil)
	normal.SymOuterK(1, c.terms.T())
	b := mat.NewVecDense(size, nil)
	b.MulVec(c.terms.T(), mat.NewVecDense(len(c.data), c.data))
	var best mat.Cholesky
	most := math.Inf(-1)
	for sd := 1e-4; sd < 1; sd *= 2 {
		var chol mat.Cholesky
		prior := mat.NewSymDense(size, nil)
		prior.CopySym(normal)
		logs := 0.0
		for k, free := range c.free {
			v := sd * sd
			if free {
				v = causalFree * causalFree
			}
			prior.SetSym(k, k, prior.At(k, k)+1/v)
			logs += math.Log(v)
		}
		if !chol.Factorize(prior) {
			continue
		}
		var x mat.VecDense
		if err := chol.SolveVecTo(&x, b); err != nil {
			continue
		}
		if evidence := mat.Dot(b, &x) - chol.LogDet() - logs; evidence > most {
			most = evidence
			best = chol
		}
	}
	if math.IsInf(most, -1) {
		return
	}
	var lower mat.TriDense
	best.LTo(&lower)
	c.use = mat.DenseCopyOf(c.terms)
	blas64.Trsm(blas.Right, blas.Trans, 1, lower.RawTriangular(), c.use.RawMatrix())
	c.parts = c.along(c.data)
	c.left = slices.Clone(c.data)
	var used float64
	for i := range c.left {
		row := c.use.RawRowView(i)
		c.left[i] -= dot(row, c.parts)
		used += dot(row, row)
	}
	c.dof = float64(len(c.data)) - used
}

// along returns the parts of v along the columns of use.
func (c *causal) along(v []float64) []float64 {
	parts := make([]float64, len(c.free))
	for i, x := range v {
		for k, u := range c.use.RawRowView(i) {
			parts[k] += x * u
		}
	}
	return parts
}

// effect is one error of the curve as it shows beside all that a load can have.
type effect struct{ along, power float64 }

func (e effect) size() float64 { return e.along / e.power }

// drop is what the error takes off chi-square.
func (e effect) drop() float64 { return e.along * e.along / e.power }

// effect returns that of v.
func (c *causal) effect(v []float64) effect {
	parts := c.along(v)
	return effect{dot(v, c.data) - dot(parts, c.parts), dot(v, v) - dot(parts, parts)}
}

// together returns what two errors take off chi-square in common.
func (c *causal) together(v, w []float64) float64 {
	e := c.effect(v)
	if e.power <= 0 {
		return 0
	}
	share := (dot(v, w) - dot(c.along(v), c.along(w))) / e.power
	for i := range w {
		w[i] -= share * v[i]
	}
	f := c.effect(w)
	if f.power <= 0 {
		return e.drop()
	}
	return e.drop() + f.drop()
}

// with returns what the terms and a step of the part by size at bin leave, with
// the step put back.
func (c *causal) with(part, bin int, size float64) []complex128 {
	v := make([]float64, len(c.data))
	for i := bin; i < len(c.hz); i++ {
		v[2*i+part] = size * c.weight[i]
	}
	parts := c.along(v)
	out := make([]complex128, len(c.hz))
	for i, w := range c.weight {
		level := c.left[2*i] + dot(c.use.RawRowView(2*i), parts)
		phase := c.left[2*i+1] + dot(c.use.RawRowView(2*i+1), parts)
		out[i] = complex(level/w, phase/w)
	}
	return out
}

// steps calls found for each bin that a step of the part (0 level, 1 phase)
// may begin at. What it takes are sums from the bin to the end, so that one
// pass from the end makes all.
func (c *causal) steps(part int, found func(bin int, e effect)) {
	const edge = 4 // bins at an end, where a step is not told from noise
	parts := make([]float64, len(c.free))
	var along, power float64
	for i := len(c.hz) - 1; i >= edge; i-- {
		at, w := 2*i+part, c.weight[i]
		along += w * c.data[at]
		power += w * w
		for k, u := range c.use.RawRowView(at) {
			parts[k] += w * u
		}
		if i > len(c.hz)-edge {
			continue
		}
		if outside := power - dot(parts, parts); outside > 1e-9*power {
			found(i, effect{along - dot(parts, c.parts), outside})
		}
	}
}

func dot(a, b []float64) float64 {
	var sum float64
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}
