package hum

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
)

// Lines are the spectra of both inputs over all periods of a periodic signal.
// Every Periods-th line holds the signal, the lines between hold everything
// else.
type Lines struct {
	X       [2][]complex128 // sums over the samples, by line
	Periods int
	Samples int
	StepHz  float64 // between lines

	LowHz, HighHz float64 // where tones are looked for

	// Excited are the numbers of the lines, over Periods, that a sparse signal
	// has; nil where it has all. What of a line's signal changes while it plays
	// stands beside it like a tone.
	Excited []int
}

const (
	fitLines   = 24      // lines on either side that a tone is fitted to
	leaks      = 1 << 14 // farthest line that it is taken out of
	blockLines = 64      // that share a background
	besideFrom = 5       // lines from a tone at which its own background begins
	besideTo   = 21

	// A line is looked at where its power over that of the background, added
	// over the inputs, exceeds what noise does once in a thousand sweeps: of
	// 1.3e5 sums of two exponential variates one exceeds 22 so often.
	stands = 22.0

	// Another degree of the polynomial is taken where it explains so many times
	// the noise of a line more.
	explains = 16.0

	mostTones = 96
	rounds    = 5

	// A tone so far below the signal's own lines is of no account.
	negligible = 1e-11 // power

	// Where 8 of the lines about a signal line hold so many times the
	// background, what is left of a tone, or a broad one, stands there: noise
	// does so at 1 line in 1e5.
	aboutLines   = 8
	excess8      = 3.6
	excess4      = 5.5
	onLine       = 0.06 // lines from a signal line at which hardly anything of a tone shows between
	expectLine   = 0.15 // likewise, of a multiple of what was found
	nearEnough   = 1.5  // lines within which an expected tone counts as found
	nearLine     = 0.15 // likewise of one that wanders, and whose frequency says little
	coarse, fine = 0.1, 1e-4
)

// TakeOut finds tones between the lines of the signal, takes them out of all
// lines, and returns them, and by line of the signal the power of the error that
// is left in either input for not knowing them better.
//
// A tone of complex amplitude a at nu lines leaks into every line (see basis).
// The lines between those of the signal show that undisturbed: from them follow
// nu and, for each input, a polynomial that the amplitude follows over the
// data, by least squares. A tone near enough to a line of the signal leaves
// little between: its amplitude is then hardly known, and the line is in doubt
// by about as much as it holds.
func (l Lines) TakeOut() (tones []Tone, doubt map[int][2]float64) {
	doubt = map[int][2]float64{}
	s := search{Lines: l, doubt: doubt, top: min(len(l.X[0])-2, int(l.HighHz/l.StepHz))}
	s.first = max(2, int(l.LowHz/l.StepHz))
	if s.top-s.first < 4*fitLines {
		return nil, doubt
	}
	// Weaker tones come to light once the skirts of stronger ones are gone.
	for range rounds {
		before := len(tones)
		s.backgrounds()
		for _, k := range s.candidates() {
			if len(tones) == mostTones {
				break
			}
			if !s.stillStands(k) {
				continue
			}
			t, ok := s.fit(k)
			if !ok {
				continue
			}
			if t.order == 0 && t.nu != t.free {
				// Nothing of it shows but that it wanders.
				s.doubtLine(s.beyond(k, -1), t.prior)
				s.doubtLine(s.beyond(k, 1), t.prior)
				continue
			}
			s.keepDoubt(t)
			s.subtract(t)
			tones = merged(tones, Tone{Hz: t.nu * s.StepHz, Peak: t.peak(s.Samples)}, s.StepHz)
		}
		if len(tones) == before {
			break
		}
	}
	s.expect(tones)
	s.keepExcess()
	slices.SortFunc(tones, func(a, b Tone) int { return cmp.Compare(a.Hz, b.Hz) })
	return tones, doubt
}

// merged adds t to the tones, or to what was taken for one within a line of it.
func merged(tones []Tone, t Tone, lineHz float64) []Tone {
	for i := range tones {
		if math.Abs(tones[i].Hz-t.Hz) < lineHz {
			for ch := range t.Peak {
				tones[i].Peak[ch] = math.Hypot(tones[i].Peak[ch], t.Peak[ch])
			}
			return tones
		}
	}
	return append(tones, t)
}

type search struct {
	Lines
	first, top int
	doubt      map[int][2]float64
	floor      [2][]float64 // background by block
	stale      bool         // something was taken out since floor was worked out
}

func (s *search) isSignal(k int) bool { return k%s.Periods == 0 }

// free reports whether line k may be looked at for a tone.
func (s *search) free(k int) bool {
	if s.isSignal(k) {
		return false
	}
	if s.Excited == nil {
		return true
	}
	for _, near := range [2]int{k - 1, k + 1} {
		if _, excited := slices.BinarySearch(s.Excited, near/s.Periods); excited && s.isSignal(near) {
			return false
		}
	}
	return true
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// backgrounds takes the median of the lines between in each block, over ln 2:
// the mean of exponential variates.
func (s *search) backgrounds() {
	s.stale = false
	blocks := s.top/blockLines + 2
	var p []float64
	for ch := range s.floor {
		s.floor[ch] = make([]float64, blocks)
		for b := range blocks {
			p = p[:0]
			signal := 0.0
			for k := max(1, b*blockLines); k < min(len(s.X[ch]), (b+1)*blockLines); k++ {
				if s.isSignal(k) {
					signal = max(signal, abs2(s.X[ch][k]))
				} else {
					p = append(p, abs2(s.X[ch][k]))
				}
			}
			s.floor[ch][b] = max(middle(p)/math.Ln2, negligible*signal, math.SmallestNonzeroFloat64)
		}
	}
}

// middle returns the median of p, whose order it changes (C. A. R. Hoare,
// Algorithm 65, CACM 4(7), 321-322, 1961).
func middle(p []float64) float64 {
	if len(p) == 0 {
		return 0
	}
	k, lo, hi := len(p)/2, 0, len(p)-1
	for lo < hi {
		pivot, i, j := p[(lo+hi)/2], lo, hi
		for i <= j {
			for p[i] < pivot {
				i++
			}
			for p[j] > pivot {
				j--
			}
			if i <= j {
				p[i], p[j] = p[j], p[i]
				i, j = i+1, j-1
			}
		}
		if k <= j {
			hi = j
		} else if k >= i {
			lo = i
		} else {
			break
		}
	}
	return p[k]
}

// over returns the power of line k over the background, added over the inputs.
func (s *search) over(k int) (sum float64) {
	b := k / blockLines
	for ch := range s.floor {
		f := s.floor[ch]
		sum += abs2(s.X[ch][k]) / max(f[max(0, b-1)], f[b], f[min(len(f)-1, b+1)])
	}
	return sum
}

// beyond returns the next line of the signal on one side.
func (s *search) beyond(k, side int) int {
	for !s.isSignal(k) {
		k += side
	}
	return k
}

// doubtLine adds to the doubt of a line.
func (s *search) doubtLine(k int, power [2]float64) {
	d := s.doubt[k]
	for ch := range d {
		d[ch] += power[ch]
	}
	s.doubt[k] = d
}

// next returns the next line between on one side.
func (s *search) next(k, side int) int {
	for k += side; k > 0 && k < len(s.X[0])-1 && s.isSignal(k); k += side {
	}
	return max(1, min(len(s.X[0])-1, k))
}

// candidates returns the lines that stand out, the strongest first.
func (s *search) candidates() []int {
	type candidate struct {
		k    int
		over float64
	}
	var all []candidate
	last, lastOver := 0, 0.0
	for k := s.first; k <= s.top; k++ {
		if s.isSignal(k) {
			continue
		}
		o := s.over(k)
		if o > stands && s.free(k) && o >= s.over(s.next(k, 1)) && o >= s.over(s.next(k, -1)) {
			if k-last <= 2 && lastOver > 0 { // a peak is one candidate
				if o > lastOver {
					all[len(all)-1] = candidate{k, o}
				}
			} else {
				all = append(all, candidate{k, o})
			}
			last, lastOver = k, o
		} else {
			lastOver = 0
		}
	}
	slices.SortFunc(all, func(a, b candidate) int {
		switch {
		case a.over > b.over:
			return -1
		case a.over < b.over:
			return 1
		}
		return a.k - b.k
	})
	ks := make([]int, 0, len(all))
	for _, c := range all {
		ks = append(ks, c.k)
	}
	return ks
}

// beside returns the background about line k, the higher of both sides: what
// stands on the flank of something broad is no tone.
func (s *search) beside(ch, k int) float64 {
	var most float64
	for _, side := range [2]int{-1, 1} {
		p := make([]float64, 0, besideTo)
		for d := besideFrom; d <= besideTo; d++ {
			if j := k + side*d; j > 0 && j < len(s.X[ch]) && !s.isSignal(j) {
				p = append(p, abs2(s.X[ch][j]))
			}
		}
		most = max(most, middle(p)/math.Ln2)
	}
	return max(most, s.floor[ch][k/blockLines]/4)
}

// stillStands reports whether line k stands out after stronger tones went.
func (s *search) stillStands(k int) bool {
	var sum float64
	for ch := range s.X {
		sum += abs2(s.X[ch][k]) / s.beside(ch, k)
	}
	return sum > stands
}

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
		if j := k + d; j >= 1 && j < len(s.X[0]) && !s.isSignal(j) {
			t.lines = append(t.lines, j)
		}
	}
	var noise [2]float64
	var signal [2]float64
	for ch := range noise {
		noise[ch] = s.beside(ch, k)
		for j := k - 2*s.Periods; j <= k+2*s.Periods; j++ {
			if j > 0 && j < len(s.X[ch]) {
				signal[ch] = max(signal[ch], abs2(s.X[ch][j]))
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
			none += abs2(s.X[ch][j]) / noise[ch]
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
	samples := float64(s.Samples)
	b := make([]complex128, len(t.lines)*n)
	mirror := make([]complex128, len(t.lines)*n)
	for i, k := range t.lines {
		basis(b[i*n:(i+1)*n], nu, k, samples)
		basis(mirror[i*n:(i+1)*n], -nu, k, samples)
	}
	normal := make([]complex128, n*n)
	for i := range t.lines {
		row := b[i*n : (i+1)*n]
		for p := range n {
			for q := range n {
				normal[p*n+q] += cmplx.Conj(row[p]) * row[q]
			}
		}
	}
	for ch := range t.a {
		own := slices.Clone(normal)
		for p := range n {
			own[p*n+p] += complex(noise[ch]/max(t.prior[ch], noise[ch]), 0)
		}
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
				x := s.X[ch][k]
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
			x := s.X[ch][k]
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

// keepDoubt adds to the doubt of the signal's lines about t what is uncertain of
// it there: sigma^2 b C b' with the inverse C of the normal matrix and the row b
// of the signal's line. It is that of one degree more than was fitted, which
// holds an error of the frequency too. Next to the tone it is at least what the
// lines between are missed by when each is left out of the fit (leave-one-out
// residual, r/(1 - h) with h the leverage): where a tone wanders more than a
// polynomial follows, that alone says so.
func (s *search) keepDoubt(t tone) {
	n := t.order + 2
	samples := float64(s.Samples)
	normal := make([]complex128, n*n)
	row := make([]complex128, n)
	for _, k := range t.lines {
		basis(row, t.nu, k, samples)
		for p := range n {
			for q := range n {
				normal[p*n+q] += cmplx.Conj(row[p]) * row[q]
			}
		}
	}
	for ch := range t.a {
		own := slices.Clone(normal)
		for p := range n {
			own[p*n+p] += complex(t.sigma[ch]/max(t.prior[ch], t.sigma[ch]), 0)
		}
		if !factor(own, n) {
			continue // nothing was taken out
		}
		centre := int(math.Round(t.nu))
		for k := max(1, centre-fitLines); k <= min(len(s.X[ch])-1, centre+fitLines); k++ {
			if !s.isSignal(k) {
				continue
			}
			basis(row, t.nu, k, samples)
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
	samples := float64(s.Samples)
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
	row, mirror := make([]complex128, n), make([]complex128, n)
	for k := max(1, centre-reach); k <= min(len(s.X[0])-1, centre+reach); k++ {
		basis(row, t.nu, k, samples)
		basis(mirror, -t.nu, k, samples)
		for ch := range t.a {
			var sum complex128
			for m, a := range t.a[ch] {
				sum += a*row[m] + cmplx.Conj(a)*mirror[m]
			}
			s.X[ch][k] -= sum
		}
	}
}

// expect puts lines of the signal in doubt on which a multiple of a fundamental
// that was found lies so exactly that it does not show between the lines.
func (s *search) expect(tones []Tone) {
	for _, f := range Families(tones) {
		for _, m := range f.Multiples() {
			if m.Hz >= s.HighHz {
				break
			}
			nu := m.Hz / s.StepHz
			k := int(math.Round(nu))
			if k < 1 || k >= len(s.X[0]) || !s.isSignal(k) || math.Abs(nu-float64(k)) > expectLine {
				continue
			}
			if slices.ContainsFunc(tones, func(t Tone) bool { return math.Abs(t.Hz/s.StepHz-nu) < nearEnough }) {
				continue
			}
			d := s.doubt[k]
			for ch := range d {
				a := f.Peak[ch] / 2 * float64(s.Samples)
				d[ch] += a * a
			}
			s.doubt[k] = d
		}
	}
}

// keepExcess adds to the doubt of each line of the signal what the lines beside
// it hold above the background.
func (s *search) keepExcess() {
	if s.stale {
		s.backgrounds()
	}
	for k := s.first - s.first%s.Periods; k <= s.top; k += s.Periods {
		if k < 1 || !s.asked(k) {
			continue
		}
		for ch := range s.X {
			var near, all float64
			count := 0
			for d := 1; count < aboutLines && d < blockLines; d++ {
				for _, j := range [2]int{k - d, k + d} {
					if j < 1 || j >= len(s.X[ch]) || s.isSignal(j) {
						continue
					}
					all += abs2(s.X[ch][j])
					count++
					if count <= aboutLines/2 {
						near = all
					}
				}
			}
			near /= aboutLines / 2
			all /= float64(count)
			b := k / blockLines
			f := s.floor[ch]
			floor := max(f[max(0, b-1)], f[b], f[min(len(f)-1, b+1)])
			var power float64
			if all > excess8*floor {
				power = all
			}
			if near > excess4*floor {
				power = max(power, near)
			}
			if power > 0 {
				d := s.doubt[k]
				d[ch] += power
				s.doubt[k] = d
			}
		}
	}
}

// asked reports whether signal line k is one that the signal has.
func (s *search) asked(k int) bool {
	if s.Excited == nil {
		return true
	}
	_, ok := slices.BinarySearch(s.Excited, k/s.Periods)
	return ok
}
