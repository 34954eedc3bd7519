package fit

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// strd is one NIST reference dataset: the model and its derivatives, written
// from the file's own statement of it.
type strd struct {
	name  string
	model func(b []float64, x float64, d []float64) float64
}

var strds = []strd{
	{"Misra1a", rise},
	{"BoxBOD", rise},
	{"Gauss2", func(b []float64, x float64, d []float64) float64 {
		e := math.Exp(-b[1] * x)
		u, v := (x-b[3])/b[4], (x-b[6])/b[7]
		g, h := math.Exp(-u*u), math.Exp(-v*v)
		d[0], d[1] = e, -b[0]*x*e
		d[2], d[3], d[4] = g, b[2]*g*2*u/b[4], b[2]*g*2*u*u/b[4]
		d[5], d[6], d[7] = h, b[5]*h*2*v/b[7], b[5]*h*2*v*v/b[7]
		return b[0]*e + b[2]*g + b[5]*h
	}},
	{"MGH09", func(b []float64, x float64, d []float64) float64 {
		num, den := x*x+x*b[1], x*x+x*b[2]+b[3]
		d[0], d[1] = num/den, b[0]*x/den
		d[2], d[3] = -b[0]*num*x/(den*den), -b[0]*num/(den*den)
		return b[0] * num / den
	}},
	{"MGH10", func(b []float64, x float64, d []float64) float64 {
		e := math.Exp(b[1] / (x + b[2]))
		d[0], d[1], d[2] = e, b[0]*e/(x+b[2]), -b[0]*e*b[1]/((x+b[2])*(x+b[2]))
		return b[0] * e
	}},
	{"Thurber", func(b []float64, x float64, d []float64) float64 {
		num := b[0] + x*(b[1]+x*(b[2]+x*b[3]))
		den := 1 + x*(b[4]+x*(b[5]+x*b[6]))
		for k := range 4 {
			d[k] = math.Pow(x, float64(k)) / den
		}
		for k := range 3 {
			d[4+k] = -num * math.Pow(x, float64(k+1)) / (den * den)
		}
		return num / den
	}},
	{"Eckerle4", func(b []float64, x float64, d []float64) float64 {
		u := (x - b[2]) / b[1]
		y := b[0] / b[1] * math.Exp(-u*u/2)
		d[0], d[1], d[2] = y/b[0], y*(u*u-1)/b[1], y*u/b[1]
		return y
	}},
	{"Rat43", func(b []float64, x float64, d []float64) float64 {
		e := math.Exp(b[1] - b[2]*x)
		y := b[0] * math.Pow(1+e, -1/b[3])
		slope := -y / b[3] * e / (1 + e)
		d[0], d[1], d[2], d[3] = y/b[0], slope, -x*slope, y*math.Log1p(e)/(b[3]*b[3])
		return y
	}},
}

func rise(b []float64, x float64, d []float64) float64 {
	e := math.Exp(-b[1] * x)
	d[0], d[1] = 1-e, b[0]*x*e
	return b[0] * (1 - e)
}

// TestSTRD holds the solver against the certified values of the NIST
// Statistical Reference Datasets: parameters to 6 digits and standard
// deviations to 4, from both of the published starts.
func TestSTRD(t *testing.T) {
	for _, set := range strds {
		start, certified, deviation, x, y := readSTRD(t, set.name)
		n := len(certified)
		d := make([]float64, n)
		f := func(p, r []float64, jac [][]float64) {
			for i := range x {
				r[i] = set.model(p, x[i], d) - y[i]
				for k := range d {
					jac[k][i] = d[k]
				}
			}
		}
		for which := range start {
			s := newSolver(n, len(x))
			if !s.minimize(f, start[which], unbounded(n), limits{rel: 1e-9, steps: 10000, again: true}) {
				t.Errorf("%s from start %d: did not converge, reached %v", set.name, which+1, s.p)
				continue
			}
			cov := s.covariance()
			v := s.sum / float64(len(x)-n)
			for k := range n {
				if got := s.p[k]; math.Abs(got/certified[k]-1) > 0.5e-6 {
					t.Errorf("%s from start %d: b%d is %.11g, certified %.11g", set.name, which+1, k+1, got, certified[k])
				}
				if got := math.Sqrt(v * cov.At(k, k)); math.Abs(got/deviation[k]-1) > 0.5e-4 {
					t.Errorf("%s from start %d: standard deviation of b%d is %.11g, certified %.11g", set.name, which+1, k+1, got, deviation[k])
				}
			}
		}
	}
}

// readSTRD reads a dataset: lines "b1 = start1 start2 value deviation", then
// rows of y and x under the second line that starts with "Data:".
func readSTRD(t *testing.T, name string) (start [2][]float64, certified, deviation, x, y []float64) {
	t.Helper()
	f, err := os.Open("testdata/nist-strd/" + name + ".dat")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return v
	}
	blocks := 0
	for lines := bufio.NewScanner(f); lines.Scan(); {
		field := strings.Fields(lines.Text())
		switch {
		case len(field) == 0:
		case field[0] == "Data:":
			blocks++
		case blocks == 2 && len(field) == 2:
			y, x = append(y, number(field[0])), append(x, number(field[1]))
		case len(field) == 6 && field[1] == "=" && field[0][0] == 'b':
			start[0], start[1] = append(start[0], number(field[2])), append(start[1], number(field[3]))
			certified, deviation = append(certified, number(field[4])), append(deviation, number(field[5]))
		}
	}
	if len(certified) == 0 || len(x) <= len(certified) {
		t.Fatalf("%s: read %d parameters and %d rows", name, len(certified), len(x))
	}
	return start, certified, deviation, x, y
}

// unbounded is a box without sides.
func unbounded(n int) box {
	b := box{make([]float64, n), make([]float64, n)}
	for k := range n {
		b.low[k], b.high[k] = math.Inf(-1), math.Inf(1)
	}
	return b
}

// covariance returns (J'J)^-1 at the J that was reduced last: the covariance
// of p where r has unit variance. It returns nil where J is singular.
func (s *solver) covariance() *mat.SymDense {
	if s.n == 0 {
		return &mat.SymDense{}
	}
	// R^-1 by back substitution; (J'J)^-1 = R^-1 R^-1'.
	inv := make([][]float64, s.n)
	for k := range inv {
		inv[k] = make([]float64, s.n)
	}
	for k := range s.n {
		for i := k; i >= 0; i-- {
			x := 0.0
			if i == k {
				x = 1
			}
			for l := i + 1; l <= k; l++ {
				x -= s.r(i, l) * inv[l][k]
			}
			inv[i][k] = x / s.r(i, i)
		}
	}
	cov := mat.NewSymDense(s.n, nil)
	for i := range s.n {
		for k := i; k < s.n; k++ {
			x := 0.0
			for l := k; l < s.n; l++ {
				x += inv[i][l] * inv[k][l]
			}
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return nil
			}
			cov.SetSym(i, k, x)
		}
	}
	return cov
}

// A parameter leaves a bound that the sum falls away from, and stays at one that it
// falls towards: the least of (p - 2)^2 + (q - p)^2 where p is at least 0 and q at
// most 1 is at p = 1.5.
func TestBounds(t *testing.T) {
	s := newSolver(2, 3)
	f := func(p, r []float64, jac [][]float64) {
		r[0], r[1], r[2] = p[0]-2, p[1]-p[0], 0
		copy(jac[0], []float64{1, -1, 0})
		copy(jac[1], []float64{0, 1, 0})
	}
	if !s.minimize(f, []float64{0, 1}, box{[]float64{0, -5}, []float64{5, 1}}, limits{abs: 1e-9, steps: 50}) {
		t.Error("the solver did not converge")
	}
	if math.Abs(s.p[0]-1.5) > 1e-6 || s.p[1] != 1 {
		t.Errorf("the least is at %v, want 1.5 and 1", s.p)
	}
}
