package ratio

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// sine is a fitted sine in several channels of one frequency,
//
//	x(n) = A cos(w m) + B sin(w m) + C,   m = n - (N-1)/2.
type sine struct {
	w        float64      // radian a sample
	a        []complex128 // A - jB by channel
	offset   []float64    // C by channel
	varW     float64      // variance of w, with the residual taken as white noise, equal in all channels
	residual float64      // mean square of what is left
}

const (
	sineRounds    = 30
	sineConverged = 1e-10 // radian, by how far a step turns the ends of the record
)

// fitSine fits a sine of one common frequency to equally long channels by
// Gauss and Newton's steps: the four-parameter fit of IEEE Std 1057, with the
// three parameters A, B, C for each channel and w for all. It starts at w, which
// must be right to half a cycle over the record, and fails when the steps do
// not come to rest.
func fitSine(x [][]float64, w float64) (sine, error) {
	n, channels := len(x[0]), len(x)
	size := 3*channels + 1
	fit := sine{w: w, a: make([]complex128, channels), offset: make([]float64, channels)}
	if n*channels <= size {
		return fit, fmt.Errorf("%d samples are too few to fit a sine", n)
	}
	for round := range sineRounds {
		b := newSineBasis(n, fit.w)
		normal := mat.NewSymDense(size, nil)
		right := mat.NewVecDense(size, nil)
		var square float64
		for ch, v := range x {
			r := b.against(v)
			square += r.square
			at := 3 * ch
			for i := range 3 {
				right.SetVec(at+i, r.x[i])
				for j := i; j < 3; j++ {
					normal.SetSym(at+i, at+j, b.gram[i][j])
				}
			}
			// The column of w is m (B cos - A sin).
			d := [5]float64{3: -imag(fit.a[ch]), 4: -real(fit.a[ch])}
			last := size - 1
			for i := range 3 {
				normal.SetSym(at+i, last, d[3]*b.gram[i][3]+d[4]*b.gram[i][4])
			}
			normal.SetSym(last, last, normal.At(last, last)+
				d[3]*d[3]*b.gram[3][3]+2*d[3]*d[4]*b.gram[3][4]+d[4]*d[4]*b.gram[4][4])
			right.SetVec(last, right.AtVec(last)+d[3]*r.x[3]+d[4]*r.x[4])
		}
		free := size
		if round == 0 {
			free-- // without amplitudes there is no slope by w yet: the three-parameter fit
		}
		sub := normal.SliceSym(0, free)
		var chol mat.Cholesky
		if !chol.Factorize(sub) {
			return fit, fmt.Errorf("a sine of %.6g radian a sample cannot be told from an offset in %d samples", fit.w, n)
		}
		var p mat.VecDense
		if err := chol.SolveVecTo(&p, right.SliceVec(0, free)); err != nil {
			return fit, fmt.Errorf("sine fit: %w", err)
		}
		for ch := range x {
			fit.a[ch] = complex(p.AtVec(3*ch), -p.AtVec(3*ch+1))
			fit.offset[ch] = p.AtVec(3*ch + 2)
		}
		if round == 0 {
			continue
		}
		step := p.AtVec(size - 1)
		fit.w += step
		if !(fit.w > 0 && fit.w < math.Pi) {
			break
		}
		if math.Abs(step)*float64(n)/2 < sineConverged {
			left := max(0, square-mat.Dot(&p, right))
			fit.residual = left / float64(n*channels)
			var inverse mat.SymDense
			if err := chol.InverseTo(&inverse); err != nil {
				return fit, fmt.Errorf("sine fit: %w", err)
			}
			fit.varW = left / float64(n*channels-size) * inverse.At(size-1, size-1)
			return fit, nil
		}
	}
	return fit, fmt.Errorf("the sine fit did not come to rest in %d steps from %.6g radian a sample", sineRounds, w)
}

// sineBasis is the functions cos, sin, 1, m cos, m sin of one angular
// frequency with the sums of their products.
type sineBasis struct {
	n    int
	w    float64
	gram [5][5]float64
}

func newSineBasis(n int, w float64) sineBasis {
	b := sineBasis{n: n, w: w}
	b.each(func(_ int, f *[5]float64) {
		for i, u := range f {
			for j := i; j < 5; j++ {
				b.gram[i][j] += u * f[j]
			}
		}
	})
	for i := range b.gram {
		for j := range i {
			b.gram[i][j] = b.gram[j][i]
		}
	}
	return b
}

// each calls f with the functions at every sample. A turning phasor is fast
// but drifts: it starts afresh in every block.
func (b sineBasis) each(f func(n int, at *[5]float64)) {
	const block = 512
	middle := float64(b.n-1) / 2
	ts, tc := math.Sincos(b.w)
	at := [5]float64{2: 1}
	for from := 0; from < b.n; from += block {
		s, c := math.Sincos(b.w * (float64(from) - middle))
		for n := from; n < min(b.n, from+block); n++ {
			m := float64(n) - middle
			at[0], at[1], at[3], at[4] = c, s, m*c, m*s
			f(n, &at)
			s, c = s*tc+c*ts, c*tc-s*ts
		}
	}
}

// products are the sums of a record times each function, and its energy.
type products struct {
	x      [5]float64
	square float64
}

func (b sineBasis) against(v []float64) (p products) {
	b.each(func(n int, f *[5]float64) {
		x := v[n]
		for i, u := range f {
			p.x[i] += x * u
		}
		p.square += x * x
	})
	return p
}
