package ratio

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

const (
	// What the noise of a tone is taken from: bins of its dwell's own spectrum
	// on either side.
	toneBins = 48

	// The halves of a dwell that differ by so many times the variance of their
	// difference show a load that still rings, and so do bins beside the tone
	// that hold so many times more in the first half than in the second. Noise
	// alone does either some three times in a thousand tones.
	ringingAbove  = 6.9
	ringingBins   = 12
	ringingDies   = 5.0
	mostHalvings  = 3
	leastCycles   = 3.5 // of the part of a dwell that is left
	leastBurst    = 64  // samples
	burstsInDwell = 64

	// What begins within the first tenth of a dwell and is in this many of its
	// blocks is ringing, no burst.
	ringingBegins  = 10
	ringingBlocks  = 5
	dyingOverQuiet = 3.0
)

// ofTones estimates the ratio from stepped tones.
//
// Both channels of a dwell have one common frequency. Each dwell's own fit of
// it (fitSine) says by how much the clocks differ; the weighted mean over all
// dwells is the one clock of the recording, since there is but one, and rests
// on the high tones, which know it best. With the frequencies then known, sine,
// offset and the hum that was found are fitted to each dwell by linear least
// squares, which for white noise is the estimate of least variance.
//
// The noise of a tone is that of N2 - G N1 in the bins beside it, so that noise
// which is not white, and noise that both channels share, are stated rightly.
func ofTones(ctx context.Context, rec card.Recording, sig signal.Tones) (Ratio, error) {
	place, err := findMarks(ctx, rec, sig)
	if err != nil {
		return Ratio{}, err
	}
	dwells := place.dwells(rec, sig)
	tones, err := humIn(ctx, dwells, float64(rec.RateHz))
	if err != nil {
		return Ratio{}, err
	}
	clock, err := place.refine(ctx, rec, sig, dwells, tones)
	if err != nil {
		return Ratio{}, err
	}
	place.clock = clock
	dwells = place.dwells(rec, sig)
	for _, d := range dwells {
		if err := rec.Lost(d.start, d.start+len(d.x[0])); err != nil {
			return Ratio{}, err
		}
	}

	r := Ratio{Points: make([]Point, len(dwells))}
	results := make([]toned, len(dwells))
	if err := hum.Concurrently(ctx, len(dwells), func(i int) { results[i] = dwells[i].estimate(tones) }); err != nil {
		return Ratio{}, err
	}
	drift := place.toneDrift(rec, sig, dwells, results)
	if drift != nil {
		if err := hum.Concurrently(ctx, len(dwells), func(i int) {
			dwells[i] = drift.takeOut(dwells[i], results[i])
			results[i] = dwells[i].estimate(tones)
		}); err != nil {
			return Ratio{}, err
		}
	}
	points := r.Points[:0]
	var energy, noise, count [2]float64
	humEnergy, humCount := make([][2]float64, len(tones.tones)), make([]float64, len(tones.tones))
	for i, t := range results {
		d := dwells[i]
		if at := t.burst; at >= 0 {
			return Ratio{}, &card.Fault{
				Cause:  card.Dropout,
				Text:   fmt.Sprintf("the tone of %.4g Hz is not a steady sine in %s near %.2f s: samples were lost or doubled, or something knocked", d.hz, rec.Source, float64(at)/float64(rec.RateHz)),
				Advice: "measure again; if it stays, use larger buffers and close other programs",
			}
		}
		n := float64(len(d.x[0]))
		for ch := range energy {
			energy[ch] += n * abs2(t.a[ch]) / 2
			noise[ch] += n * t.noise[ch]
			count[ch] += n
		}
		for h, a := range t.hum {
			humCount[h] += n
			for ch := range a {
				humEnergy[h][ch] += n * abs2(a[ch])
			}
		}
		if t.ringing {
			r.Seen.Ringing = append(r.Seen.Ringing, d.hz)
		}
		if !t.heard {
			r.Seen.LeftOut++
			continue
		}
		points = append(points, Point{Hz: d.hz, G: t.g, Noise: t.cov})
	}
	r.Points = points
	if len(points) == 0 {
		return Ratio{}, &card.Fault{
			Cause:  card.NoSignal,
			Text:   "the test signal does not rise above the noise at any frequency",
			Advice: "raise the level and check the wiring",
		}
	}
	slices.SortFunc(r.Points, func(a, b Point) int {
		if a.Hz < b.Hz {
			return -1
		}
		return 1
	})
	r.Seen.Bending = tonesBend(dwells, results, r.Points)
	if drift != nil {
		r.Shared = drift.shifts(r.Points, identity(rec.V1, rec.V2), func(hz float64) moments {
			d := dwells[slices.IndexFunc(dwells, func(d dwell) bool { return d.hz == hz })]
			return moments{{drift.moment(d, len(d.x[0])/2), 1}}
		})
		r.Seen.Drift = drift.found(leastOhms(r.Points))
	}
	r.Seen.StartSeconds = (place.head + float64(sig.Dwells()[0])*(1+clock)) / float64(rec.RateHz)
	if math.Abs(clock) > 3*place.unsure {
		r.Seen.ClockPPM = 1e6 * clock
	}
	for ch := range energy {
		r.Seen.Level[ch] = math.Sqrt(energy[ch] / count[ch])
		r.Seen.NoiseFloor[ch] = math.Sqrt(noise[ch] / count[ch])
	}
	for h, t := range tones.tones[:tones.found] {
		if humCount[h] == 0 {
			continue
		}
		r.Seen.Mains = append(r.Seen.Mains, hum.Tone{
			Hz:   t.Hz * (1 + clock),
			Peak: [2]float64{math.Sqrt(humEnergy[h][0] / humCount[h]), math.Sqrt(humEnergy[h][1] / humCount[h])},
		})
	}
	return r, nil
}

// dwell is one dwell as recorded.
type dwell struct {
	hz    float64      // on the player's clock
	w     float64      // radian a sample of the recorder
	start int          // sample of rec
	x     [2][]float64 // both channels
}

// bin returns the width of a bin of d's own spectrum in radian a sample.
func (d dwell) bin() float64 { return 2 * math.Pi / float64(len(d.x[0])) }

// dwells cuts the dwells out of rec.
func (p place) dwells(rec card.Recording, sig signal.Tones) []dwell {
	steps, at := sig.Steps(), sig.Dwells()
	dwells := make([]dwell, len(steps))
	for i, s := range steps {
		hz := s.Hz(sig.RateHz)
		d := dwell{hz: hz, w: 2 * math.Pi * hz / float64(rec.RateHz) / (1 + p.clock)}
		d.start = int(math.Round(p.head + float64(at[i])*(1+p.clock)))
		n := int(math.Round(float64(s.Dwell()) * (1 + p.clock)))
		d.x = [2][]float64{rec.V1[d.start : d.start+n], rec.V2[d.start : d.start+n]}
		dwells[i] = d
	}
	return dwells
}

// kernel of a run of n samples: the sum of exp(j w m), m from its middle.
func dirichlet(w float64, n int) float64 {
	half := math.Sin(w / 2)
	if math.Abs(half) < 1e-12 {
		return float64(n)
	}
	return math.Sin(w*float64(n)/2) / half
}

// sinesOf is the least-squares system of sines of known frequencies, and an
// offset, in n samples. Counted from the middle, cosines and offset are even
// and sines odd: two systems that have nothing to do with each other.
type sinesOf struct {
	n         int
	w         []float64
	even, odd mat.Cholesky // even: the cosines, then the offset
	ok        bool
}

func newSines(n int, w []float64) *sinesOf {
	s := &sinesOf{n: n, w: w}
	k := len(w)
	even, odd := mat.NewSymDense(k+1, nil), mat.NewSymDense(k, nil)
	for i := range k {
		for j := i; j < k; j++ {
			apart, sum := dirichlet(w[i]-w[j], n), dirichlet(w[i]+w[j], n)
			even.SetSym(i, j, (apart+sum)/2)
			odd.SetSym(i, j, (apart-sum)/2)
		}
		even.SetSym(i, k, dirichlet(w[i], n))
	}
	even.SetSym(k, k, float64(n))
	s.ok = s.even.Factorize(even) && s.odd.Factorize(odd)
	return s
}

// fitted is what a sinesOf makes of one channel: the phasor of each sine and
// the offset.
type fitted struct {
	a      []complex128
	offset float64
}

func (s *sinesOf) fit(x []float64) (f fitted) {
	k := len(s.w)
	even, odd := mat.NewVecDense(k+1, nil), mat.NewVecDense(k, nil)
	for i, w := range s.w {
		p := hum.Projection(x, w)
		even.SetVec(i, real(p))
		odd.SetVec(i, -imag(p))
	}
	var sum float64
	for _, v := range x {
		sum += v
	}
	even.SetVec(k, sum)
	var c, q mat.VecDense
	if s.even.SolveVecTo(&c, even) != nil || s.odd.SolveVecTo(&q, odd) != nil {
		return fitted{a: make([]complex128, k)} // near singular: no tone heard
	}
	f.offset = c.AtVec(k)
	for i := range k {
		f.a = append(f.a, complex(c.AtVec(i), -q.AtVec(i)))
	}
	return f
}

// unit returns the covariance of the first phasor for noise of variance 1 a
// sample.
func (s *sinesOf) unit() impedance.Cov {
	diagonal := func(c *mat.Cholesky) float64 {
		b := mat.NewVecDense(c.SymmetricDim(), nil)
		b.SetVec(0, 1)
		var x mat.VecDense
		if c.SolveVecTo(&x, b) != nil {
			return math.Inf(1)
		}
		return x.AtVec(0)
	}
	return impedance.Cov{RR: diagonal(&s.even), II: diagonal(&s.odd)}
}

// left returns what the fit f leaves of x.
func (s *sinesOf) left(f fitted, x []float64) []float64 {
	left := make([]float64, len(x))
	for i, v := range x {
		left[i] = v - f.offset
	}
	for i, a := range f.a {
		hum.Subtract(left, a, s.w[i])
	}
	return left
}

// toned is what a dwell shows.
type toned struct {
	g       complex128
	cov     impedance.Cov
	heard   bool
	ringing bool
	burst   int // sample of the recording at which a burst begins, or -1
	a       [2]complex128
	noise   [2]float64            // variance a sample, by the bins beside the tone
	hum     map[int][2]complex128 // amplitudes of those tones of hum that were told from the tone
	left    [2][]float64          // residual

	third third

	// change is by how much the ratio in the later half of the dwell is above
	// that of the earlier one, and whole the phasor of V1, both of the whole of
	// it.
	change, whole complex128
}

// estimate fits d. Where the halves of the dwell do not agree the load still
// rings from the step to this tone, and the later half alone is taken.
func (d dwell) estimate(h humTones) (t toned) {
	var change, whole complex128
	for halving := 0; ; halving++ {
		var rings bool
		ringing := t.ringing
		t, rings = d.fit(h)
		if halving == 0 {
			change, whole = t.change, t.a[0]
		}
		burst, dies := d.burst(t)
		rings = rings || dies
		if rings && h.moves(d) { // hum may be what differs, and more of it in half of the dwell
			t.cov = t.cov.Add(impedance.Circular(abs2(t.change) / 4))
			rings = false
		}
		t.ringing = ringing || rings
		n := len(d.x[0])
		half := n - n/2
		bursts := burst >= 0 && !dies
		if bursts || !rings || halving == mostHalvings || float64(n-half)*d.w/(2*math.Pi) < leastCycles {
			if burst >= 0 {
				t.burst = d.start + burst
			}
			t.third = d.third(t.left)
			t.left, t.change, t.whole = [2][]float64{}, change, whole
			return t
		}
		d.start += half
		d.x = [2][]float64{d.x[0][half:], d.x[1][half:]}
	}
}

// fit is one fit of the whole of d; rings reports whether its halves differ.
func (d dwell) fit(h humTones) (t toned, rings bool) {
	n := len(d.x[0])
	told, hidden := h.about(d)
	others, of := h.sines(d, told)
	w := append([]float64{d.w}, others...)
	s := newSines(n, w)
	t.burst, t.hum = -1, map[int][2]complex128{}
	if !s.ok {
		return t, false
	}
	var f [2]fitted
	for ch := range f {
		f[ch] = s.fit(d.x[ch])
		t.a[ch] = f[ch].a[0]
		for i, k := range of {
			a := t.hum[k]
			a[ch] += f[ch].a[i+1]
			t.hum[k] = a
		}
		t.left[ch] = s.left(f[ch], d.x[ch])
	}
	if t.a[0] == 0 {
		return t, false
	}
	t.g = t.a[1] / t.a[0]

	var residual float64
	bins := d.bins(w)
	if len(bins) == 0 {
		return t, false
	}
	each := make([]float64, len(bins))
	for i, wb := range bins {
		r1, r2 := hum.Projections(t.left[0], t.left[1], wb)
		t.noise[0] += abs2(r1)
		t.noise[1] += abs2(r2)
		each[i] = abs2(r2 - t.g*r1)
		residual += each[i]
	}
	scale := 1 / float64(len(bins)*n) // a bin of white noise has n times its variance
	t.noise[0] *= scale
	t.noise[1] *= scale
	residual *= scale
	// Hum that is broad, or wanders, stands about the tone and not further away.
	nearest := residual
	if len(each) >= 2*nearBins {
		var sum float64
		for _, e := range each[:nearBins] {
			sum += e / float64(nearBins*n)
		}
		if sum > nearOver*residual {
			nearest = sum
		}
	}
	unit := s.unit()
	t.cov = impedance.Cov{RR: nearest * unit.RR, II: nearest * unit.II}.Times(1 / t.a[0])
	for _, k := range hidden {
		t.cov = t.cov.Add(impedance.Circular(h.hidden(k, d, t.g) / abs2(t.a[0])))
	}
	t.heard = abs2(t.a[0]) > leastSignalOverNoise*t.noise[0]*(unit.RR+unit.II)

	// What rings spreads from the tone over the bins, and would hide behind
	// itself: the test takes their median, which for noise is ln 2 of the mean.
	slices.Sort(each)
	calm := math.Min(each[len(each)/2]/math.Ln2, residual*float64(n))

	// Phasors of either half, about the middle of the whole.
	half := n / 2
	var apart [2]complex128
	for ch, left := range t.left {
		early := hum.Projection(left[:half], d.w) * cmplx.Rect(1, d.w*float64(n-half)/2)
		late := hum.Projection(left[half:], d.w) * cmplx.Rect(1, -d.w*float64(half)/2)
		apart[ch] = early - late
	}
	// A half has the phasor a n/4: what grows by a part from the middle of one to
	// that of the other leaves them that part of it apart.
	t.change = (t.g*apart[0] - apart[1]) * complex(4/float64(n), 0) / t.a[0]
	rings = abs2(apart[1]-t.g*apart[0]) > ringingAbove*calm

	// A resonance some bins away rings at its own frequency, and shows there as
	// noise that dies away.
	var early, late float64
	for _, wb := range bins[:min(len(bins), ringingBins)] {
		e1, e2 := hum.Projections(t.left[0][:half], t.left[1][:half], wb)
		l1, l2 := hum.Projections(t.left[0][half:], t.left[1][half:], wb)
		early += abs2(e2 - t.g*e1)
		late += abs2(l2 - t.g*l1)
	}
	return t, t.heard && (rings || early > ringingDies*late)
}

// bins returns angular frequencies near that of d at which its own spectrum
// has bins of noise alone, given the frequencies that were fitted.
func (d dwell) bins(fitted []float64) (bins []float64) {
	step := d.bin()
	for j := 1; len(bins) < toneBins && j < len(d.x[0])/2; j++ {
		for _, w := range [2]float64{d.w - float64(j)*step, d.w + float64(j)*step} {
			taken := slices.ContainsFunc(fitted, func(v float64) bool { return math.Abs(v-w) < 0.99*step })
			if w > 0.75*step && w < math.Pi-step && !taken {
				bins = append(bins, w)
			}
		}
	}
	return bins
}

// burst returns where in d what t leaves of it bursts, as steady does for
// periods, or -1; rings is true where it is no burst but a load that still
// rings: that begins with the dwell and takes several blocks to die away.
func (d dwell) burst(t toned) (at int, rings bool) {
	block := max(leastBurst, len(d.x[0])/burstsInDwell)
	for ch, left := range t.left {
		e := make([]float64, 0, burstsInDwell)
		for at := 0; at+block <= len(left); at += block {
			e = append(e, energy(left[at:at+block]))
		}
		if len(e) == 0 {
			continue
		}
		floor := slices.Sorted(slices.Values(e))[len(e)/2]
		first, early := -1, 0
		for i, v := range e {
			if v > dyingOverQuiet*floor && i < len(e)/2 {
				early++
			}
			if first < 0 && v > spoiltOverQuiet*floor && v > spoiltOverSignal*float64(block)*abs2(t.a[ch])/2 {
				first = i
			}
		}
		if first >= 0 {
			return first * block, first*ringingBegins < len(e) && early >= ringingBlocks
		}
	}
	return -1, false
}
