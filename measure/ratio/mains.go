package ratio

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/signal"
)

// Line is a steady tone that is no part of the test signal.
type Line struct {
	Hz   float64
	Peak [2]float64 // amplitude in V1 and V2, fraction of full scale
}

const (
	mainsHarmonics = 20  // looked for, of 50 and of 60 Hz
	mainsReachHz   = 0.5 // how far the mains may be off its nominal frequency
	followedHz     = 0.1 // how far a harmonic may be off once a lower one is known
	mainsLines     = 16  // noise lines on either side that a fit uses
	mainsLeaks     = 1 << 14

	// A tone is fitted where a line stands so far above the mean of its
	// neighbours, and kept when it explains so many times more energy per
	// degree of freedom than it leaves.
	mainsOutstanding  = 14.0
	mainsSignificance = 12.0
)

// takeOutMains finds mains hum and its harmonics, subtracts them from both
// spectra and returns them.
//
// A tone of complex amplitude a at nu lines (not a whole number) leaks into
// every line k as a D(nu - k), D the kernel of the rectangular window. The
// lines between those of the signal show the leakage undisturbed: from them
// follow nu and a for each channel by least squares, and with these what the
// tone adds to the signal's own lines. A tone that falls within a twentieth of
// a line on a signal line leaks too little to be seen, and stays in that one
// line; the length of a period keeps nominal mains off it.
func (s spectrum) takeOutMains() []Line {
	var found []Line
	for _, base := range signal.MainsHz {
		reach := mainsReachHz
		for h := 1.0; h <= mainsHarmonics && base*h < s.frame.HighHz; h++ {
			taken := slices.ContainsFunc(found, func(l Line) bool { return math.Abs(l.Hz-base*h) < 2 })
			if taken || !s.outstanding(base*h, reach*h) {
				continue
			}
			t, ok := s.fitTone(base*h, reach*h)
			if !ok {
				continue
			}
			s.keepDoubt(t)
			s.subtract(t)
			found = append(found, Line{Hz: t.nu * s.stepHz, Peak: [2]float64{2 * cmplx.Abs(t.a[0]), 2 * cmplx.Abs(t.a[1])}})
			base, reach = t.nu*s.stepHz/h, followedHz
		}
	}
	return found
}

// outstanding reports whether a noise line within reach of nominal stands out
// of its surroundings in either channel.
func (s spectrum) outstanding(nominalHz, reachHz float64) bool {
	centre := nominalHz / s.stepHz
	near := s.noiseLines(centre, int(math.Ceil(reachHz/s.stepHz))+1)
	around := s.noiseLines(centre, int(math.Ceil(reachHz/s.stepHz))+3*mainsLines)
	for _, x := range [2][]complex128{s.x1, s.x2} {
		top := near[0]
		for _, k := range near {
			if abs2(x[k]) > abs2(x[top]) {
				top = k
			}
		}
		var sum, n float64
		for _, k := range around {
			if k < top-3 || k > top+3 {
				sum += abs2(x[k])
				n++
			}
		}
		if abs2(x[top])*n > mainsOutstanding*sum && abs2(x[top]) > 0 {
			return true
		}
	}
	return false
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// tone is a steady tone in both channels: a exp(2 pi j nu n/N) and its
// conjugate.
type tone struct {
	nu   float64 // frequency in lines
	a    [2]complex128
	left [2]float64 // energy that it leaves in the lines it was fitted to, per channel
}

// leakage is what a tone of frequency nu and amplitude 1 puts into lines.
type leakage struct {
	nu, samples float64
	turn        complex128 // exp(2 pi j nu) - 1
}

func (s spectrum) leakage(nu float64) leakage {
	return leakage{samples: float64(s.samples)}.moved(nu)
}

// at returns the transform of exp(2 pi j nu n/N) at line k, and that of its
// conjugate:
//
//	(exp(2 pi j nu) - 1)/(exp(2 pi j (nu-k)/N) - 1),  with
//	1/(exp(2 j x) - 1) = (-1 - j cot x)/2.
func (l leakage) at(k int) (positive, negative complex128) {
	half := math.Pi / l.samples
	if math.Abs(l.nu-float64(k)) < 1e-9 {
		positive = complex(l.samples, 0)
	} else {
		positive = l.turn * complex(-0.5, -0.5*cot(half*(l.nu-float64(k))))
	}
	negative = complex(real(l.turn), -imag(l.turn)) * complex(-0.5, -0.5*cot(half*(-l.nu-float64(k))))
	return positive, negative
}

// slope returns the derivatives of what at returns by nu.
func (l leakage) slope(k int) (positive, negative complex128) {
	const h = 1e-5 // rounding and curvature both stay below 1e-9 of the value
	up, down := l.moved(h), l.moved(-h)
	pu, nu := up.at(k)
	pd, nd := down.at(k)
	return (pu - pd) / (2 * h), (nu - nd) / (2 * h)
}

func (l leakage) moved(by float64) leakage {
	nu := l.nu + by
	sin, cos := math.Sincos(2 * math.Pi * (nu - math.Round(nu)))
	return leakage{nu, l.samples, complex(cos-1, sin)}
}

// cot is the cotangent; near 0, where it is wanted most, by its series.
func cot(x float64) float64 {
	if x2 := x * x; x2 < 0.01 {
		return 1/x - x*(1.0/3+x2*(1.0/45+x2*2.0/945))
	}
	return 1 / math.Tan(x)
}

// fitTone fits a tone within reach of nominal hertz and reports whether the
// data call for it.
func (s spectrum) fitTone(nominalHz, reachHz float64) (tone, bool) {
	centre, reach := nominalHz/s.stepHz, math.Max(reachHz/s.stepHz, 0.5)
	lines := s.noiseLines(centre, mainsLines+int(reach))
	if len(lines) < 8 {
		return tone{}, false
	}
	best := tone{left: [2]float64{math.Inf(1), 0}}
	const coarse = 0.1 // lines
	for nu := centre - reach; nu <= centre+reach; nu += coarse {
		if t := s.fitAt(nu, lines); t.left[0]+t.left[1] < best.left[0]+best.left[1] {
			best = t
		}
	}
	best = s.fitAt(s.refine(best.nu-coarse, best.nu+coarse, lines), lines)
	var all float64
	for _, k := range lines {
		all += abs2(s.x1[k]) + abs2(s.x2[k])
	}
	const fitted = 5 // two complex amplitudes and nu
	left := best.left[0] + best.left[1]
	dof := float64(4*len(lines) - fitted)
	return best, (all-left)/fitted > mainsSignificance*left/dof
}

// refine returns the frequency between lo and hi at which the energy left by
// the best tone is least: where its derivative, -2 Re sum conj(r) dm/dnu with
// residual r and model m, changes sign.
func (s spectrum) refine(lo, hi float64, lines []int) float64 {
	rises := func(nu float64) bool {
		t := s.fitAt(nu, lines)
		l := s.leakage(nu)
		var d float64
		for _, k := range lines {
			p, n := l.at(k)
			dp, dn := l.slope(k)
			for ch, x := range [2]complex128{s.x1[k], s.x2[k]} {
				a, ca := t.a[ch], cmplx.Conj(t.a[ch])
				r, dm := x-a*p-ca*n, a*dp+ca*dn
				d += real(r)*real(dm) + imag(r)*imag(dm)
			}
		}
		return d < 0
	}
	for hi-lo > 1e-11 {
		if mid := (lo + hi) / 2; rises(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}

// noiseLines returns the noise lines within reach lines of centre.
func (s spectrum) noiseLines(centre float64, reach int) []int {
	var lines []int
	for k := max(1, int(centre)-reach); k <= min(len(s.x1)-1, int(centre)+reach+1); k++ {
		if !s.isSignal(k) {
			lines = append(lines, k)
		}
	}
	return lines
}

// fitAt returns the tone at nu that fits the given lines best.
func (s spectrum) fitAt(nu float64, lines []int) tone {
	// With a = u + jv a line holds u (p + n) + v j(p - n).
	t := tone{nu: nu}
	var uu, uv, vv float64
	var ux, vx [2]float64
	l := s.leakage(nu)
	for _, k := range lines {
		p, n := l.at(k)
		cu, cv := p+n, complex(0, 1)*(p-n)
		uu += abs2(cu)
		vv += abs2(cv)
		uv += real(cu)*real(cv) + imag(cu)*imag(cv)
		for ch, x := range [2]complex128{s.x1[k], s.x2[k]} {
			ux[ch] += real(cu)*real(x) + imag(cu)*imag(x)
			vx[ch] += real(cv)*real(x) + imag(cv)*imag(x)
			t.left[ch] += abs2(x)
		}
	}
	det := uu*vv - uv*uv
	if det <= 0 {
		return t
	}
	for ch := range t.a {
		u := (vv*ux[ch] - uv*vx[ch]) / det
		v := (uu*vx[ch] - uv*ux[ch]) / det
		t.a[ch] = complex(u, v)
		t.left[ch] = math.Max(t.left[ch]-u*ux[ch]-v*vx[ch], 0)
	}
	return t
}

// keepDoubt adds to the doubt of the signal lines about t what is uncertain of
// it there: with the covariance C of amplitude and frequency from the noise
// lines, E|c C c'| for the row c of derivatives at a signal line.
func (s spectrum) keepDoubt(t tone) {
	lines := s.noiseLines(t.nu, mainsLines)
	l := s.leakage(t.nu)
	row := func(k, ch int) [3]complex128 {
		p, n := l.at(k)
		dp, dn := l.slope(k)
		return [3]complex128{p + n, complex(0, 1) * (p - n), t.a[ch]*dp + cmplx.Conj(t.a[ch])*dn}
	}
	for ch := range t.a {
		normal := mat.NewSymDense(3, nil)
		for _, k := range lines {
			c := row(k, ch)
			for i := range c {
				for j := i; j < len(c); j++ {
					normal.SetSym(i, j, normal.At(i, j)+real(c[i])*real(c[j])+imag(c[i])*imag(c[j]))
				}
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(normal) {
			continue // no tone in this channel: nothing was taken out of it
		}
		variance := t.left[ch] / float64(2*len(lines)-3)
		for k := int(t.nu) - mainsLines; k <= int(t.nu)+mainsLines; k++ {
			if k < 1 || !s.isSignal(k) {
				continue
			}
			c := row(k, ch)
			d := s.doubt[k]
			for _, part := range []func(complex128) float64{func(z complex128) float64 { return real(z) }, func(z complex128) float64 { return imag(z) }} {
				v := mat.NewVecDense(3, []float64{part(c[0]), part(c[1]), part(c[2])})
				var w mat.VecDense
				if chol.SolveVecTo(&w, v) == nil {
					d[ch] += variance * mat.Dot(v, &w)
				}
			}
			s.doubt[k] = d
		}
	}
}

// subtract takes t out of both spectra.
func (s spectrum) subtract(t tone) {
	centre := int(math.Round(t.nu))
	l := s.leakage(t.nu)
	for k := max(1, centre-mainsLeaks); k <= min(len(s.x1)-1, centre+mainsLeaks); k++ {
		p, n := l.at(k)
		s.x1[k] -= t.a[0]*p + cmplx.Conj(t.a[0])*n
		s.x2[k] -= t.a[1]*p + cmplx.Conj(t.a[1])*n
	}
}
