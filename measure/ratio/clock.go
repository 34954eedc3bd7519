package ratio

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// Player and recorder are often two devices with a clock each. A period as
// recorded is then not Period samples long, and its spectrum would leak.

const (
	driftSegment  = 8192 // samples compared at a time
	driftSegments = 6
	driftReach    = 4      // part of a segment, 1/4, by which it may be moved
	maxDrift      = 500e-6 // relative clock difference looked for

	// A shift between periods of less than this many samples changes nothing
	// that can be seen and is taken as none, and so is one of less than so
	// many standard uncertainties: putting the recording on a clock that noise
	// made up moves the signal off its lines.
	leastShift  = 1e-3
	surelyShift = 5.0
)

// driftOf returns by what fraction the recorder's clock runs faster than the
// player's: the shift between the first and the last counted period over the
// time between them. The first one starts at a frame of sound.
//
// The shift is measured in segments. The peak of each one's correlation gives
// whole samples; the phase of its cross spectrum gives the rest, with the weight
// of its energy at high frequencies, but only up to whole cycles. So the
// segments are taken in the order of that weight, each starting from what the
// ones before it agree on. Medians resist segments that a dropout spoilt; the
// variance of the median of normal values is pi/2 times that of their mean.
//
// Periods that are so far apart that a clock may move a segment by more than a part of
// itself are first told by two in a row.
func driftOf(ctx context.Context, sound card.Sound, start int, f signal.Frame) (drift float64, err error) {
	if apart := f.Period * (f.Periods - 1); f.Periods > 2 && maxDrift*float64(apart) > driftSegment/driftReach {
		if drift, err = driftOver(ctx, sound, start, f, f.Period, 0); err != nil {
			return 0, err
		}
	}
	return driftOver(ctx, sound, start, f, f.Period*(f.Periods-1), drift)
}

// driftOver is driftOf of two periods so many samples apart, near a drift.
func driftOver(ctx context.Context, sound card.Sound, start int, f signal.Frame, apart int, near float64) (float64, error) {
	n := segmentOf(f.Period)
	step := (f.Period - n) / driftSegments
	if step == 0 {
		return 0, nil
	}
	d := newDelayMeter(n)
	reach := min(n/driftReach, int(math.Ceil(maxDrift*float64(apart))))
	expected := int(math.Round(near * float64(apart)))
	again := start + apart + expected
	var pairs []segmentPair
	var peaks, shifts []weighted
	first, last := make([]float64, n), make([]float64, n)
	for at := 0; at+n <= f.Period && again+at+n <= sound.Frames(); at += step {
		if err := sound.ReadAt(ctx, first, nil, start+at, 1); err != nil {
			return 0, err
		}
		if err := sound.ReadAt(ctx, last, nil, again+at, 1); err != nil {
			return 0, err
		}
		p := d.pair(first, last)
		pairs = append(pairs, p)
		peaks = append(peaks, weighted{float64(p.peak(reach)), 1})
	}
	if len(pairs) == 0 {
		return 0, nil
	}
	slices.SortFunc(pairs, func(a, b segmentPair) int { return cmp.Compare(a.weight, b.weight) })
	shift := median(peaks)
	var information float64 // sum of 1/variance
	for _, p := range pairs {
		s, variance := p.refine(shift)
		if math.Abs(s) > float64(reach)+1 {
			continue // no clock: hum, louder than the signal in a segment, has a phase of its own
		}
		shifts = append(shifts, weighted{s, p.weight})
		shift = median(shifts)
		information += 1 / variance
	}
	shift += float64(expected)
	if math.Abs(shift) < math.Max(leastShift, surelyShift*math.Sqrt(math.Pi/2/information)) {
		return 0, nil
	}
	return shift / float64(apart), nil
}

// segmentOf returns the length of the segments of a period that are compared.
func segmentOf(period int) int {
	n := min(driftSegment, period/4)
	for !signal.Smooth(n) {
		n--
	}
	return n
}

// delayMeter compares segments of one length.
type delayMeter struct {
	fft    *fourier.FFT
	window []float64
	seq    []float64
	a      []complex128
}

func newDelayMeter(n int) *delayMeter {
	d := &delayMeter{fft: fourier.NewFFT(n), window: make([]float64, n), seq: make([]float64, n)}
	for i := range d.window {
		d.window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
	}
	return d
}

// segmentPair is two segments, by their cross spectrum and its transform, the
// correlation. Its weight is the information in a lag from its phase: the sum
// over the lines of power times squared angular frequency.
type segmentPair struct {
	cross       []complex128
	correlation []float64
	weight      float64
}

func (d *delayMeter) pair(a, b []float64) segmentPair {
	transform := func(dst []complex128, x []float64) []complex128 {
		for i, w := range d.window {
			d.seq[i] = w * x[i]
		}
		return d.fft.Coefficients(dst, d.seq)
	}
	d.a = transform(d.a, a)
	p := segmentPair{cross: transform(nil, b)}
	for k := range p.cross {
		p.cross[k] *= cmplx.Conj(d.a[k])
		w := 2 * math.Pi * float64(k) / float64(len(d.window))
		p.weight += cmplx.Abs(p.cross[k]) * w * w
	}
	p.correlation = d.fft.Sequence(nil, p.cross)
	return p
}

// peak returns by how many whole samples the second segment lags the first, at
// most reach, where their correlation is largest.
func (p segmentPair) peak(reach int) (best int) {
	n := len(p.correlation)
	for lag := -reach; lag <= reach; lag++ {
		if p.correlation[(lag+n)%n] > p.correlation[(best+n)%n] {
			best = lag
		}
	}
	return best
}

// refine returns the lag near the given one at which the phase of the cross
// spectrum has no slope, by Newton's steps with each line's power as its
// weight. Its variance follows from what the lines' imaginary parts still
// scatter by, sum (w Im)^2/(sum w^2 Re)^2 at the angular frequencies w.
func (p segmentPair) refine(near float64) (shift, variance float64) {
	n := float64(len(p.correlation))
	shift = near
	for range 4 {
		var num, den, scatter float64
		step := cmplx.Rect(1, 2*math.Pi*shift/n)
		turn := complex(1, 0)
		for k, z := range p.cross {
			w := 2 * math.Pi * float64(k) / n
			turned := z * turn
			num -= imag(turned) * w
			scatter += imag(turned) * w * imag(turned) * w
			den += math.Abs(real(turned)) * w * w
			turn *= step
		}
		if den == 0 {
			return near, math.Inf(1)
		}
		shift += num / den
		variance = scatter / (den * den)
	}
	return shift, variance
}

// weighted is a value with its weight.
type weighted struct{ value, weight float64 }

// median returns the value at which half of the weight is reached.
func median(v []weighted) float64 {
	slices.SortFunc(v, func(a, b weighted) int { return cmp.Compare(a.value, b.value) })
	var total, sum float64
	for _, x := range v {
		total += x.weight
	}
	for _, x := range v {
		if sum += x.weight; sum >= total/2 {
			return x.value
		}
	}
	return 0
}

// onClock is where the counted samples lie in a recording, in steps of 1 + drift
// of its own.
type onClock struct {
	kernel
	start int
	drift float64
}

// newOnClock returns where the counted samples lie in sound, total of them from
// start, each step 1 + drift samples of it: what a recorder on the player's clock
// would have taken. Interpolation is by Kaiser-windowed sinc, with images down by
// 120 dB for a signal whose band goes up to highHz; both channels are treated
// alike, so what it changes in the passband cancels in their ratio.
func newOnClock(sound card.Sound, start, total int, drift, highHz float64) (*onClock, error) {
	rec := sound.About()
	c := &onClock{newKernel(float64(rec.RateHz), signalBeyond*highHz), start, drift}
	lastAt := float64(start) + float64(total-1)*(1+drift)
	if start < c.half || int(lastAt)+c.half+1 >= sound.Frames() {
		return nil, &card.Fault{
			Cause:  card.TooShort,
			Text:   fmt.Sprintf("%s starts or ends too close to the signal to allow for clocks that differ by %.0f ppm", rec.Source, 1e6*drift),
			Advice: "start recording before the signal starts and stop after it ends",
		}
	}
	return c, nil
}

// taps fills in the weights of counted sample i, and returns the sample of the
// recording that the first of them belongs to.
func (c *onClock) taps(taps []float64, i int) (from int) {
	at := float64(c.start) + float64(i)*(1+c.drift)
	whole := math.Floor(at)
	c.fill(taps, at-whole)
	return int(whole) - c.half + 1
}

// first returns the sample of the recording that the first weight of counted sample i
// belongs to.
func (c *onClock) first(i int) int {
	return int(math.Floor(float64(c.start)+float64(i)*(1+c.drift))) - c.half + 1
}

// kernel interpolates between samples.
type kernel struct {
	half  int       // taps on either side
	fine  int       // table steps per sample
	table []float64 // from 0 to half samples
}

const (
	kernelDB     = 120  // attenuation of images
	signalBeyond = 1.06 // a signal goes a little higher than the band it measures
)

// newKernel returns a kernel whose transition, centred on half the rate,
// leaves a signal up to highHz untouched. Length and shape of the Kaiser window
// follow Kaiser's design formulas (A. V. Oppenheim, R. W. Schafer,
// Discrete-Time Signal Processing, section 7.5; from memory).
func newKernel(rateHz, highHz float64) kernel {
	width := math.Max(2*math.Pi*(rateHz-2*highHz)/rateHz, 0.2)
	taps := (kernelDB - 7.95) / (2.285 * width)
	k := kernel{half: int(math.Ceil(taps/2)) + 1, fine: 2048}
	beta := 0.1102 * (kernelDB - 8.7)
	k.table = make([]float64, k.half*k.fine+2)
	for i := range k.table {
		x := float64(i) / float64(k.fine)
		edge := x / float64(k.half)
		if edge >= 1 {
			continue
		}
		k.table[i] = besselI0(beta*math.Sqrt(1-edge*edge)) / besselI0(beta)
		if x > 0 {
			k.table[i] *= math.Sin(math.Pi*x) / (math.Pi * x)
		}
	}
	return k
}

// fill sets taps for a point the given fraction of a sample after the tap
// half-1.
func (k kernel) fill(taps []float64, fraction float64) {
	for j := range taps {
		x := math.Abs(float64(j-k.half+1)-fraction) * float64(k.fine)
		i := int(x)
		w := x - float64(i)
		taps[j] = (1-w)*k.table[i] + w*k.table[i+1]
	}
}

// late returns x[from:to] as it is when it comes by that part of a sample late,
// at most a half. There must be half samples of x on either side.
func (k kernel) late(x []float64, from, to int, by float64) []float64 {
	before := math.Ceil(by)
	taps := make([]float64, 2*k.half)
	k.fill(taps, before-by)
	y := make([]float64, to-from)
	for i := range y {
		at := from + i - int(before) - k.half + 1
		for j, w := range taps {
			y[i] += w * x[at+j]
		}
	}
	return y
}

// besselI0 is the modified Bessel function of order 0, by its power series.
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for n := 1.0; term > 1e-17*sum; n++ {
		term *= (x / (2 * n)) * (x / (2 * n))
		sum += term
	}
	return sum
}
