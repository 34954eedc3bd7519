package transform

import "math"

// Of the backward transform values are placed the other way round: value i of
// part j in group k is at i + ido (j + radix k) before and at i + ido (k + l1 j)
// after.

func backward2(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1 := s.together(x, 0, k), s.together(x, 1, k)
		y0, y1 := s.apart(y, 0, k), s.apart(y, 1, k)
		if ends {
			y0[0] = x0[0] + x1[last]
			y1[0] = x0[0] - x1[last]
			if s.ido%2 == 0 {
				y0[last] = 2 * x0[last]
				y1[last] = -2 * x1[0]
			}
		}
		w1 := turns[1]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			z, mirror := pair(x0, i), conj(pair(x1, last-1-i))
			put(y0, i, z+mirror)
			put(y1, i, complex(w1[t], w1[t+1])*(z-mirror))
		}
	}
}

func backward3(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1, x2 := s.together(x, 0, k), s.together(x, 1, k), s.together(x, 2, k)
		y0, y1, y2 := s.apart(y, 0, k), s.apart(y, 1, k), s.apart(y, 2, k)
		if ends {
			r2 := x1[last] + x1[last]
			c2 := x0[0] + cos3*r2
			y0[0] = x0[0] + r2
			c3 := sin3 * (x2[0] + x2[0])
			y1[0] = c2 - c3
			y2[0] = c2 + c3
		}
		w1, w2 := turns[1], turns[2]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			z, mirror := pair(x2, i), conj(pair(x1, last-1-i))
			t2 := z + mirror
			c2 := pair(x0, i) + scale(cos3, t2)
			put(y0, i, pair(x0, i)+t2)
			c3 := conj(swap(scale(sin3, z-mirror)))
			put(y1, i, complex(w1[t], w1[t+1])*(c2-c3))
			put(y2, i, complex(w2[t], w2[t+1])*(c2+c3))
		}
	}
}

func backward4(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1, x2, x3 := s.together(x, 0, k), s.together(x, 1, k), s.together(x, 2, k), s.together(x, 3, k)
		y0, y1, y2, y3 := s.apart(y, 0, k), s.apart(y, 1, k), s.apart(y, 2, k), s.apart(y, 3, k)
		if ends {
			r1, r2 := x0[0]-x3[last], x0[0]+x3[last]
			r3, r4 := x1[last]+x1[last], x2[0]+x2[0]
			y0[0] = r2 + r3
			y1[0] = r1 - r4
			y2[0] = r2 - r3
			y3[0] = r1 + r4
			if s.ido%2 == 0 {
				r1, i1 := x0[last]-x2[last], x1[0]+x3[0]
				r2, i2 := x0[last]+x2[last], x3[0]-x1[0]
				y0[last] = r2 + r2
				y1[last] = math.Sqrt2 * (r1 - i1)
				y2[last] = i2 + i2
				y3[last] = -math.Sqrt2 * (r1 + i1)
			}
		}
		w1, w2, w3 := turns[1], turns[2], turns[3]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			m := last - 1 - i
			z0, z1, z2, z3 := pair(x0, i), conj(pair(x1, m)), pair(x2, i), conj(pair(x3, m))
			t1, t2, t3, t4 := z0-z3, z0+z3, z2+z1, conj(swap(z2-z1))
			put(y0, i, t2+t3)
			put(y1, i, complex(w1[t], w1[t+1])*(t1-t4))
			put(y2, i, complex(w2[t], w2[t+1])*(t2-t3))
			put(y3, i, complex(w3[t], w3[t+1])*(t1+t4))
		}
	}
}

func backward5(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool) {
	last := s.ido - 1
	for ; k < kEnd; k++ {
		x0, x1, x2, x3, x4 := s.together(x, 0, k), s.together(x, 1, k), s.together(x, 2, k), s.together(x, 3, k), s.together(x, 4, k)
		y0, y1, y2, y3, y4 := s.apart(y, 0, k), s.apart(y, 1, k), s.apart(y, 2, k), s.apart(y, 3, k), s.apart(y, 4, k)
		if ends {
			r2, r3 := x1[last]+x1[last], x3[last]+x3[last]
			i4, i5 := x4[0]+x4[0], x2[0]+x2[0]
			y0[0] = x0[0] + r2 + r3
			c2 := x0[0] + cos5*r2 + cos52*r3
			c3 := x0[0] + cos52*r2 + cos5*r3
			c4 := sin52*i5 - sin5*i4
			c5 := sin5*i5 + sin52*i4
			y1[0] = c2 - c5
			y2[0] = c3 - c4
			y3[0] = c3 + c4
			y4[0] = c2 + c5
		}
		w1, w2, w3, w4 := turns[1], turns[2], turns[3], turns[4]
		for i, t := a, 0; i < aEnd; i, t = i+2, t+2 {
			m := last - 1 - i
			z0, z1, z2, z3, z4 := pair(x0, i), conj(pair(x1, m)), pair(x2, i), conj(pair(x3, m)), pair(x4, i)
			t2, t3, t4, t5 := z2+z1, z4+z3, z4-z3, z2-z1
			put(y0, i, z0+t2+t3)
			c2 := z0 + scale(cos5, t2) + scale(cos52, t3)
			c3 := z0 + scale(cos52, t2) + scale(cos5, t3)
			c4 := conj(swap(scale(sin52, t5) - scale(sin5, t4)))
			c5 := conj(swap(scale(sin5, t5) + scale(sin52, t4)))
			put(y1, i, complex(w1[t], w1[t+1])*(c2-c5))
			put(y2, i, complex(w2[t], w2[t+1])*(c3-c4))
			put(y3, i, complex(w3[t], w3[t+1])*(c3+c4))
			put(y4, i, complex(w4[t], w4[t+1])*(c2+c5))
		}
	}
}
