package ratio

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

const (
	// Up to this degree the polynomial through a neighbourhood goes; from
	// there on its coefficients cost more than they give.
	mostDegree = 8

	// degreePays is by how much |z|^2 a further degree must lower the misfit.
	// With 1 for noise alone and an effect on the value in the middle of at
	// most 0.1 z standard uncertainties (degree 8 over seven cells), what a
	// coefficient that is left out does stays below a fifth of one.
	degreePays = 2.0

	// The rational curve is asked for where the polynomial leaves so many
	// standard deviations more than noise explains.
	misfitSure = 5.0

	poleDegree  = 2   // of the rational curve's denominator
	zeroDegree  = 4   // of its numerator
	poleRounds  = 4   // of reweighting
	nearestPole = 1.0 // strips from the real axis
)

// strip is a piece of a cell, down to a single line, whose mean ratio a smooth
// curve is fitted to: small enough that the mean is the value at its centre.
type strip struct {
	lo, hi int // signal lines

	x     float64 // centre by energy, as a number of signal lines
	g     complex128
	noise float64 // variance, E|e|^2
	share float64 // of the energy of its cell

	differs []complex128 // by what the periods differ; see bursts
}

// smooth is a smooth curve fitted to strips by least squares, each with the
// inverse of its variance as its weight.
type smooth interface {
	value(x float64) complex128

	// variance is that of a sum of values, sum weight p(x).
	variance(x, weight []float64) float64

	misfit() (chi2 float64, free int) // sum |g - p|^2/noise over the strips, and its degrees of freedom (complex)
}

// smoothThrough returns the smooth curve through strips near at, decided by the data:
// the polynomial of the degree that pays, or, where that leaves more than noise
// explains, a quotient of two polynomials if it leaves less. A resonance of
// whatever Q is such a quotient, of degree 2 over 2; to a polynomial its poles,
// f/2Q beside the real axis, are a wall, within which alone it converges.
func smoothThrough(strips []strip, at float64) smooth {
	p := polynomialOf(strips, at)
	chi2, free := p.misfit()
	if free == 0 || chi2 < float64(free)+misfitSure*math.Sqrt(float64(free)) {
		return p
	}
	q, ok := rationalOf(strips, at)
	if !ok {
		return p
	}
	if other, f := q.misfit(); other+degreePays*float64(free-f) < chi2 {
		return q
	}
	return p
}

// polynomial is sum c_q phi_q(t), t = (x - at)/scale, with the polynomials phi
// orthogonal under the strips' weights (G. E. Forsythe, J. SIAM 5(2), 74-88,
// 1957): the estimates
//
//	c_q = sum w phi_q g / H_q,  H_q = sum w phi_q^2,  w = 1/noise,
//
// are independent, of variance 1/H_q, so that each degree is tested by itself,
// |z|^2 = |c_q|^2 H_q being 1 in the mean where there is noise alone.
type polynomial struct {
	at, scale float64
	powers    []complex128 // of t, the same polynomial
	phi       [mostDegree + 1][mostDegree + 1]float64
	h         [mostDegree + 1]float64
	chi2      float64
	free      int
}

func polynomialOf(strips []strip, at float64) polynomial {
	p := polynomial{at: at, scale: 1}
	for _, s := range strips {
		p.scale = max(p.scale, math.Abs(s.x-at))
	}
	n := len(strips)
	now, before := make([]float64, n), make([]float64, n)
	t := make([]float64, n)
	for i, s := range strips {
		t[i], now[i] = (s.x-at)/p.scale, 1
		p.chi2 += abs2(s.g) / s.noise
	}
	// A curve of so few strips that it went through them would say nothing.
	top := min(mostDegree, n/2)
	var c [mostDegree + 1]complex128
	p.phi[0][0] = 1
	gains, gained, degree, left := 0.0, math.Inf(-1), 0, p.chi2
	for q := 0; q <= top; q++ {
		var sum complex128
		var h, th float64
		for i, s := range strips {
			w := now[i] / s.noise
			sum += complex(w, 0) * s.g
			h += w * now[i]
			th += w * now[i] * t[i]
		}
		p.h[q], c[q] = h, sum/complex(h, 0)
		gains += abs2(c[q])*h - degreePays
		left -= abs2(c[q]) * h
		if gains > gained {
			gained, degree = gains, q
			p.chi2 = left
		}
		if q == top {
			break
		}
		// phi_(q+1) = (t - alpha) phi_q - beta phi_(q-1)
		alpha, beta := th/h, 0.0
		if q > 0 {
			beta = h / p.h[q-1]
		}
		for i := range now {
			now[i], before[i] = (t[i]-alpha)*now[i]-beta*before[i], now[i]
		}
		for j := 0; j <= q; j++ {
			p.phi[q+1][j+1] += p.phi[q][j]
			p.phi[q+1][j] -= alpha * p.phi[q][j]
			if q > 0 {
				p.phi[q+1][j] -= beta * p.phi[q-1][j]
			}
		}
	}
	p.powers = make([]complex128, degree+1)
	for q := range p.powers {
		for j := 0; j <= q; j++ {
			p.powers[j] += c[q] * complex(p.phi[q][j], 0)
		}
	}
	p.free = n - degree - 1
	p.chi2 = misfitOf(strips, p) // once more, since a difference of large sums has lost digits
	return p
}

func (p polynomial) value(x float64) complex128 { return horner(p.powers, (x-p.at)/p.scale) }

func (p polynomial) variance(x, weight []float64) (v float64) {
	for q := range p.powers {
		var row float64
		for i := range x {
			t, y := (x[i]-p.at)/p.scale, 0.0
			for j := q; j >= 0; j-- {
				y = y*t + p.phi[q][j]
			}
			row += weight[i] * y
		}
		v += row * row / p.h[q]
	}
	return v
}

func (p polynomial) misfit() (float64, int) { return p.chi2, p.free }

func horner(powers []complex128, t float64) (y complex128) {
	for j := len(powers) - 1; j >= 0; j-- {
		y = complex(real(y)*t, imag(y)*t) + powers[j]
	}
	return y
}

func misfitOf(strips []strip, p smooth) (chi2 float64) {
	for _, s := range strips {
		chi2 += abs2(s.g-p.value(s.x)) / s.noise
	}
	return chi2
}

// rational is A(t)/D(t), D = 1 + d_1 t + d_2 t^2: the local rational model of
// T. McKelvey, G. Guerin (IFAC SYSID 2012; from memory). The sum
//
//	sum w |A(t) - D(t) g|^2 / |D|^2
//
// is linear in the unknowns but for the weight, which the round before gives
// (C. K. Sanathanan, J. Koerner, IEEE Trans. Autom. Control 8(1), 56-58, 1963).
type rational struct {
	at, scale float64
	num, den  []complex128
	qr        mat.QR // of the weighted derivatives of the values by the unknowns
	chi2      float64
	free      int
}

// rationalOf reports false where there are too few strips, or where a pole
// comes so near the lines that it would be one line's own: a tone, no
// resonance.
func rationalOf(strips []strip, at float64) (*rational, bool) {
	const unknowns = zeroDegree + 1 + poleDegree
	if len(strips) < unknowns+3 {
		return nil, false
	}
	r := &rational{at: at, scale: 1, den: []complex128{1}}
	for _, s := range strips {
		r.scale = max(r.scale, math.Abs(s.x-at))
	}
	narrowest := math.Inf(1)
	rhs := mat.NewVecDense(2*len(strips), nil)
	for range poleRounds {
		a := mat.NewDense(2*len(strips), 2*unknowns, nil)
		for i, s := range strips {
			t := (s.x - at) / r.scale
			w := complex(1/math.Sqrt(s.noise), 0) / horner(r.den, t)
			narrowest = min(narrowest, float64(s.hi-s.lo+1))
			embed(a, i, r.row(t, w, s.g*w))
			rhs.SetVec(2*i, real(w*s.g))
			rhs.SetVec(2*i+1, imag(w*s.g))
		}
		var qr mat.QR
		qr.Factorize(a)
		var x mat.VecDense
		if err := qr.SolveVecTo(&x, false, rhs); err != nil {
			return nil, false
		}
		theta := make([]complex128, unknowns)
		for j := range theta {
			theta[j] = complex(x.AtVec(2*j), x.AtVec(2*j+1))
		}
		r.num, r.den = theta[:zeroDegree+1], append([]complex128{1}, theta[zeroDegree+1:]...)
	}
	for _, pole := range quadraticRoots(r.den) {
		if math.Abs(real(pole)) < 1.2 && math.Abs(imag(pole))*r.scale < nearestPole*narrowest {
			return nil, false
		}
	}
	j := mat.NewDense(2*len(strips), 2*unknowns, nil)
	for i, s := range strips {
		t := (s.x - at) / r.scale
		d := complex(1/math.Sqrt(s.noise), 0) / horner(r.den, t)
		embed(j, i, r.row(t, d, d*r.value(s.x)))
	}
	r.qr.Factorize(j)
	r.free = len(strips) - unknowns
	r.chi2 = misfitOf(strips, r)
	return r, true
}

// row returns the factors of the unknowns in A - D g: t^q times a for those of
// A, -t^q times g for those of D.
func (r *rational) row(t float64, a, g complex128) (row [zeroDegree + 1 + poleDegree]complex128) {
	power := complex(1, 0)
	for q := range zeroDegree + 1 {
		row[q] = power * a
		if q > 0 && q <= poleDegree {
			row[zeroDegree+q] = -power * g
		}
		power *= complex(t, 0)
	}
	return row
}

// embed writes a complex row as the two real ones of its real and imaginary
// part.
func embed(a *mat.Dense, i int, row [zeroDegree + 1 + poleDegree]complex128) {
	for j, z := range row {
		a.Set(2*i, 2*j, real(z))
		a.Set(2*i, 2*j+1, -imag(z))
		a.Set(2*i+1, 2*j, imag(z))
		a.Set(2*i+1, 2*j+1, real(z))
	}
}

func (r *rational) value(x float64) complex128 {
	t := (x - r.at) / r.scale
	return horner(r.num, t) / horner(r.den, t)
}

// variance is that of the linearised curve: |R'^-1 row|^2 with R of the QR
// factorisation of the derivatives.
func (r *rational) variance(x, weight []float64) (v float64) {
	var sum [zeroDegree + 1 + poleDegree]complex128
	for i := range x {
		t := (x[i] - r.at) / r.scale
		d := complex(weight[i], 0) / horner(r.den, t)
		for j, z := range r.row(t, d, d*r.value(x[i])) {
			sum[j] += z
		}
	}
	rows := mat.NewDense(2, 2*len(sum), nil)
	embed(rows, 0, sum)
	var upper mat.Dense
	r.qr.RTo(&upper)
	n := 2 * len(sum)
	y := make([]float64, n) // R' y = row, from the top
	for j := range n {
		y[j] = rows.At(0, j)
		for i := range j {
			y[j] -= upper.At(i, j) * y[i]
		}
		if upper.At(j, j) == 0 {
			return math.Inf(1)
		}
		y[j] /= upper.At(j, j)
		v += y[j] * y[j]
	}
	return v
}

func (r *rational) misfit() (float64, int) { return r.chi2, r.free }

// quadraticRoots returns the roots of 1 + d_1 t + d_2 t^2.
func quadraticRoots(d []complex128) (roots []complex128) {
	if len(d) < 3 || d[2] == 0 {
		return nil
	}
	root := cmplx.Sqrt(d[1]*d[1] - 4*d[2])
	return []complex128{(-d[1] + root) / (2 * d[2]), (-d[1] - root) / (2 * d[2])}
}
