package recone

import (
	"errors"
	"maps"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// A bend is a fitted load whose parts are changed: the model of what one curve
// has and another of the same driver has not. Its parameters are
//
//	ln Re, then ln fs, ln Qms and ln Res of each resonance, all against the
//	load's; ln of the size of the coil at 1 kHz and the exponent t of (s/s0)^t
//	by which the coil is steeper; and with a part that hangs, ln of its
//	frequency and of its Q by itself, and its mass against the rest of the cone
//
// which asks nothing of the load but its parts and their impedance, whatever
// models of coil and suspension package fit may have.
type bend struct {
	load  fit.Result
	hz    []float64
	coil  []complex128 // ohm; nil where the load has none
	hangs bool         // a part hangs on what the main resonance moves
}

const coilHz = 1000 // where the coil is quoted

func newBend(load fit.Result, hz []float64) bend {
	b := bend{load: load, hz: hz}
	if load.Coil.Kind != fit.NoCoil {
		alone := coilAlone(load)
		b.coil = alone.Impedances(hz)
	}
	return b
}

// coilAlone is the coil of a load and nothing else of it.
func coilAlone(load fit.Result) fit.Result { return fit.Result{Coil: load.Coil} }

func (b bend) coilAt() int { return 1 + 3*len(b.load.Resonances) }

// hangAt is the index of the first parameter of what hangs.
func (b bend) hangAt() int {
	if b.coil == nil {
		return b.coilAt()
	}
	return b.coilAt() + 2
}

func (b bend) size() int {
	if b.hangs {
		return b.hangAt() + 3
	}
	return b.hangAt()
}

// resonances are those of the load at x.
func (b bend) resonances(x []float64) []fit.Resonance {
	all := slices.Clone(b.load.Resonances)
	for k := range all {
		m, at := &all[k], 1+3*k
		m.Hz.Value *= math.Exp(x[at])
		m.Qms.Value *= math.Exp(x[at+1])
		m.Res.Value *= math.Exp(x[at+2])
	}
	return all
}

// motion is what the resonances of the load add at x, at every frequency, in ohm.
func (b bend) motion(x []float64) []complex128 {
	r := b.load
	r.Re, r.Coil, r.Resonances = quantity.Value{}, fit.Coil{}, b.resonances(x)
	z := r.Impedances(b.hz)
	if !b.hangs {
		return z
	}
	main := mainResonance(b.load)
	h := b.hanging(x)
	// Whatever else the load is made of is in both.
	r.Resonances = slices.Delete(slices.Clone(r.Resonances), main, main+1)
	others := r.Impedances(b.hz)
	for i, f := range b.hz {
		free := z[i] - others[i]
		z[i] += 1/(1/free+h.admittance(f)) - free
	}
	return z
}

// A hanging part is a mass on a spring and a damper, as the coil sees it.
type hanging struct {
	farad float64 // its mass
	hz, q float64 // by itself, on a cone that is held
}

// hanging is that at x. A cone seen through the coil is a capacitor of Qms/(w Res).
func (b bend) hanging(x []float64) hanging {
	m := b.resonances(x)[mainResonance(b.load)]
	h := b.hangAt()
	return hanging{x[h+2] * m.Qms.Value / (2 * math.Pi * m.Hz.Value * m.Res.Value), math.Exp(x[h]), math.Exp(x[h+1])}
}

// admittance is that at a frequency, in siemens: mass and spring in a row,
// s C (w0^2 + s w0/q)/(s^2 + s w0/q + w0^2).
func (h hanging) admittance(hz float64) complex128 {
	u := hz / h.hz
	carried := complex(1, u/h.q)
	return complex(0, 2*math.Pi*hz*h.farad) * carried / (carried - complex(u*u, 0))
}

// main is the main resonance at x, by the impedance about it: with what hangs,
// its frequency is where the admittance is real, Res what that is there, and Qms
// half of the relative slope of the susceptance.
func (b bend) main(x []float64) fit.Resonance {
	m := b.resonances(x)[mainResonance(b.load)]
	if !b.hangs {
		return m
	}
	h := b.hanging(x)
	y := func(hz float64) complex128 {
		return complex(1, m.Qms.Value*(hz/m.Hz.Value-m.Hz.Value/hz))/complex(m.Res.Value, 0) + h.admittance(hz)
	}
	const near = 1e-5
	slope := func(hz float64) float64 { // by ln f
		return (imag(y(hz*(1+near))) - imag(y(hz*(1-near)))) / (2 * near)
	}
	hz := m.Hz.Value / math.Sqrt(1+x[b.hangAt()+2])
	for range 20 {
		hz *= math.Exp(max(-0.1, min(0.1, -imag(y(hz))/slope(hz))))
	}
	g := real(y(hz))
	m.Hz.Value, m.Res.Value, m.Qms.Value = hz, 1/g, slope(hz)/(2*g)
	return m
}

// steeper is (s/s0)^t with s0 = 2 pi coilHz, a positive number.
func steeper(hz, t float64) complex128 {
	return cmplx.Exp(complex(t, 0) * steepening(hz))
}

// steepening is ln(s/s0).
func steepening(hz float64) complex128 { return complex(math.Log(hz/coilHz), math.Pi/2) }

// change is by how many ohms the load at x differs from the load, at every
// frequency, and its derivatives to x by column where they are wanted.
func (b bend) change(x []float64, derivatives bool) (dz []complex128, by [][]complex128) {
	n := len(b.hz)
	dz = make([]complex128, n)
	zero := make([]float64, b.size())
	before, after := b.motion(zero), b.motion(x)
	re := b.load.Re.Value
	for i := range dz {
		dz[i] = after[i] - before[i] + complex(re*math.Expm1(x[0]), 0)
	}
	var scaled []complex128
	if c := b.coilAt(); b.coil != nil {
		scaled = make([]complex128, n)
		for i, z := range b.coil {
			scaled[i] = z * complex(math.Exp(x[c]), 0) * steeper(b.hz[i], x[c+1])
			dz[i] += scaled[i] - z
		}
	}
	if !derivatives {
		return dz, nil
	}
	by = make([][]complex128, b.size())
	column := func(k int, of func(i int) complex128) {
		by[k] = make([]complex128, n)
		for i := range by[k] {
			by[k][i] = of(i)
		}
	}
	column(0, func(int) complex128 { return complex(re*math.Exp(x[0]), 0) })
	for k := 1; k < b.size(); k++ {
		if k >= b.coilAt() && k < b.hangAt() {
			continue
		}
		const h = 1e-4
		y := slices.Clone(x)
		y[k] = x[k] + h
		up := b.motion(y)
		y[k] = x[k] - h
		down := b.motion(y)
		column(k, func(i int) complex128 { return (up[i] - down[i]) / (2 * h) })
	}
	if c := b.coilAt(); b.coil != nil {
		column(c, func(i int) complex128 { return scaled[i] })
		column(c+1, func(i int) complex128 { return scaled[i] * steepening(b.hz[i]) })
	}
	return dz, by
}

// What a change is beforehand, as standard deviations of the parameters: wide,
// so that they only settle what the curves leave open. Ours, no source.
const (
	wideRe, wideHz, wideQ, wideRes = 0.5, 0.5, 1, 1
	wideCoil, wideSteep            = 1, 0.3
	wideHang                       = 1 // of frequency, Q and mass about where they were found
)

// priors are the inverse variances of the parameters beforehand.
func (b bend) priors() []float64 {
	var p []float64
	add := func(wide ...float64) {
		for _, w := range wide {
			p = append(p, 1/(w*w))
		}
	}
	add(wideRe)
	for range b.load.Resonances {
		add(wideHz, wideQ, wideRes)
	}
	if b.coil != nil {
		add(wideCoil, wideSteep)
	}
	if b.hangs {
		add(wideHang, wideHang, wideHang)
	}
	return p
}

// A gap is how the curve of one driver differs from another of its kind, which
// a bend of the other's load explains but for noise and scatter.
type gap struct {
	dz      []complex128      // ohm
	noise   []impedance.Cov   // of dz
	abs2    []float64         // |Z|^2, to which scatter is in proportion
	misfit  []complex128      // of the load to its curve, ohm
	sources map[string]source // shared ones, by ID
}

// source is what one standard uncertainty of a shared source does to either
// curve, ohm.
type source struct{ from, to []complex128 }

// newGap takes two curves of one grid, and the load that was fitted to the first.
func newGap(from, to impedance.Curve, load fit.Result) gap {
	g := gap{sources: map[string]source{}}
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
	for _, s := range sharedPairs(from, to) {
		var d source
		for i := range g.dz {
			d.from, d.to = append(d.from, s.before(i)), append(d.to, s.after(i))
		}
		g.sources[s.id()] = d
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

// memory is how many neighbouring points count as one, since what a model leaves
// is a wiggle along the curve: 1 + 2 sum of the correlations of what is left, up
// to the first that chance could give.
func (g gap) memory(scatter float64, left []complex128) float64 {
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
	memory  float64      // points
	normal  *mat.SymDense
	chi     float64 // with the priors
}

var errNoBend = errors.New("no change of the load explains the difference of the curves")

// solve finds it from x; scatter and memory are those of like, unless it is nil.
// Steps are those of Gauss and Newton, cut in half while they lead uphill.
func (g gap) solve(b bend, x []float64, like *solution) (solution, error) {
	const rounds, steps, firstScatter = 4, 12, 0.01
	s := solution{bend: b, x: slices.Clone(x), scatter: firstScatter}
	if like != nil {
		s.scatter = like.scatter
	}
	for range rounds {
		for range steps {
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
		s.memory = like.memory
	} else {
		s.memory = g.memory(s.scatter, s.left)
	}
	if err := g.uncertain(&s); err != nil {
		return s, err
	}
	return s, nil
}

// carried is what the load lacks, misfit, where the resonance has gone to: it is
// of the resonance within an octave or so of it, and moves and grows with that.
func (b bend) carried(x []float64, misfit []complex128) []complex128 {
	was, is := b.load.Resonances[mainResonance(b.load)], b.main(x)
	up, more := math.Log(is.Hz.Value/was.Hz.Value), math.Log(is.Res.Value/was.Res.Value)
	hz := math.Sqrt(was.Hz.Value * is.Hz.Value)
	out := make([]complex128, len(misfit))
	for i, f := range b.hz {
		octaves := math.Log2(f / hz)
		own := 1 / (1 + octaves*octaves*octaves*octaves)
		out[i] = b.between(misfit, f*math.Exp(-own*up)) * complex(math.Exp(own*more), 0)
	}
	return out
}

// between returns z at hz, between the points of b by ln f, or at its end.
func (b bend) between(z []complex128, hz float64) complex128 {
	i, found := slices.BinarySearch(b.hz, hz)
	switch {
	case found:
		return z[i]
	case i == 0:
		return z[0]
	case i == len(z):
		return z[i-1]
	}
	part := math.Log(hz/b.hz[i-1]) / math.Log(b.hz[i]/b.hz[i-1])
	return z[i-1] + complex(part, 0)*(z[i]-z[i-1])
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

// prior is what parameter k is expected to be: no change, and what hangs
// where it was found.
func (b bend) prior(k int, origin []float64) float64 {
	if b.hangs && k >= b.hangAt() {
		return origin[k]
	}
	return 0
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
	s.own.ScaleSym(s.memory, &inverse)
	s.shared = map[string][]float64{}
	_, by := s.change(s.x, true)
	start := make([]float64, s.size())
	if s.hangs {
		copy(start[s.hangAt():], s.x[s.hangAt():])
		start[s.hangAt()+2] = 0
	}
	_, from := s.change(start, true)
	for _, id := range slices.Sorted(maps.Keys(g.sources)) {
		// A source moves the load that was bent too, by as much as its curve
		// shows: only what it moves the other curve's further is a change.
		source := g.sources[id]
		moved, err := g.moved(s, from, source.from)
		if err != nil {
			return err
		}
		lacks, further := slices.Clone(source.from), slices.Clone(source.to)
		for i := range further {
			for k, d := range moved {
				lacks[i] -= from[k][i] * complex(d, 0)
				further[i] -= by[k][i] * complex(d, 0)
			}
		}
		for i, z := range s.carried(s.x, lacks) {
			further[i] -= z
		}
		if s.shared[id], err = g.moved(s, by, further); err != nil {
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

// quantities returns the logarithms of the quantities of the main resonance, of
// Re and of the coil at x. Those of the extremes and of the mass are 0.
func (b bend) quantities(x []float64) (q [quantities]float64) {
	m := b.main(x)
	re, qms, res := b.load.Re.Value*math.Exp(x[0]), m.Qms.Value, m.Res.Value
	qes := qms * re / res
	for i, v := range map[int]float64{qRe: re, qFs: m.Hz.Value, qQms: qms, qRes: res, qQes: qes, qQts: qms * qes / (qms + qes)} {
		q[i] = math.Log(v)
	}
	if b.coil != nil {
		c := b.coilAt()
		alone := coilAlone(b.load)
		z := alone.Impedance(coilHz) * complex(math.Exp(x[c]), 0) * steeper(coilHz, x[c+1])
		q[qLe] = math.Log(max(imag(z), math.SmallestNonzeroFloat64))
	}
	return q
}

// changes returns by how much the quantities differ, as logarithms.
func (s solution) changes() logs {
	at := func(x []float64) [quantities]float64 { return s.quantities(x) }
	zero := at(make([]float64, s.size()))
	l := logs{value: at(s.x), own: mat.NewSymDense(quantities, nil), shared: map[string][]float64{}, hasLe: s.coil != nil}
	for i := range l.value {
		l.value[i] -= zero[i]
	}
	g := mat.NewDense(quantities, s.size(), nil)
	for k := range s.x {
		const h = 1e-5
		x := slices.Clone(s.x)
		x[k] = s.x[k] + h
		up := at(x)
		x[k] = s.x[k] - h
		down := at(x)
		for i := range up {
			g.Set(i, k, (up[i]-down[i])/(2*h))
		}
	}
	var both mat.Dense
	both.Product(g, s.own, g.T())
	for i := range quantities {
		for k := i; k < quantities; k++ {
			l.own.SetSym(i, k, both.At(i, k))
		}
	}
	for id, x := range s.shared {
		var d mat.VecDense
		d.MulVec(g, mat.NewVecDense(len(x), x))
		l.shared[id] = d.RawVector().Data
	}
	return l
}
