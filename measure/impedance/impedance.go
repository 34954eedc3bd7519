// Package impedance holds the one type that every part of tapload shares: a
// complex impedance over frequency with its uncertainty.
//
// Units are SI throughout: hertz, ohm. Uncertainties are standard
// uncertainties (k = 1, JCGM 100:2008). Noise is independent between points
// and between curves; an error that many points or curves have in common, such
// as the tolerance of the sense resistor, is a Source and is kept apart,
// because it does not average away.
package impedance

import (
	"fmt"
	"math"
	"math/cmplx"

	"tapload/measure/oneline"
)

// Cov is the covariance of the real and imaginary part of a complex quantity,
// in the square of its unit.
type Cov struct {
	RR, RI, II float64
}

// Circular returns the covariance of a complex quantity whose error has the
// total variance v = E|e|^2, spread evenly over all directions.
func Circular(v float64) Cov { return Cov{RR: v / 2, II: v / 2} }

// Add returns the covariance of the sum of two independent errors.
func (c Cov) Add(d Cov) Cov { return Cov{c.RR + d.RR, c.RI + d.RI, c.II + d.II} }

// Times returns the covariance of w*z for an exact complex w: J C J' with the
// Jacobian J = [a -b; b a] of a product with w = a + jb.
func (c Cov) Times(w complex128) Cov {
	a, b := real(w), imag(w)
	return Cov{
		RR: notBelow0(a*a*c.RR - 2*a*b*c.RI + b*b*c.II),
		RI: a*b*(c.RR-c.II) + (a*a-b*b)*c.RI,
		II: notBelow0(b*b*c.RR + 2*a*b*c.RI + a*a*c.II),
	}
}

// Along returns the variance of the component of the error in the direction
// of z. Along the quantity itself that is the variance of its modulus, to
// first order in the error over the modulus. At z = 0, which has no
// direction, it is the variance in the worst one.
func (c Cov) Along(z complex128) float64 {
	m := cmplx.Abs(z)
	if m == 0 {
		return (c.RR+c.II)/2 + math.Hypot((c.RR-c.II)/2, c.RI)
	}
	x, y := real(z)/m, imag(z)/m
	return notBelow0(x*x*c.RR + 2*x*y*c.RI + y*y*c.II)
}

// notBelow0 takes away the sign that rounding can give to a variance whose
// terms cancel: fully correlated parts have a direction without any error.
func notBelow0(v float64) float64 { return math.Max(v, 0) }

// valid reports whether c can be a covariance: finite variances of at least 0
// and a correlation between -1 and 1, up to rounding.
func (c Cov) valid() bool {
	sum := c.RR + c.II
	switch {
	case !finite(sum) || !finite(c.RI) || c.RR < 0 || c.II < 0:
		return false
	case sum == 0:
		return c.RI == 0
	}
	const rounding = 1e-12 // of the variance; Times leaves a few 1e-16
	r := c.RI / sum
	return r*r <= (c.RR/sum)*(c.II/sum)+rounding
}

// Point is the impedance at one frequency.
type Point struct {
	Hz    float64
	Z     complex128 // ohm
	Noise Cov        // ohm^2, k = 1; independent between points and curves
}

// Source is an input that many points, and perhaps many curves, have in
// common. ID names the physical thing ("sense-resistor:bench-jig-1"); the same
// ID in two curves is the same thing. DZ is the change of Z, in ohm, at each
// point of the curve for one standard uncertainty of that input.
type Source struct {
	ID string
	DZ []complex128
}

// Curve is a complex impedance over frequency. Points are in strictly rising
// order of frequency.
type Curve struct {
	Points []Point
	Shared []Source
}

// The bounds of a curve, beyond anything that a bench can tell: what is worked
// out of a curve takes time and memory by its octaves, and squares and fourth
// powers of its values, which are floating-point numbers up to 1e308.
const (
	LeastHz = 1e-3
	MostHz  = 1e9
	MostOhm = 1e20 // inputs of float64 tell an open end behind 1 kohm up to 1e19 ohm
	mostU   = 1e40 // ohm; that of an open end grows as |Z|^2
)

// CheckHz returns an error for a frequency in Hz that no curve may have. It
// begins with the word frequency.
func CheckHz(hz float64) error {
	switch {
	case !finite(hz) || hz <= 0:
		return fmt.Errorf("frequency %v Hz must be finite and above 0", hz)
	case hz < LeastHz || hz > MostHz:
		return fmt.Errorf("frequency %v Hz must be from 0.001 Hz to 1 GHz; look at its unit, or leave it out", hz)
	}
	return nil
}

// Check returns an error that names the first thing wrong with p: a frequency
// or a value that is no number or beyond all bounds (LeastHz to MostHz, |Z| up
// to MostOhm, standard uncertainties up to 1e40 ohm), a noise that cannot be a
// covariance.
func (p Point) Check() error {
	if err := CheckHz(p.Hz); err != nil {
		return err
	}
	switch ohm := cmplx.Abs(p.Z); {
	case !finite(ohm):
		return fmt.Errorf("the impedance is not a finite number")
	case ohm > MostOhm:
		return fmt.Errorf("|Z| of %.3g ohm must be at most %g ohm, more than any open end shows; leave the point out", ohm, MostOhm)
	case !p.Noise.valid():
		return fmt.Errorf("its noise is not a covariance: both variances must be finite and at least 0, and the square of what they share at most their product")
	case max(p.Noise.RR, p.Noise.II) > mostU*mostU:
		return fmt.Errorf("its noise of %.3g ohm must be at most %g ohm", math.Sqrt(max(p.Noise.RR, p.Noise.II)), mostU)
	}
	return nil
}

// Check returns an error that names the first thing wrong with c: no points,
// a point that is wrong by itself, a frequency that does not rise, a Source of
// the wrong length, with an ID used twice or with a change that is no number or
// above 1e40 ohm. Points are counted from 0.
func (c Curve) Check() error {
	if len(c.Points) == 0 {
		return fmt.Errorf("curve has no points")
	}
	for i, p := range c.Points {
		if err := CheckHz(p.Hz); err != nil {
			return fmt.Errorf("point %d: %w", i, err)
		}
		if i > 0 && p.Hz <= c.Points[i-1].Hz {
			return fmt.Errorf("point %d: frequency %v Hz must be above that of the point before it, %v Hz", i, p.Hz, c.Points[i-1].Hz)
		}
		if err := p.Check(); err != nil {
			return fmt.Errorf("point %d (%v Hz): %w", i, p.Hz, err)
		}
	}
	seen := map[string]bool{}
	for _, s := range c.Shared {
		switch {
		case s.ID == "":
			return fmt.Errorf("shared source without an id")
		case seen[s.ID]:
			return fmt.Errorf("shared source %s is listed twice; one physical thing has one id", oneline.Quote(s.ID))
		case len(s.DZ) != len(c.Points):
			return fmt.Errorf("shared source %s has %d values for %d points", oneline.Quote(s.ID), len(s.DZ), len(c.Points))
		}
		for i, d := range s.DZ {
			switch ohm := cmplx.Abs(d); {
			case !finite(ohm):
				return fmt.Errorf("shared source %s: value %d (%v Hz) is not a finite number", oneline.Quote(s.ID), i, c.Points[i].Hz)
			case ohm > mostU:
				return fmt.Errorf("shared source %s: value %d (%v Hz) of %.3g ohm must be at most %g ohm", oneline.Quote(s.ID), i, c.Points[i].Hz, ohm, mostU)
			}
		}
		seen[s.ID] = true
	}
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Hz returns the frequencies of c.
func (c Curve) Hz() []float64 {
	hz := make([]float64, len(c.Points))
	for i, p := range c.Points {
		hz[i] = p.Hz
	}
	return hz
}

// Total returns the covariance of point i from noise and every shared source
// together, in ohm^2.
func (c Curve) Total(i int) Cov {
	cov := c.Points[i].Noise
	for _, s := range c.Shared {
		a, b := real(s.DZ[i]), imag(s.DZ[i])
		cov = cov.Add(Cov{RR: a * a, RI: a * b, II: b * b})
	}
	return cov
}

// Modulus returns |Z| at point i and its standard uncertainty from noise and
// shared sources together, in ohm.
func (c Curve) Modulus(i int) (ohm, u float64) {
	z := c.Points[i].Z
	return cmplx.Abs(z), math.Sqrt(c.Total(i).Along(z))
}

// Extremes returns the indices of the smallest and the largest |Z|, the first
// of each where several are equal.
func (c Curve) Extremes() (low, high int) {
	for i, p := range c.Points {
		m := cmplx.Abs(p.Z)
		if m < cmplx.Abs(c.Points[low].Z) {
			low = i
		}
		if m > cmplx.Abs(c.Points[high].Z) {
			high = i
		}
	}
	return low, high
}

// SameGrid returns an error that names the first frequency at which the grids
// of a and b differ by more than rounding (1e-9 of the frequency). Curves are
// only combined point by point; use Resample to bring them onto one grid
// first.
func SameGrid(a, b Curve) error {
	for i := range min(len(a.Points), len(b.Points)) {
		if fa, fb := a.Points[i].Hz, b.Points[i].Hz; !sameHz(fa, fb) {
			return fmt.Errorf("frequency grids differ from point %d on: %v Hz and %v Hz", i, fa, fb)
		}
	}
	if len(a.Points) != len(b.Points) {
		return fmt.Errorf("frequency grids have different lengths: %d and %d points", len(a.Points), len(b.Points))
	}
	return nil
}

func sameHz(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(a, b) }
