package recone

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/impedance"
)

// extreme is the lowest or highest |Z| of a curve as a weighted sum of the
// moduli of its points.
type extreme struct {
	first   int // point that the first weight is of
	weights []float64
	ohm     float64
}

// What belongs to a parabola about an extreme: at most this many points to
// either side, and none whose |Z| is off by more than this part, since a peak is
// a parabola at its top alone.
const (
	besideExtreme = 3
	parabolic     = 0.03
)

// extremeOf returns the least (sign 1) or greatest (sign -1) |Z| of c from low to
// high hertz, by a parabola through the neighbours of that point; ok is false
// where there is no point.
func extremeOf(c impedance.Curve, low, high, sign float64) (e extreme, ok bool) {
	best := -1
	modulus := func(i int) float64 { return cmplx.Abs(c.Points[i].Z) }
	for i, p := range c.Points {
		if p.Hz >= low && p.Hz <= high && (best < 0 || sign*modulus(i) < sign*modulus(best)) {
			best = i
		}
	}
	if best < 0 {
		return e, false
	}
	from, to := best, best
	for range besideExtreme {
		if from > 0 && math.Abs(modulus(from-1)/modulus(best)-1) < parabolic {
			from--
		}
		if to+1 < len(c.Points) && math.Abs(modulus(to+1)/modulus(best)-1) < parabolic {
			to++
		}
	}
	if from == best || to == best || to-from < 2 {
		return extreme{best, []float64{1}, modulus(best)}, true
	}
	return vertex(c, best, from, to), true
}

// vertex fits |Z| over ln f by a parabola, and returns its value at the vertex,
// or at best where that lies outside. The vertex is flat, so that its place adds
// nothing to first order.
func vertex(c impedance.Curve, best, from, to int) extreme {
	n := to - from + 1
	j, y := mat.NewDense(n, 3, nil), mat.NewVecDense(n, nil)
	x := func(i int) float64 { return math.Log(c.Points[i].Hz / c.Points[best].Hz) }
	scale := max(-x(from), x(to))
	for i := range n {
		t := x(from+i) / scale
		j.SetRow(i, []float64{1, t, t * t})
		y.SetVec(i, cmplx.Abs(c.Points[from+i].Z))
	}
	var pseudo, normal mat.Dense
	normal.Mul(j.T(), j)
	if pseudo.Solve(&normal, j.T()) != nil {
		return extreme{best, []float64{1}, cmplx.Abs(c.Points[best].Z)}
	}
	var a mat.VecDense
	a.MulVec(&pseudo, y)
	at := -a.AtVec(1) / (2 * a.AtVec(2))
	if !(at > x(from)/scale && at < x(to)/scale) {
		at = 0
	}
	e := extreme{first: from, weights: make([]float64, n)}
	for i := range n {
		e.weights[i] = pseudo.At(0, i) + at*(pseudo.At(1, i)+at*pseudo.At(2, i))
		e.ohm += e.weights[i] * y.AtVec(i)
	}
	return e
}

// noise is the relative variance of e by the noise of c, and by scatter relative
// to |Z| where c states none.
func (e extreme) noise(c impedance.Curve, scatter float64) (v float64) {
	for k, w := range e.weights {
		p := c.Points[e.first+k]
		along := p.Noise.Along(p.Z)
		if p.Noise.RR+p.Noise.II == 0 {
			along = scatter * scatter / 2 * real(p.Z*cmplx.Conj(p.Z))
		}
		v += w * w * along
	}
	return v / (e.ohm * e.ohm)
}

// shift is the relative change of e by one standard uncertainty of a source.
func (e extreme) shift(c impedance.Curve, s impedance.Source) (d float64) {
	for k, w := range e.weights {
		i := e.first + k
		z := c.Points[i].Z
		d += w * real(s.DZ[i]*cmplx.Conj(z)) / cmplx.Abs(z)
	}
	return d / e.ohm
}

// putExtremes replaces the lowest and highest |Z| in the logarithms of a side by
// those of its points: above the first resonance of the load that was bent, which
// has moved with the main one, and about that, so that both sides are read at the
// same. Where the curve has none of these, they stay those of its load.
func putExtremes(l *logs, c impedance.Curve, bent fit.Result, scatter float64) {
	main, last := math.Exp(l.value[qFs]), c.Points[len(c.Points)-1].Hz
	for _, x := range []struct {
		at              int
		low, high, sign float64
	}{
		{qMin, bent.Resonances[0].Hz.Value * main / mainHz(bent), last, 1},
		{qMax, main / 1.5, main * 1.5, -1},
	} {
		e, ok := extremeOf(c, x.low, x.high, x.sign)
		if !ok {
			continue
		}
		l.value[x.at] = math.Log(e.ohm)
		for k := range quantities {
			l.own.SetSym(x.at, k, 0)
		}
		l.own.SetSym(x.at, x.at, e.noise(c, scatter))
		for _, d := range l.shared {
			d[x.at] = 0
		}
		for _, s := range c.Shared {
			d := slices.Clone(by(l.shared, s.ID).RawVector().Data)
			d[x.at] = e.shift(c, s)
			l.shared[s.ID] = d
		}
	}
}
