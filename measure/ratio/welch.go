package ratio

import (
	"cmp"
	"context"
	"errors"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/hum"
	"tapload/measure/transform"
)

// hops is how many windows begin within the length of one: the fewest for
// which squared Hann windows add up to a constant, so that no instant of the
// recording counts more than another.
const hops = 3

const (
	hannPower     = 0.375 // of the power that a Hann window leaves
	leastBins     = 3     // that the noise near a cell is the mean of
	shortestNoise = 6     // windows that a spectrum of the noise is the mean of
	quietPart     = 0.1   // of all windows that are taken for the quiet ones
	moreLengths   = 4     // times shorter is the next length of windows
	binsInCell    = 8     // that a cell gets where windows can be long enough for it
	longestPeriod = 2     // times the period of the grid that the longest windows last
	shareOfTime   = 0.25  // of the recording that they last at most
)

// cross holds sums over windows at one frequency.
type cross struct {
	p1, p2 float64    // |V1|^2, |V2|^2
	p12    complex128 // conj(V1) V2

	q1 float64 // |V1|^4

	when  times // of |V1|^2
	whole times // the same with the windows that reach beyond the ends
}

func (c *cross) take(a, b complex128, when float64) {
	p1, p2, p12 := abs2(a), abs2(b), cmplx.Conj(a)*b
	c.p1 += p1
	c.p2 += p2
	c.p12 += p12
	c.q1 += p1 * p1
	c.when.take(p1, when)
	c.whole.take(p1, when)
}

// times holds sums of a power, of the same times when, as a part of the recording,
// and times its square.
type times struct{ p, t, tt float64 }

func (c *times) take(p, when float64) {
	c.p += p
	c.t += p * when
	c.tt += p * when * when
}

func (c times) plus(d times, sign float64) times {
	return times{c.p + sign*d.p, c.t + sign*d.t, c.tt + sign*d.tt}
}

func (c *cross) add(d cross) {
	c.p1, c.p2, c.p12 = c.p1+d.p1, c.p2+d.p2, c.p12+d.p12
	c.q1 += d.q1
	c.when, c.whole = c.when.plus(d.when, 1), c.whole.plus(d.whole, 1)
}

// less returns what of c is not in d, a part of it.
func (c cross) less(d cross) cross {
	return cross{p1: c.p1 - d.p1, p2: c.p2 - d.p2, p12: c.p12 - d.p12, q1: c.q1 - d.q1, when: c.when.plus(d.when, -1), whole: c.whole.plus(d.whole, -1)}
}

// beside returns the same of V1 and V2 - d V1.
func (c cross) beside(d complex128) cross {
	c.p2 += abs2(d)*c.p1 - 2*real(cmplx.Conj(d)*c.p12)
	c.p12 -= d * complex(c.p1, 0)
	return c
}

// residual returns the sum of |V2 - g V1|^2.
func (c cross) residual(g complex128) float64 {
	return math.Max(0, c.p2-2*real(cmplx.Conj(g)*c.p12)+abs2(g)*c.p1)
}

// coherence returns |S12|^2/(S11 S22).
func (c cross) coherence() float64 {
	if c.p1 == 0 || c.p2 == 0 {
		return 0
	}
	return min(1, abs2(c.p12)/(c.p1*c.p2))
}

// welch holds averaged cross-spectra of windows of one length (P. D. Welch,
// IEEE Trans. Audio Electroacoust. 15(2), 70-73, 1967, from memory), of all of
// them, of the quiet ones, of the loud ones, and of those in either half of the
// recording.
type welch struct {
	length    int
	rateHz    float64
	binHz     float64
	all       []cross
	quiet     []cross
	loud      []cross
	early     []cross
	late      []cross
	windows   int
	quietOnes int
	level     [2]float64 // mean energy of V1 in the windows that are not loud, and in the loud ones, each window by its energy
}

// steady reports whether what V1 has in a bin hardly changes from window to
// window, of so many of which c is the sum, as a tone does and neither music nor
// noise: those have a variance of the mean squared and more.
func (c cross) steady(windows int) bool {
	const enough, changes = 20, 0.3
	return windows >= enough && c.q1*float64(windows) < (1+changes)*c.p1*c.p1
}

// lengths returns the lengths of windows that cells need, longest first, in
// samples.
func lengths(cells []heard, periodHz, rateHz float64, samples int) []int {
	long := min(longestPeriod*rateHz/periodHz, shareOfTime*float64(samples))
	var n []int
	for {
		n = append(n, transform.LengthBelow(int(long)))
		last := float64(n[len(n)-1])
		narrow := 0
		for _, c := range cells {
			if c.widthHz*last/rateHz/moreLengths >= binsInCell {
				narrow++
			}
		}
		if narrow == 0 {
			return n
		}
		long = last / moreLengths
	}
}

// averaging is a welch to which windows are added one after the other.
type averaging struct {
	welch
	samples         int    // of the recording
	done            int    // windows
	isQuiet, isLoud []bool // by window

	first []float64 // samples of V1, of a window's length
	hann  []float64
	fft   *transform.Real
	room  []float64
	a, b  []complex128 // of the window that is added
}

// newAveraging chooses the windows of one length in a recording of so many samples.
// Energy returns those of V1 and V2 between two samples. Quiet windows are those
// with the least of V2 at all frequencies together, so that the choice does not hang
// on the noise at any one of them.
func newAveraging(length, samples int, rateHz float64, energy func(from, to int) [2]float64) *averaging {
	w := &averaging{welch: welch{length: length, rateHz: rateHz, binHz: rateHz / float64(length)}, samples: samples}
	w.windows = 1 + int(float64(samples-length)/w.hop())
	by1, by2 := make([]float64, w.windows), make([]float64, w.windows)
	order := make([]int, w.windows)
	for i := range order {
		e := energy(w.start(i), w.start(i)+length)
		order[i], by1[i], by2[i] = i, e[0], e[1]
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(by2[i], by2[j]) })
	w.quietOnes = int(math.Ceil(quietPart * float64(w.windows)))
	w.isQuiet = make([]bool, w.windows)
	for _, i := range order[:w.quietOnes] {
		w.isQuiet[i] = true
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(by1[i], by1[j]) })
	// Loud are those that hold half of all energy.
	var whole float64
	for _, e := range by1 {
		whole += e
	}
	w.isLoud = make([]bool, w.windows)
	var sum, squares [2]float64
	for i, held := len(order)-1, 0.0; i >= 0; i-- {
		e, set := by1[order[i]], 0
		if held < whole/2 {
			w.isLoud[order[i]], set = true, 1
		}
		held += e
		sum[set] += e
		squares[set] += e * e
	}
	for set := range sum {
		if sum[set] > 0 {
			w.level[set] = squares[set] / sum[set]
		}
	}
	w.hann = make([]float64, length)
	for i := range w.hann {
		w.hann[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(length))
	}
	bins := length/2 + 1
	w.fft, w.room = transform.New(length), make([]float64, length)
	w.a, w.b = make([]complex128, bins), make([]complex128, bins)
	w.quiet, w.loud = make([]cross, bins), make([]cross, bins)
	w.early, w.late = make([]cross, bins), make([]cross, bins)
	return w
}

func (w *averaging) hop() float64 { return float64(w.length) / hops }

// start returns where window i begins.
func (w *averaging) start(i int) int { return int(float64(i) * w.hop()) }

// half returns the sums of the half of the recording that a moment is in.
func (w *averaging) half(when float64) []cross {
	if when > 0.5 {
		return w.late
	}
	return w.early
}

// add adds the next window, number done, with which v1 and v2 begin. An error is that
// of ctx.
func (w *averaging) add(ctx context.Context, v1, v2 []float64) error {
	if w.done == 0 {
		w.first = slices.Clone(v1[:w.length])
	}
	for ch, v := range [2][]float64{v1, v2} {
		lines := [2][]complex128{w.a, w.b}[ch]
		x := w.fft.Values(lines)
		for k, s := range v[:w.length] {
			x[k] = w.hann[k] * s
		}
		if err := w.fft.Forward(ctx, lines, w.room); err != nil {
			return err
		}
	}
	when := (float64(w.start(w.done)) + float64(w.length)/2) / float64(w.samples)
	half := w.half(when)
	for k := range half {
		half[k].take(w.a[k], w.b[k], when)
	}
	for set, in := range [2]bool{w.isLoud[w.done], w.isQuiet[w.done]} {
		if in {
			sums := [2][]cross{w.loud, w.quiet}[set]
			for k := range sums {
				sums[k].take(w.a[k], w.b[k], when)
			}
		}
	}
	return nil
}

// finish returns the welch, once all windows are added; end has all samples of V1 that
// no window began before. An error is that of ctx.
func (w *averaging) finish(ctx context.Context, end []float64) (welch, error) {
	// What stands within a window of the ends counts less in those, but not in the
	// whole.
	for i := 1 - hops; float64(i)*w.hop() < float64(w.samples); i++ {
		if i >= 0 && i < w.windows {
			continue
		}
		from := int(math.Floor(float64(i) * w.hop()))
		x := w.fft.Values(w.a)
		var when, weight float64
		for k := range x {
			x[k] = 0
			if j := from + k; j >= 0 && j < w.samples {
				v := 0.0
				if i < 0 {
					v = w.first[j]
				} else {
					v = end[len(end)-w.samples+j]
				}
				x[k] = w.hann[k] * v
				weight += w.hann[k] * w.hann[k]
				when += w.hann[k] * w.hann[k] * float64(j) / float64(w.samples)
			}
		}
		if weight == 0 {
			continue
		}
		when /= weight
		if err := w.fft.Forward(ctx, w.a, w.room); err != nil {
			return welch{}, err
		}
		half := w.half(when)
		for k, s := range w.a {
			half[k].whole.take(abs2(s), when)
		}
	}
	w.all = make([]cross, len(w.a))
	for k := range w.all {
		w.all[k] = w.sum(k)
	}
	return w.welch, nil
}

// sum returns what bin k of all windows so far holds.
func (w *averaging) sum(k int) cross {
	c := w.early[k]
	c.add(w.late[k])
	return c
}

// welchOf averages over windows of one length. An error is that of ctx.
func welchOf(ctx context.Context, v1, v2 []float64, length int, rateHz float64) (welch, error) {
	w := newAveraging(length, len(v1), rateHz, func(from, to int) (e [2]float64) {
		if ctx.Err() != nil {
			return e
		}
		for k := from; k < to; k++ {
			e[0] += v1[k] * v1[k]
			e[1] += v2[k] * v2[k]
		}
		return e
	})
	for ; w.done < w.windows; w.done++ {
		at := w.start(w.done)
		if err := w.add(ctx, v1[at:], v2[at:]); err != nil {
			return welch{}, err
		}
	}
	return w.finish(ctx, v1)
}

// welches works out all lengths at once.
func welches(ctx context.Context, v1, v2 []float64, lengths []int, rateHz float64) ([]welch, error) {
	w := make([]welch, len(lengths))
	errs := make([]error, len(lengths))
	err := hum.Concurrently(ctx, len(lengths), func(i int) { w[i], errs[i] = welchOf(ctx, v1, v2, lengths[i], rateHz) })
	return w, cmp.Or(err, errors.Join(errs...))
}

// bins returns the bins of w from low to below high hertz, at least one.
func (w welch) bins(low, high float64) (from, to int) {
	from, to = int(math.Ceil(low/w.binHz)), int(math.Ceil(high/w.binHz))
	if to <= from {
		from = int(math.Round((low + high) / 2 / w.binHz))
		to = from + 1
	}
	top := w.length/2 + 1
	return min(from, top-1), min(to, top)
}

// noise returns the mean power of what sounds in the quiet windows in the bins
// next to low to high hertz that are free of hum, in a line of so many samples at a
// rate, and of how many numbers it is the mean. What follows a ratio beside the usual
// is taken off V2.
func (w welch) noise(low, high, samples, rateHz float64, mains humAt, beside func(hz float64) complex128) (n noise, count float64) {
	from, to := w.bins(low, high)
	var sum cross
	take := func(k int) {
		hz := float64(k) * w.binHz
		if k >= 1 && k < len(w.quiet) && !mains.spoils(hz, w.binHz) {
			sum.add(w.quiet[k].beside(beside(hz)))
			count += float64(w.quietOnes)
		}
	}
	for k := from; k < to; k++ {
		take(k)
	}
	for wider := 1; count < float64(leastBins*w.quietOnes) && wider < len(w.quiet); wider++ {
		take(from - wider)
		take(to - 1 + wider)
	}
	scale := samples * (rateHz / w.rateHz) / (hannPower * float64(w.length)) / count
	return noise{sum.p1 * scale, sum.p2 * scale, sum.p12 * complex(scale, 0)}, count
}
