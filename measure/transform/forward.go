package transform

import "math"

const (
	cos3  = -0.5              // of 2 pi/3
	sin3  = 0.866025403784439 // of 2 pi/3
	root2 = math.Sqrt2 / 2

	cos5, sin5   = 0.309016994374947, 0.951056516295154  // of 2 pi/5
	cos52, sin52 = -0.809016994374947, 0.587785252292473 // of 4 pi/5
)

// Of the forward transform, value i of part j in group k is at i + ido (k + l1 j)
// before and at i + ido (j + radix k) after. A pair at a becomes pairs at a and,
// conjugate, at ido-2-a.

func (s *stage) apart(x []float64, j, k int) []float64 {
	return x[s.ido*(k+s.l1*j):][:s.ido]
}

func (s *stage) together(y []float64, j, k int) []float64 {
	return y[s.ido*(j+s.radix*k):][:s.ido]
}

func forward2(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1 := s.apart(x, 0, k), s.apart(x, 1, k)
		y0, y1 := s.together(y, 0, k), s.together(y, 1, k)
		if ends {
			y0[0] = x0[0] + x1[0]
			y1[last] = x0[0] - x1[0]
			if s.ido%2 == 0 {
				y1[0] = -x1[last]
				y0[last] = x0[last]
			}
		}
		w1 := turns[1]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			m := last - 1 - i
			d1 := complex(w1[t], -w1[t+1]) * pair(x1, i)
			z := pair(x0, i)
			put(y0, i, z+d1)
			put(y1, m, conj(z)-conj(d1))
		}
	}
}

func forward3(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1, x2 := s.apart(x, 0, k), s.apart(x, 1, k), s.apart(x, 2, k)
		y0, y1, y2 := s.together(y, 0, k), s.together(y, 1, k), s.together(y, 2, k)
		if ends {
			sum := x1[0] + x2[0]
			y0[0] = x0[0] + sum
			y2[0] = sin3 * (x2[0] - x1[0])
			y1[last] = x0[0] + cos3*sum
		}
		w1, w2 := turns[1], turns[2]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			m := last - 1 - i
			d1 := complex(w1[t], -w1[t+1]) * pair(x1, i)
			d2 := complex(w2[t], -w2[t+1]) * pair(x2, i)
			c := d1 + d2
			z := pair(x0, i)
			put(y0, i, z+c)
			t2 := z + scale(cos3, c)
			t3 := scale(sin3, conj(swap(d1-d2)))
			put(y2, i, t2+t3)
			put(y1, m, conj(t2-t3))
		}
	}
}

func forward4(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1, x2, x3 := s.apart(x, 0, k), s.apart(x, 1, k), s.apart(x, 2, k), s.apart(x, 3, k)
		y0, y1, y2, y3 := s.together(y, 0, k), s.together(y, 1, k), s.together(y, 2, k), s.together(y, 3, k)
		if ends {
			r1, r2 := x1[0]+x3[0], x0[0]+x2[0]
			y0[0] = r1 + r2
			y3[last] = r2 - r1
			y1[last] = x0[0] - x2[0]
			y2[0] = x3[0] - x1[0]
			if s.ido%2 == 0 {
				i1 := -root2 * (x1[last] + x3[last])
				r1 := root2 * (x1[last] - x3[last])
				y0[last] = r1 + x0[last]
				y2[last] = x0[last] - r1
				y1[0] = i1 - x2[last]
				y3[0] = i1 + x2[last]
			}
		}
		w1, w2, w3 := turns[1], turns[2], turns[3]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			m := last - 1 - i
			d1 := complex(w1[t], -w1[t+1]) * pair(x1, i)
			d2 := complex(w2[t], -w2[t+1]) * pair(x2, i)
			d3 := complex(w3[t], -w3[t+1]) * pair(x3, i)
			z := pair(x0, i)
			t1, t2, t3, t4 := d1+d3, z+d2, z-d2, swap(conj(d3-d1))
			put(y0, i, t1+t2)
			put(y3, m, conj(t2-t1))
			put(y2, i, t4+t3)
			put(y1, m, conj(t3-t4))
		}
	}
}

func forward5(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1, x2, x3, x4 := s.apart(x, 0, k), s.apart(x, 1, k), s.apart(x, 2, k), s.apart(x, 3, k), s.apart(x, 4, k)
		y0, y1, y2, y3, y4 := s.together(y, 0, k), s.together(y, 1, k), s.together(y, 2, k), s.together(y, 3, k), s.together(y, 4, k)
		if ends {
			r2, r3 := x4[0]+x1[0], x3[0]+x2[0]
			i4, i5 := x3[0]-x2[0], x4[0]-x1[0]
			y0[0] = x0[0] + r2 + r3
			y1[last] = x0[0] + cos5*r2 + cos52*r3
			y2[0] = sin5*i5 + sin52*i4
			y3[last] = x0[0] + cos52*r2 + cos5*r3
			y4[0] = sin52*i5 - sin5*i4
		}
		w1, w2, w3, w4 := turns[1], turns[2], turns[3], turns[4]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			m := last - 1 - i
			d1 := complex(w1[t], -w1[t+1]) * pair(x1, i)
			d2 := complex(w2[t], -w2[t+1]) * pair(x2, i)
			d3 := complex(w3[t], -w3[t+1]) * pair(x3, i)
			d4 := complex(w4[t], -w4[t+1]) * pair(x4, i)
			c2, c3 := d1+d4, d2+d3
			c4, c5 := conj(swap(d2-d3)), conj(swap(d1-d4))
			z := pair(x0, i)
			put(y0, i, z+c2+c3)
			t2 := z + scale(cos5, c2) + scale(cos52, c3)
			t3 := z + scale(cos52, c2) + scale(cos5, c3)
			t4 := scale(sin52, c5) - scale(sin5, c4)
			t5 := scale(sin5, c5) + scale(sin52, c4)
			put(y1, m, conj(t2-t5))
			put(y2, i, t2+t5)
			put(y3, m, conj(t3-t4))
			put(y4, i, t3+t4)
		}
	}
}

func pair(x []float64, i int) complex128 { return complex(x[i], x[i+1]) }

func put(y []float64, i int, z complex128) { y[i], y[i+1] = real(z), imag(z) }

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }

func swap(z complex128) complex128 { return complex(imag(z), real(z)) }

func scale(f float64, z complex128) complex128 { return complex(f*real(z), f*imag(z)) }
