package ratio

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

// Heard is what program material showed beside the ratio.
type Heard struct {
	Coherence []float64    // of the two voltages at each point, 0 to 1
	Power2    []float64    // mean square of V2 in the cell of each point, full scale squared
	Peak2     float64      // largest magnitude of V2 about its mean, fraction of full scale
	LeftOut   [][2]float64 // ranges without a point, hertz
}

const (
	silentBelow = 2e-4 // rms of both inputs where nothing is played
	deadBelow   = 1e-3 // of the louder input, where one input hears nothing

	// The noise of V1 is taken off where the quiet windows hold no more of the
	// power than this; more of it would cost more certainty than it mends.
	noiseAtMost = 0.1

	otherSure = 4.0 // times its variance that a difference is let to have

	leastAverages = 4.0 // independent ones that a point needs
	leastNear     = 3   // cells within reach that its middle is reconstructed from
)

// heard is a cell of program material.
type heard struct {
	cell
	middleHz, widthHz float64
	cov               impedance.Cov // of g
	off, spread       float64       // first and second moment of its energy about the middle, in widths
	coherence         float64
	power2            float64
	believed          bool
	early, late       cross      // of the halves of the recording
	soft, loud        cross      // of the windows that are loud, and of the others
	level             [2]float64 // of soft and loud windows, see welch.level
	quiet             float64    // power that as many quiet windows have, as a part
}

// ofMaterial estimates the ratio from whatever sounds in rec: averaged
// cross-spectra over windows that are long in the bass and short in the treble,
// so that each cell of the grid holds several of their lines. Both inputs are of
// one recorder: no other clock has a part in it.
//
// Where quiet windows show the noise it is taken off both sums, as for a
// periodic signal: what sounds in them too, such as the hiss of the amplifier,
// does no harm, for it goes through the load. Where nothing is quiet, noise is
// assumed to be alike in both inputs (total least squares), and the way from there
// to the estimates for noise in V2 alone and in V1 alone, the longer one, counts
// as a standard uncertainty of |G|: more than that of a rectangle so wide, since
// all points of a curve have this error in common.
//
// The variance is that of the mean over as many independent numbers as there
// are, which is time times bandwidth whatever the windows and their overlap:
// squared windows that add up to a constant make the sums those over all
// instants. For a constant spectrum it is the known
//
//	var |G| = |G|^2 (1 - c)/(2 n c),
//
// with c the coherence and n the number of averages (J. S. Bendat, A. G.
// Piersol, Random Data, from memory).
//
// Weak where the load's response to a sudden change outlasts the windows: with a
// curve that bends by G” the error is G”/(6 T^2), T the length of the windows in seconds.
func ofMaterial(rec card.Recording, sig signal.Material) (Ratio, error) {
	band, rate := sig.Band(), float64(rec.RateHz)
	periodHz := rate / float64(signal.PeriodNear(rec.RateHz, signal.DefaultSeconds))
	// The middles of the cells are those of a chirp with all its defaults.
	lines, first, end := grid(min(band.LowHz, signal.DefaultLowHz), band.HighHz, periodHz, int(rate/2/periodHz))
	for (float64(lines[first].hi)+0.5)*periodHz <= band.LowHz {
		first++
	}
	lines = lines[first:end]

	// The longest windows must tell the lowest cells from each other.
	lowest := lines[0].middle() * periodHz
	resolve := 1 / (lowest * (math.Exp2(1.0/PointsPerOctave) - 1))
	if have := float64(len(rec.V1)) / rate; have*shareOfTime < resolve {
		return Ratio{}, &card.Fault{
			Cause:  card.TooShort,
			Text:   fmt.Sprintf("%.1f s of sound are too short for %.4g Hz, which needs at least %.0f s", have, band.LowHz, math.Ceil(resolve/shareOfTime)),
			Advice: fmt.Sprintf("record for longer, or measure from %.0f Hz on with --low", math.Ceil(lowest*resolve/(have*shareOfTime))),
		}
	}

	if err := rec.Lost(0, len(rec.V1)); err != nil {
		return Ratio{}, err
	}
	v1, v2 := centred(rec.V1), centred(rec.V2)
	tones := hum.AgainstProgramme([2][]float64{v1, v2}, rate, band.LowHz*humBelow, band.HighHz*humAbove)
	var mains humAt
	for _, t := range tones {
		mains = append(mains, t.Hz)
	}
	seen := Seen{Mains: tones, Heard: &Heard{}}
	seen.Level = [2]float64{card.RMS(v1), card.RMS(v2)}
	for _, x := range v2 {
		seen.Heard.Peak2 = max(seen.Heard.Peak2, math.Abs(x))
	}
	if err := audible(seen.Level, rec); err != nil {
		return Ratio{}, err
	}
	spectra := welches(v1, v2, lengths(lines, periodHz, rate, len(v1)), rate)

	cells := make([]heard, len(lines))
	var best float64
	for i, c := range lines {
		h := heard{cell: c, middleHz: c.middle() * periodHz, widthHz: float64(c.lines()) * periodHz}
		h.listen(spectra, mains, float64(len(v1))/rate)
		h.believed = h.believed && h.coherence >= band.Coherence
		best = max(best, h.coherence)
		cells[i] = h
	}
	doubtHum(cells)
	g := Ratio{Seen: seen}
	drift := heardDrift(cells)
	if drift != nil {
		drift.atMiddle(cells)
		g.Seen.Drift = drift.found(drift.ohms)
	}
	g.Seen.Moved = heardBending(cells, drift)
	for i, c := range cells {
		value, cov, ok := middle(cells, i)
		if !ok {
			from, to := c.middleHz-c.widthHz/2, c.middleHz+c.widthHz/2
			if out := seen.Heard.LeftOut; len(out) > 0 && math.Abs(out[len(out)-1][1]-from) < c.widthHz/4 {
				out[len(out)-1][1] = to
			} else {
				seen.Heard.LeftOut = append(out, [2]float64{from, to})
			}
			continue
		}
		g.Points = append(g.Points, Point{Hz: c.middleHz, G: value, Noise: cov})
		seen.Heard.Coherence = append(seen.Heard.Coherence, c.coherence)
		seen.Heard.Power2 = append(seen.Heard.Power2, c.power2)
	}
	if drift != nil {
		g.Shared = drift.shifts(g.Points, identity(rec), func(hz float64) moments {
			return cells[slices.IndexFunc(cells, func(h heard) bool { return h.middleHz == hz })].moments()
		})
	}
	if len(g.Points) == 0 {
		return Ratio{}, &card.Fault{
			Cause:  card.NoSignal,
			Text:   fmt.Sprintf("nowhere do the two inputs of %s follow each other well enough: their coherence is %.2f at best, and %g is asked for", rec.Source, best, band.Coherence),
			Advice: "play louder or for longer, and check the leads of both inputs",
		}
	}
	return g, nil
}

func centred(x []float64) []float64 {
	var mean float64
	for _, v := range x {
		mean += v / float64(len(x))
	}
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v - mean
	}
	return y
}

// audible returns a Fault where one input or both heard nothing.
func audible(rms [2]float64, rec card.Recording) error {
	loud, quiet := 0, 1
	if rms[1] > rms[0] {
		loud, quiet = 1, 0
	}
	switch {
	case rms[loud] < silentBelow:
		return &card.Fault{
			Cause:  card.NoSignal,
			Text:   fmt.Sprintf("nothing was played: both inputs of %s are below %.0f dB of full scale", rec.Source, 20*math.Log10(silentBelow)),
			Advice: "play something while the recording runs, and check that the inputs are turned up",
		}
	case rms[quiet] < deadBelow*rms[loud]:
		return &card.Fault{
			Cause:  card.DeadInput,
			Text:   fmt.Sprintf("input %d does not hear what is played, input %d does", rec.Inputs[quiet], rec.Inputs[loud]),
			Advice: "check its lead, and that this input is switched on and turned up",
		}
	}
	return nil
}

// listen fills in the ratio of h with its covariance.
func (h *heard) listen(spectra []welch, mains humAt, seconds float64) {
	at := 0
	for at+1 < len(spectra) && h.widthHz/spectra[at+1].binHz >= binsInCell {
		at++
	}
	w := spectra[at]
	low, high := h.middleHz-h.widthHz/2, h.middleHz+h.widthHz/2
	from, to := w.bins(low, high)
	var bins []int
	var sum, quiet cross
	for k := from; k < to; k++ {
		if !mains.spoils(float64(k)*w.binHz, w.binHz) && !w.steady(k) {
			bins = append(bins, k)
			sum.add(w.all[k])
			quiet.add(w.quiet[k])
			h.early.add(w.early[k])
			h.late.add(w.late[k])
			h.loud.add(w.loud[k])
		}
	}
	h.soft, h.level = sum.less(h.loud), w.level
	h.coherence = sum.coherence()
	averages := seconds * h.widthHz * float64(len(bins)) / float64(to-from)
	if averages < leastAverages || sum.p1 == 0 {
		return
	}
	h.quiet = quiet.p1 / sum.p1 * float64(w.windows) / float64(w.quietOnes)
	numbers := float64(w.windows * len(bins))
	// A Hann window leaves 3/8 of the power; half the lines are those of
	// negative frequencies.
	h.power2 = 2 * sum.p2 / float64(w.windows) / (0.375 * float64(w.length) * float64(w.length))

	// Noise, from the longest windows that had a pause.
	var n noise
	more, known := 0.0, false // variance that taking it off adds, relative
	for _, s := range spectra[at:] {
		p, count := s.noise(low, high, w.length, mains)
		if s.quietOnes >= shortestNoise && p.p1*numbers <= noiseAtMost*sum.p1 {
			n, more, known = p, p.p1*numbers*numbers/(count*sum.p1), true
			break
		}
	}
	doubt := 0.0 // of |g| for want of knowing the noise, as a part of it
	if !known {
		n.p1 = alikeNoise(sum) / numbers
	}
	h.energy = sum.p1 - n.p1*numbers
	if h.energy <= 0 || h.coherence == 0 {
		return
	}
	if taken := sum.p1 / h.energy; !known {
		doubt = math.Max(taken-1, 1/h.coherence-taken) / taken
	}
	h.g = (sum.p12 - n.p12*complex(numbers, 0)) / complex(h.energy, 0)

	var plain, weighted, energy float64
	for _, k := range bins {
		p, q := w.all[k].residual(h.g)
		plain += p * w.all[k].p1 / float64(w.windows)
		weighted += q
		e := math.Max(0, w.all[k].p1-n.p1*float64(w.windows))
		x := (float64(k)*w.binHz - h.middleHz) / h.widthHz
		h.off += e * x
		h.spread += e * x * x
		energy += e
	}
	if energy <= 0 {
		return
	}
	h.off, h.spread = h.off/energy, h.spread/energy
	// Fitted is one complex number; what is left has Student's distribution of
	// 2 (averages - 1) degrees of freedom, whose variance is wider.
	free := 2 * (averages - 1)
	v := hops * math.Max(plain, weighted) * (1 + more) / (h.energy * h.energy) * averages / (averages - 1) * free / (free - 2)
	h.noise = v
	if !known {
		v += other(sum, quiet, w, h.g, v)
	}
	h.cov = impedance.Circular(v).Add(along(h.g * complex(doubt, 0)))
	h.believed = true
}

// along returns the covariance of what is off by z or by less, either way.
func along(z complex128) impedance.Cov {
	return impedance.Cov{RR: real(z) * real(z), RI: real(z) * imag(z), II: imag(z) * imag(z)}
}

// other returns the variance of a ratio g for what may sound beside the
// material, in one ratio of its own and in the quiet windows as in the others: a
// tone that wanders, say. Taken off, it moves the ratio to
//
//	(S12 - Q12)/(S11 - Q11),
//
// Q the sums of as many quiet windows. What that differs from g by, beyond what
// noise lets it, counts.
func other(sum, quiet cross, w welch, g complex128, v float64) float64 {
	scale := float64(w.windows) / float64(w.quietOnes)
	left := sum.p1 - scale*quiet.p1
	if left <= 0 {
		return 0
	}
	apart := (sum.p12-complex(scale, 0)*quiet.p12)/complex(left, 0) - g
	// The quiet windows are fewer, and the difference of two sums is smaller.
	noise := v * (1 + scale*scale*quiet.p1/sum.p1) * (sum.p1 / left) * (sum.p1 / left)
	return math.Max(0, abs2(apart)-otherSure*noise)
}

// alikeNoise returns the noise in S11 if it is as strong in S22 and the two are
// uncorrelated: the smaller eigenvalue of the matrix of cross-spectra.
func alikeNoise(c cross) float64 {
	half := (c.p1 - c.p2) / 2
	return math.Max(0, (c.p1+c.p2)/2-math.Sqrt(half*half+abs2(c.p12)))
}

// middle returns the ratio in the middle of cell i, and whether it may be
// believed. The energy of music need not lie in the middle: the curve through
// the neighbours, a parabola where there are enough of them, says by how much
// the mean over the energy differs. Only that difference is theirs.
func middle(cells []heard, i int) (complex128, impedance.Cov, bool) {
	c := cells[i]
	if !c.believed {
		return 0, impedance.Cov{}, false
	}
	var near []heard
	below, above := 0, 0
	for j := max(0, i-reach); j <= min(len(cells)-1, i+reach); j++ {
		if !cells[j].believed {
			continue
		}
		near = append(near, cells[j])
		switch {
		case j < i:
			below++
		case j > i:
			above++
		}
	}
	if len(near) < leastNear {
		return 0, impedance.Cov{}, false
	}
	terms := 2
	if below >= 2 && above >= 2 {
		terms = 3
	}
	a := mat.NewDense(len(near), terms, nil)
	weight := make([]float64, len(near))
	smallest := math.Inf(1)
	for _, n := range near {
		smallest = min(smallest, n.cov.RR+n.cov.II)
	}
	var own []float64
	for r, n := range near {
		// An exact recording has no noise to weigh by.
		weight[r] = 1
		if smallest > 0 {
			weight[r] = math.Sqrt(smallest / (n.cov.RR + n.cov.II))
		}
		shift, stretch := (n.middleHz-c.middleHz)/c.widthHz, n.widthHz/c.widthHz
		row := []float64{1, shift + stretch*n.off, shift*shift + 2*shift*stretch*n.off + stretch*stretch*n.spread}[:terms]
		if n.middleHz == c.middleHz {
			own = slices.Clone(row)
		}
		for t, x := range row {
			a.Set(r, t, weight[r]*x)
		}
	}
	var inverse mat.Dense
	identity := mat.NewDiagDense(len(near), nil)
	for r := range near {
		identity.SetDiag(r, weight[r])
	}
	if err := inverse.Solve(a, identity); err != nil {
		return 0, impedance.Cov{}, false
	}
	var g complex128
	var cov impedance.Cov
	for r, n := range near {
		part := 0.0
		if n.middleHz == c.middleHz {
			part = 1
		}
		for t := 1; t < terms; t++ {
			part -= own[t] * inverse.At(t, r)
		}
		g += complex(part, 0) * n.g
		cov = cov.Add(n.cov.Times(complex(part, 0)))
	}
	return g, cov, true
}

const (
	humSkip   = 2.0  // bins of a cross-spectrum on either side of hum that are left out
	humWander = 2e-4 // by which hum may wander, as a fraction, likewise
)

// humAt holds the frequencies of hum in rising order, in hertz.
type humAt []float64

// spoils reports whether hum is in a bin of that frequency and width.
func (h humAt) spoils(hz, binHz float64) bool {
	off := humSkip*binHz + humWander*hz
	i := sort.SearchFloat64s(h, hz-off)
	return i < len(h) && h[i] < hz+off
}
