package hum

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

const (
	widthHz    = 1.5  // that a steady tone takes on either side, seen through a few short pauses
	asideHz    = 4.0  // on either side that it must stand out of
	aroundLine = 64   // lines on either side that a frequency between lines is worked out from
	stepLines  = 0.25 // in the search for it
	towers     = 60.0 // times the mean power beside it; music that comes and goes reaches 40
	towersFree = 200.0
	loudness   = 0.25 // s, over which loudness is taken
	mostTaken  = 24   // tones that are taken out; bins at weaker ones need only be left out

	calmOnes   = 6   // quietest seconds in which a tone of no known supply
	calmSpread = 2.0 // must not be larger than so many times where it is least

	// tinyPower keeps digital silence from outweighing everything, as a fraction
	// of the mean power.
	tinyPower = 1e-8
)

// AgainstProgramme looks for steady tones in program material from lowHz to
// highHz, takes the strongest of them, and all multiples of the fundamentals
// that supplies have, out of both inputs, and returns all of them in rising
// order.
//
// Each moment counts by the inverse of its loudness: hum shows in the pauses of
// the music. What the music has at just that frequency goes with it, from both
// inputs in its own ratio: to take out too much does no harm. At a frequency of
// no known supply a tone must stand out further: strings are tuned to something
// too.
func AgainstProgramme(v [2][]float64, rateHz, lowHz, highHz float64) (tones []Tone) {
	n := smoothBelow(len(v[0]))
	if n < 4096 {
		return nil
	}
	weight := pauses(v[0], int(loudness*rateHz))
	lineHz := rateHz / float64(n)
	spec := weighted(v, weight, n)
	power := make([]float64, n/2+1)
	for _, s := range spec {
		for k, c := range s {
			power[k] += abs2(c)
		}
	}
	calm := quietest(v[0], int(rateHz))
	for _, k := range steady(power, lineHz, lowHz, highHz) {
		hz := between(spec, k, n) * lineHz
		if supply(hz, lineHz) || keeps(v, calm, int(rateHz), 2*math.Pi*hz/rateHz) {
			tones = append(tones, Tone{Hz: hz})
		}
	}
	var total float64
	for _, w := range weight {
		total += w
	}
	takeOut := func(t *Tone) {
		w := 2 * math.Pi * t.Hz / rateHz
		var a [2]complex128
		for ch, x := range v {
			a[ch] = phasor(x, weight, total, w)
			t.Peak[ch] = cmplx.Abs(a[ch])
		}
		both(func(ch int) { subtractFrom(v[ch], a[ch], w) })
	}
	for i := range tones {
		k := int(math.Round(tones[i].Hz / lineHz))
		for ch := range tones[i].Peak {
			tones[i].Peak[ch] = 2 * cmplx.Abs(spec[ch][k]) / total
		}
	}
	slices.SortStableFunc(tones, func(a, b Tone) int {
		return cmp.Compare(max(b.Peak[0], b.Peak[1]), max(a.Peak[0], a.Peak[1]))
	})
	for _, f := range Families(tones) {
		for _, m := range f.Multiples() {
			if m.Hz >= lowHz && m.Hz < highHz && !slices.ContainsFunc(tones, func(t Tone) bool { return math.Abs(t.Hz-m.Hz) < widthHz }) {
				tones = append(tones, Tone{Hz: m.Hz})
			}
		}
	}
	for i := range min(mostTaken, len(tones)) {
		takeOut(&tones[i])
	}
	slices.SortFunc(tones, func(a, b Tone) int { return cmp.Compare(a.Hz, b.Hz) })
	return tones
}

// quietest returns where the quietest stretches of x begin, of the given length.
func quietest(x []float64, length int) (at []int) {
	power := map[int]float64{}
	for from := 0; from+length <= len(x); from += length {
		for _, v := range x[from : from+length] {
			power[from] += v * v
		}
		at = append(at, from)
	}
	slices.SortFunc(at, func(a, b int) int { return cmp.Or(cmp.Compare(power[a], power[b]), a-b) })
	return at[:min(calmOnes, len(at))]
}

// keeps reports whether what is at w radian a sample has one amplitude in the
// calm stretches, as no note has.
func keeps(v [2][]float64, calm []int, length int, w float64) bool {
	if len(calm) < calmOnes {
		return false
	}
	a := make([]float64, len(calm))
	for i, from := range calm {
		for _, x := range v {
			a[i] = math.Hypot(a[i], cmplx.Abs(Projection(x[from:from+length], w)))
		}
	}
	slices.Sort(a)
	return a[len(a)-1] < calmSpread*a[0]
}

// both calls f for either input at once.
func both(f func(ch int)) {
	var wait sync.WaitGroup
	wait.Go(func() { f(0) })
	f(1)
	wait.Wait()
}

func smoothBelow(n int) int {
	smooth := func(n int) bool {
		for _, p := range []int{2, 3, 5} {
			for n%p == 0 {
				n /= p
			}
		}
		return n == 1
	}
	for n -= n % 2; n > 2 && !smooth(n); n -= 2 {
	}
	return n
}

// weighted returns the spectra of both inputs, each sample times its weight.
func weighted(v [2][]float64, weight []float64, n int) (spec [2][]complex128) {
	both(func(ch int) {
		x := make([]float64, n)
		for i := range x {
			x[i] = weight[i] * v[ch][i]
		}
		spec[ch] = fourier.NewFFT(n).Coefficients(nil, x)
	})
	return spec
}

// pauses returns a Hann window over the inverse of the power about each sample
// of x, over blocks of the given length.
func pauses(x []float64, block int) []float64 {
	w := make([]float64, len(x))
	var whole float64
	for _, v := range x {
		whole += v * v / float64(len(x))
	}
	for from := 0; from < len(x); from += block {
		to := min(len(x), from+block)
		power := tinyPower*whole + math.SmallestNonzeroFloat64
		for _, v := range x[from:to] {
			power += v * v / float64(to-from)
		}
		for i := from; i < to; i++ {
			w[i] = (1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(x)))) / power
		}
	}
	return w
}

// steady returns the lines that hold a steady tone.
func steady(power []float64, lineHz, lowHz, highHz float64) (found []int) {
	line := func(hz float64) int { return int(math.Round(hz / lineHz)) }
	aside, width := line(asideHz), line(widthHz)
	sums := make([]float64, len(power)+1)
	for k, p := range power {
		sums[k+1] = sums[k] + p
	}
	last := -1
	for k := max(line(lowHz), aside+1); k <= min(line(highHz), len(power)-aside-2); k++ {
		if power[k] < power[k-1] || power[k] < power[k+1] {
			continue
		}
		beside := sums[k+aside+1] - sums[k-aside] - (sums[k+width+1] - sums[k-width])
		limit := towersFree
		if supply(float64(k)*lineHz, lineHz) {
			limit = towers
		}
		if power[k]*float64(2*(aside-width)) <= limit*beside {
			continue
		}
		if last >= 0 && k-found[last] <= width { // pauses far apart give a tone a comb of peaks
			if power[k] > power[found[last]] {
				found[last] = k
			}
			continue
		}
		found = append(found, k)
		last = len(found) - 1
	}
	return found
}

// supply reports whether a multiple of a fundamental that supplies have is near.
func supply(hz, lineHz float64) bool {
	const off = 0.5 // Hz, of the fundamental
	for _, b := range bases {
		h := math.Round(hz / b.hz)
		if h >= 1 && h <= harmonics && math.Abs(hz/h-b.hz) < max(lineHz, min(off, b.off*b.hz)) {
			return true
		}
	}
	return false
}

// between returns the frequency near line k, in lines, at which the spectra
// have the most power: between the lines a spectrum of n samples is the sum of
// them times the kernel of the rectangular window.
func between(spec [2][]complex128, k, n int) float64 {
	strength := func(nu float64) (p float64) {
		for _, s := range spec {
			var sum complex128
			for j := max(1, k-aroundLine); j <= min(len(s)-1, k+aroundLine); j++ {
				var b [1]complex128
				newLeakage(float64(j)-nu, float64(n)).into(b[:], 0)
				sum += s[j] * b[0]
			}
			p += abs2(sum)
		}
		return p
	}
	best, most := float64(k), 0.0
	for nu := float64(k) - 1; nu <= float64(k)+1; nu += stepLines {
		if p := strength(nu); p > most {
			best, most = nu, p
		}
	}
	lo, hi := best-stepLines, best+stepLines
	for hi-lo > 1e-3 {
		third := (hi - lo) / 3
		if strength(lo+third) < strength(hi-third) {
			lo += third
		} else {
			hi -= third
		}
	}
	return (lo + hi) / 2
}

// phasor returns the complex amplitude of a tone of w radian a sample in x, as
// far as the weights show it.
func phasor(x, weight []float64, total, w float64) complex128 {
	var sum complex128
	turn := cmplx.Rect(1, -w)
	for from := 0; from < len(x); from += phasorBlock {
		p := cmplx.Rect(1, -math.Mod(w*float64(from), 2*math.Pi))
		for i := from; i < min(len(x), from+phasorBlock); i++ {
			sum += complex(weight[i]*x[i], 0) * p
			p *= turn
		}
	}
	return 2 * sum / complex(total, 0)
}

// subtractFrom takes the real part of a exp(j w i) out of x.
func subtractFrom(x []float64, a complex128, w float64) {
	middle := float64(len(x)-1) / 2
	Subtract(x, a*cmplx.Rect(1, math.Mod(w*middle, 2*math.Pi)), w)
}
