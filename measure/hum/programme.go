package hum

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/transform"
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
// order. An error is that of ctx.
//
// Each moment counts by the inverse of its loudness: hum shows in the pauses of
// the music. What the music has at just that frequency goes with it, from both
// inputs in its own ratio: to take out too much does no harm. At a frequency of
// no known supply a tone must stand out further: strings are tuned to something
// too.
func AgainstProgramme(ctx context.Context, v [2][]float64, rateHz, lowHz, highHz float64) (tones []Tone, err error) {
	n := transform.LengthBelow(len(v[0]))
	p, heard := programmeOf(v, rateHz)
	if n < 4096 || !heard {
		return nil, ctx.Err()
	}
	lineHz := rateHz / float64(n)
	spec, err := p.weighted(ctx, n)
	if err != nil {
		return nil, err
	}
	power := make([]float64, n/2+1)
	for _, s := range spec {
		for k, c := range s {
			power[k] += abs2(c)
		}
	}
	calm := quietest(v[0], int(rateHz))
	for _, k := range steady(power, lineHz, lowHz, highHz) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		hz := between(spec, k, n) * lineHz
		if supply(hz, lineHz) || keeps(v, calm, int(rateHz), 2*math.Pi*hz/rateHz) {
			tones = append(tones, Tone{Hz: hz})
		}
	}
	for i := range tones {
		k := int(math.Round(tones[i].Hz / lineHz))
		for ch := range tones[i].Peak {
			tones[i].Peak[ch] = 2 * cmplx.Abs(spec[ch][k]) / p.total
		}
	}
	strongestFirst(tones)
	tones = WithMultiples(tones, lowHz, highHz)
	if err := p.takeOut(ctx, tones); err != nil {
		return nil, err
	}
	slices.SortFunc(tones, func(a, b Tone) int { return cmp.Compare(a.Hz, b.Hz) })
	return tones, nil
}

// TakeOut takes the strongest of tones that are known out of another part of the
// programme, each with the amplitude that it has there. An error is that of ctx.
func TakeOut(ctx context.Context, v [2][]float64, rateHz float64, tones []Tone) error {
	p, heard := programmeOf(v, rateHz)
	if !heard {
		return ctx.Err()
	}
	tones = slices.Clone(tones)
	strongestFirst(tones)
	return p.takeOut(ctx, tones)
}

// WithMultiples returns tones and, after them, the other multiples from lowHz to below
// highHz of the fundamentals that supplies have among them.
func WithMultiples(tones []Tone, lowHz, highHz float64) []Tone {
	for _, f := range Families(tones) {
		for _, m := range f.Multiples() {
			if m.Hz >= lowHz && m.Hz < highHz && !has(tones, m.Hz) {
				tones = append(tones, Tone{Hz: m.Hz})
			}
		}
	}
	return tones
}

// Common returns the tones that at least so many of the parts of a programme have, each
// as strong as where it is strongest, at the median of its frequencies.
func Common(parts [][]Tone, least int) (all []Tone) {
	every := slices.Concat(parts...)
	strongestFirst(every)
	for _, t := range every {
		var at []float64
		for _, p := range parts {
			if i := slices.IndexFunc(p, t.near); i >= 0 {
				at = append(at, p[i].Hz)
			}
		}
		slices.Sort(at)
		if t.Hz = at[len(at)/2]; len(at) >= least && !has(all, t.Hz) {
			all = append(all, t)
		}
	}
	return all
}

// InPart returns tones of a programme from lowHz to below highHz, each at the frequency
// that it has in one part, where it was found in that.
func InPart(tones, part []Tone, lowHz, highHz float64) (all []Tone) {
	for _, t := range tones {
		if i := slices.IndexFunc(part, t.near); i >= 0 {
			t.Hz = part[i].Hz
		}
		if t.Hz >= lowHz && t.Hz < highHz {
			all = append(all, t)
		}
	}
	return all
}

// near reports whether t and o may be one tone.
func (t Tone) near(o Tone) bool { return math.Abs(t.Hz-o.Hz) < widthHz }

func has(tones []Tone, hz float64) bool {
	return slices.ContainsFunc(tones, Tone{Hz: hz}.near)
}

func strongestFirst(tones []Tone) {
	slices.SortStableFunc(tones, func(a, b Tone) int {
		return cmp.Compare(max(b.Peak[0], b.Peak[1]), max(a.Peak[0], a.Peak[1]))
	})
}

// programme is program material with how much each of its samples tells of hum.
type programme struct {
	v      [2][]float64
	weight []float64
	total  float64 // of the weights
	rateHz float64
}

// programmeOf weighs v, in which something must be heard.
func programmeOf(v [2][]float64, rateHz float64) (p programme, heard bool) {
	weight, heard := pauses(v[0], int(loudness*rateHz))
	p = programme{v: v, weight: weight, rateHz: rateHz}
	for _, w := range weight {
		p.total += w
	}
	return p, heard
}

// takeOut takes the first of the tones out, and fills in the amplitudes of those.
func (p programme) takeOut(ctx context.Context, tones []Tone) error {
	for i := range min(mostTaken, len(tones)) {
		t := &tones[i]
		w := 2 * math.Pi * t.Hz / p.rateHz
		if err := Concurrently(ctx, len(p.v), func(ch int) {
			a := phasor(p.v[ch], p.weight, p.total, w)
			t.Peak[ch] = cmplx.Abs(a)
			subtractFrom(p.v[ch], a, w)
		}); err != nil {
			return err
		}
	}
	return nil
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

// weighted returns the spectra of the first n samples of both inputs, each times
// its weight.
func (p programme) weighted(ctx context.Context, n int) (spec [2][]complex128, err error) {
	fft, room := transform.New(n), make([]float64, n)
	for ch, v := range p.v {
		spec[ch] = fft.Lines(make([]float64, n+2))
		x := fft.Values(spec[ch])
		for i := range x {
			x[i] = p.weight[i] * v[i]
		}
		if err := fft.Forward(ctx, spec[ch], room); err != nil {
			return spec, err
		}
	}
	return spec, nil
}

// pauses returns a Hann window over the inverse of the power about each sample
// of x, over blocks of the given length, and whether x is anything but silence of
// no noise.
func pauses(x []float64, block int) (w []float64, heard bool) {
	w = make([]float64, len(x))
	var whole float64
	for _, v := range x {
		whole += v * v / float64(len(x))
	}
	if whole == 0 {
		return w, false
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
	return w, true
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
