package hum

import (
	"math"
	"math/cmplx"
	"slices"
)

// tone is a fitted tone: for each input a polynomial.
type tone struct {
	nu    float64
	free  float64 // the same as that of a steady tone
	order int
	a     [2][]complex128 // by degree, times the number of samples
	sigma [2]float64      // power of a line that it leaves unexplained
	away  [2][]float64    // power by which each of lines would be missed, had it no part in the fit
	prior [2]float64      // power that a coefficient may have at most
	lines []int
}

// heldOut returns by what power the fitted lines next to line k would be missed,
// had they no part in the fit: the more of either side.
func (t tone) heldOut(ch, k int) (most float64) {
	i, _ := slices.BinarySearch(t.lines, k)
	for j := max(0, i-1); j <= min(len(t.lines)-1, i); j++ {
		most = max(most, t.away[ch][j])
	}
	return most
}

// peak returns the amplitude of t in the middle of the data, or its rms where
// that is larger.
func (t tone) peak(samples int) (p [2]float64) {
	for ch := range p {
		var sum float64
		for m, a := range t.a[ch] {
			sum += abs2(a) / float64(2*m+1) // mean square of Legendre's polynomials
		}
		p[ch] = 2 * math.Sqrt(sum) / float64(samples)
	}
	return p
}

// fit fits a tone near line k and reports whether the data call for it.
func (s *search) fit(k int) (tone, bool) {
	t := tone{}
	for d := -fitLines; d <= fitLines; d++ {
		if j := k + d; j >= 1 && j < s.X[0].Len() && !s.isSignal(j) {
			t.lines = append(t.lines, j)
		}
	}
	var noise [2]float64
	var signal [2]float64
	for ch := range noise {
		noise[ch] = s.beside(ch, k)
		for j := k - 2*s.Periods; j <= k+2*s.Periods; j++ {
			if j > 0 && j < s.X[ch].Len() {
				signal[ch] = max(signal[ch], abs2(s.X[ch].At(j)))
			}
		}
		t.prior[ch] = signal[ch]
	}
	left := func(nu float64, order int) (sum float64) {
		r := s.solve(&t, nu, order, noise, false)
		return r[0]/noise[0] + r[1]/noise[1]
	}
	var none float64
	for ch := range noise {
		for _, j := range t.lines {
			none += abs2(s.X[ch].At(j)) / noise[ch]
		}
	}
	best, least := float64(k), math.Inf(1)
	for nu := float64(k) - 1.2; nu <= float64(k)+1.2; nu += coarse {
		if r := left(nu, 0); r < least {
			best, least = nu, r
		}
	}
	lo, hi := best-coarse, best+coarse
	const golden = 0.3819660112501051
	a, b := lo+golden*(hi-lo), hi-golden*(hi-lo)
	ra, rb := left(a, 0), left(b, 0)
	for hi-lo > fine {
		if ra < rb {
			hi, b, rb = b, a, ra
			a = lo + golden*(hi-lo)
			ra = left(a, 0)
		} else {
			lo, a, ra = a, b, rb
			b = hi - golden*(hi-lo)
			rb = left(b, 0)
		}
	}
	t.nu = (lo + hi) / 2
	if none-left(t.nu, 0) < stands {
		return t, false
	}
	// The frequency, and the degree, that miss the lines held out the least. On a
	// line of the signal a tone shows by its wandering alone.
	t.free = t.nu
	least = math.Inf(1)
	for _, nu := range []float64{t.free, float64(s.beyond(k, -1)), float64(s.beyond(k, 1))} {
		own, degree := math.Inf(1), 0
		for order := range min(mostOrder, len(t.lines)/2-2) + 1 {
			s.solve(&t, nu, order, noise, true)
			var missed float64
			for ch := range t.away {
				for _, p := range t.away[ch] {
					missed += p / noise[ch]
				}
			}
			if missed < own-explains {
				own, degree = missed, order
			} else if order > degree+2 {
				break
			}
		}
		if own < least-explains {
			least, t.nu, t.order = own, nu, degree
		}
	}
	r := s.solve(&t, t.nu, t.order, noise, true)
	dof := float64(max(1, len(t.lines)-t.order-1))
	for ch := range r {
		t.sigma[ch] = max(r[ch]/dof, noise[ch])
	}
	return t, true
}

// solve fits the polynomials of a tone at nu and returns what energy they leave
// in each input. The part of the conjugate, which is far away, is taken from
// the fit before it.
func (s *search) solve(t *tone, nu float64, order int, noise [2]float64, held bool) (left [2]float64) {
	n := order + 1
	of, ofMirror := newLeakage(nu, float64(s.Samples)), newLeakage(-nu, float64(s.Samples))
	b := make([]complex128, len(t.lines)*n)
	mirror := make([]complex128, len(t.lines)*n)
	for i, k := range t.lines {
		of.into(b[i*n:(i+1)*n], k)
		ofMirror.into(mirror[i*n:(i+1)*n], k)
	}
	normal := make([]complex128, n*n)
	for i := range t.lines {
		addRow(normal, b[i*n:(i+1)*n])
	}
	for ch := range t.a {
		own := withPrior(normal, n, noise[ch], t.prior[ch])
		if !factor(own, n) {
			t.a[ch] = make([]complex128, n)
			left[ch] = math.Inf(1)
			continue
		}
		a := make([]complex128, n)
		for pass := range 2 {
			right := make([]complex128, n)
			left[ch] = 0
			for i, k := range t.lines {
				x := s.X[ch].At(k)
				if pass > 0 {
					for m := range n {
						x -= cmplx.Conj(a[m]) * mirror[i*n+m]
					}
				}
				for m := range n {
					right[m] += cmplx.Conj(b[i*n+m]) * x
				}
			}
			solveFactored(own, n, right)
			a = right
		}
		t.away[ch] = t.away[ch][:0]
		v := make([]complex128, n)
		for i, k := range t.lines {
			x := s.X[ch].At(k)
			for m := range n {
				x -= a[m]*b[i*n+m] + cmplx.Conj(a[m])*mirror[i*n+m]
				v[m] = cmplx.Conj(b[i*n+m])
			}
			left[ch] += abs2(x)
			if held {
				solveFactored(own, n, v)
				leverage := 0.0
				for m := range n {
					leverage += real(b[i*n+m] * v[m])
				}
				t.away[ch] = append(t.away[ch], abs2(x)/math.Pow(max(1e-6, 1-leverage), 2))
			}
		}
		t.a[ch] = a
	}
	return left
}

// factor replaces the Hermitian matrix a by its Cholesky factor, below the
// diagonal, and reports whether it is positive definite.
func factor(a []complex128, n int) bool {
	for i := range n {
		for j := range i + 1 {
			sum := a[i*n+j]
			for k := range j {
				sum -= a[i*n+k] * cmplx.Conj(a[j*n+k])
			}
			if i == j {
				if !(real(sum) > 0) {
					return false
				}
				a[i*n+i] = complex(math.Sqrt(real(sum)), 0)
			} else {
				a[i*n+j] = sum / a[j*n+j]
			}
		}
	}
	return true
}

// solveFactored solves a x = b for a factored a, in place of b.
func solveFactored(a []complex128, n int, b []complex128) {
	for i := range n {
		for k := range i {
			b[i] -= a[i*n+k] * b[k]
		}
		b[i] /= a[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			b[i] -= cmplx.Conj(a[k*n+i]) * b[k]
		}
		b[i] /= a[i*n+i]
	}
}

// addRow adds a row of the equations to their normal matrix.
func addRow(normal, row []complex128) {
	for p := range row {
		for q := range row {
			normal[p*len(row)+q] += cmplx.Conj(row[p]) * row[q]
		}
	}
}

// withPrior returns the normal matrix of order n with what is known beforehand of
// the coefficients: a power of prior, but no less than the noise.
func withPrior(normal []complex128, n int, noise, prior float64) []complex128 {
	own := slices.Clone(normal)
	for p := range n {
		own[p*n+p] += complex(noise/max(prior, noise), 0)
	}
	return own
}

// keepDoubt adds to the doubt of the signal's lines about t what is uncertain of
// it there: sigma^2 b C b' with the inverse C of the normal matrix and the row b
// of the signal's line. It is that of one degree more than was fitted, which
// holds an error of the frequency too. Next to the tone it is at least what the
// lines between are missed by when each is left out of the fit (leave-one-out
// residual, r/(1 - h) with h the leverage): where a tone wanders more than a
// polynomial follows, that alone says so.
func (s *search) keepDoubt(t tone) {
	n := t.order + 2
	of := newLeakage(t.nu, float64(s.Samples))
	normal := make([]complex128, n*n)
	row := make([]complex128, n)
	for _, k := range t.lines {
		of.into(row, k)
		addRow(normal, row)
	}
	for ch := range t.a {
		own := withPrior(normal, n, t.sigma[ch], t.prior[ch])
		if !factor(own, n) {
			continue // nothing was taken out
		}
		centre := int(math.Round(t.nu))
		for k := max(1, centre-fitLines); k <= min(s.X[ch].Len()-1, centre+fitLines); k++ {
			if !s.isSignal(k) {
				continue
			}
			of.into(row, k)
			v := make([]complex128, n)
			for m := range v {
				v[m] = cmplx.Conj(row[m])
			}
			solveFactored(own, n, v)
			var sum float64
			for m := range v {
				sum += real(row[m] * v[m])
			}
			power := t.sigma[ch] * sum
			power = max(power, t.heldOut(ch, k)-t.sigma[ch])
			if off := math.Abs(t.nu - float64(k)); off < onLine || t.order > 0 && off < nearLine {
				power = max(power, t.prior[ch])
			}
			d := s.doubt[k]
			d[ch] += power
			s.doubt[k] = d
		}
	}
}

// subtract takes t out of both inputs, as far as it leaks above a tenth of the
// background.
func (s *search) subtract(t tone) {
	s.stale = true
	centre := int(math.Round(t.nu))
	n := t.order + 1
	reach := fitLines
	for ch := range t.a {
		var sum float64
		for _, a := range t.a[ch] {
			sum += cmplx.Abs(a)
		}
		quiet := math.Inf(1)
		for _, f := range s.floor[ch] {
			quiet = min(quiet, f)
		}
		reach = max(reach, int(min(leaks, sum/math.Pi/(0.1*math.Sqrt(quiet)))))
	}
	of, ofMirror := newLeakage(t.nu, float64(s.Samples)), newLeakage(-t.nu, float64(s.Samples))
	row, mirror := make([]complex128, n), make([]complex128, n)
	for k := max(1, centre-reach); k <= min(s.X[0].Len()-1, centre+reach); k++ {
		of.into(row, k)
		ofMirror.into(mirror, k)
		for ch := range t.a {
			var sum complex128
			for m, a := range t.a[ch] {
				sum += a*row[m] + cmplx.Conj(a)*mirror[m]
			}
			s.X[ch].Set(k, s.X[ch].At(k)-sum)
		}
	}
}
