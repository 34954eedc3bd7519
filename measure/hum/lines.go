package hum

import (
	"cmp"
	"context"
	"math"
	"slices"

	"tapload/measure/transform"
)

// Lines are the spectra of both inputs over all periods of a periodic signal.
// Every Periods-th line holds the signal, the lines between hold everything
// else.
type Lines struct {
	X       [2]*transform.Spectrum // sums over the samples, by line
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
// A tone of complex amplitude a at nu lines leaks into every line (see leakage).
// The lines between those of the signal show that undisturbed: from them follow
// nu and, for each input, a polynomial that the amplitude follows over the
// data, by least squares. A tone near enough to a line of the signal leaves
// little between: its amplitude is then hardly known, and the line is in doubt
// by about as much as it holds.
//
// An error is that of ctx, and leaves the lines of no use.
func (l Lines) TakeOut(ctx context.Context) (tones []Tone, doubt map[int][2]float64, err error) {
	doubt = map[int][2]float64{}
	s := search{Lines: l, ctx: ctx, doubt: doubt, top: min(l.X[0].Len()-2, int(l.HighHz/l.StepHz))}
	s.first = max(2, int(l.LowHz/l.StepHz))
	if s.top-s.first < 4*fitLines {
		return nil, doubt, nil
	}
	// Weaker tones come to light once the skirts of stronger ones are gone.
	for range rounds {
		before := len(tones)
		s.backgrounds()
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		for _, k := range s.candidates() {
			if len(tones) == mostTones || ctx.Err() != nil {
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
	return tones, doubt, ctx.Err()
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
	ctx        context.Context
	first, top int
	doubt      map[int][2]float64
	floor      [2][]float64 // background by block
	stale      bool         // something was taken out since floor was worked out
}

// ended asks, at some of the steps of a loop, whether the context has ended.
func (s *search) ended(step int) bool { return step%1024 == 0 && s.ctx.Err() != nil }

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
			if s.ended(b) {
				return
			}
			p = p[:0]
			signal := 0.0
			for k := max(1, b*blockLines); k < min(s.X[ch].Len(), (b+1)*blockLines); k++ {
				if s.isSignal(k) {
					signal = max(signal, abs2(s.X[ch].At(k)))
				} else {
					p = append(p, abs2(s.X[ch].At(k)))
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
		sum += abs2(s.X[ch].At(k)) / max(f[max(0, b-1)], f[b], f[min(len(f)-1, b+1)])
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
	for k += side; k > 0 && k < s.X[0].Len()-1 && s.isSignal(k); k += side {
	}
	return max(1, min(s.X[0].Len()-1, k))
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
		if s.ended(k) {
			return nil
		}
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
			if j := k + side*d; j > 0 && j < s.X[ch].Len() && !s.isSignal(j) {
				p = append(p, abs2(s.X[ch].At(j)))
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
		sum += abs2(s.X[ch].At(k)) / s.beside(ch, k)
	}
	return sum > stands
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
			if k < 1 || k >= s.X[0].Len() || !s.isSignal(k) || math.Abs(nu-float64(k)) > expectLine {
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
	if s.ctx.Err() != nil {
		return
	}
	for k := s.first - s.first%s.Periods; k <= s.top; k += s.Periods {
		if s.ended(k / s.Periods) {
			return
		}
		if k < 1 || !s.asked(k) {
			continue
		}
		for ch := range s.X {
			var near, all float64
			count := 0
			for d := 1; count < aboutLines && d < blockLines; d++ {
				for _, j := range [2]int{k - d, k + d} {
					if j < 1 || j >= s.X[ch].Len() || s.isSignal(j) {
						continue
					}
					all += abs2(s.X[ch].At(j))
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
