package ratio

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/impedance"
)

const (
	leastNear = 3 // cells within reach that the ratio's shape is known from
	mostTerms = 4 // of the polynomial through them
)

// near is a polynomial through the ratios of the cells about one, in widths of that.
type near struct {
	cells   []heard
	own     []float64 // mean of each power over the energy of the one
	inverse mat.Dense // of what the coefficients make of the ratios
}

// about returns the polynomial through those of the cells within reach of the one of
// index i that are taken. It is not known where there are too few.
func about(cells []heard, i int, taken func(heard) bool) (n near, ok bool) {
	c := cells[i]
	if !taken(c) {
		return near{}, false
	}
	below, above := 0, 0
	for j := max(0, i-reach); j <= min(len(cells)-1, i+reach); j++ {
		if !taken(cells[j]) {
			continue
		}
		n.cells = append(n.cells, cells[j])
		switch {
		case j < i:
			below++
		case j > i:
			above++
		}
	}
	if len(n.cells) < leastNear {
		return near{}, false
	}
	terms := min(mostTerms, 2+min(below/2, above/2, 1)+min(below/3, above/3, 1))
	a := mat.NewDense(len(n.cells), terms, nil)
	smallest := math.Inf(1)
	for _, d := range n.cells {
		smallest = min(smallest, d.cov.RR+d.cov.II)
	}
	weights := mat.NewDiagDense(len(n.cells), nil)
	for r, d := range n.cells {
		weight := 1.0 // an exact recording has no noise to weigh by
		if smallest > 0 {
			weight = math.Sqrt(smallest / (d.cov.RR + d.cov.II))
		}
		weights.SetDiag(r, weight)
		means := d.means((d.middleHz-c.middleHz)/c.widthHz, d.widthHz/c.widthHz)
		if d.middleHz == c.middleHz {
			n.own = means[:terms]
		}
		for t, x := range means[:terms] {
			a.Set(r, t, weight*x)
		}
	}
	return n, n.inverse.Solve(a, weights) == nil
}

// means returns the mean of each power of (shift + stretch x) over the energy of a cell.
func (l lined) means(shift, stretch float64) (m [mostTerms]float64) {
	for t := range m {
		choose := 1.0
		for j := 0; j <= t; j++ {
			m[t] += choose * math.Pow(shift, float64(t-j)) * math.Pow(stretch, float64(j)) * l.moment[j]
			choose *= float64(t-j) / float64(j+1)
		}
	}
	return m
}

// shape is by how much a ratio differs from its mean over the energy of a cell, as a
// polynomial in widths of the cell from its middle.
type shape []complex128

func (s shape) at(x float64) (d complex128) {
	for t := len(s) - 1; t >= 0; t-- {
		d = d*complex(x, 0) + s[t]
	}
	return d
}

// slope returns that in the middle.
func (s shape) slope() complex128 {
	if len(s) < 2 {
		return 0
	}
	return s[1]
}

func (n near) shape() shape {
	s := make(shape, len(n.own))
	for t := 1; t < len(s); t++ {
		for r, d := range n.cells {
			s[t] += complex(n.inverse.At(t, r), 0) * d.g
		}
		s[0] -= s[t] * complex(n.own[t], 0)
	}
	return s
}

// middle returns the ratio in the middle of cell i, and whether it may be
// believed. The energy of music need not lie in the middle: the curve through
// the neighbours, a cubic where there are enough of them, says by how much
// the mean over the energy differs. Only that difference is theirs, and the slope,
// which is per hertz.
func middle(cells []heard, i int) (g, slope complex128, cov impedance.Cov, ok bool) {
	n, ok := about(cells, i, func(h heard) bool { return h.believed })
	if !ok {
		return 0, 0, impedance.Cov{}, false
	}
	for r, d := range n.cells {
		part := 0.0
		if d.middleHz == cells[i].middleHz {
			part = 1
		}
		for t := 1; t < len(n.own); t++ {
			part -= n.own[t] * n.inverse.At(t, r)
		}
		g += complex(part, 0) * d.g
		cov = cov.Add(d.cov.Times(complex(part, 0)))
	}
	return g, n.shape().slope() / complex(cells[i].widthHz, 0), cov, true
}
