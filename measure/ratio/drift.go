package ratio

import (
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/signal"
)

const (
	// Periods are compared up to driftHz, by lines that the signal carries, in
	// cells whose noise is that of driftLines of them about each.
	driftHz    = 1000.0
	driftLines = 24

	// driftSure is by how much a drift must lower the sum of squares over its
	// variance: chi-square of three degrees of freedom (both sizes and the time
	// constant) exceeds it once in 10^6.
	driftSure = 32.0

	// driftLeast is the least drift that counts, as a part of G.
	driftLeast = 2e-5

	// sourceLeast is the least change of the level that is taken out of both
	// inputs.
	sourceLeast = 1e-3

	// driftOneEnough is by how much one cause alone may fit worse than both.
	driftOneEnough = 9.0

	// driftNext is the part of the larger cause below which the other is not named.
	driftNext = 0.1

	// driftShape is what the law of the drift is trusted to, of the correction.
	driftShape = 0.05
)

// Drift is what changed slowly while the signal played, by both causes that act
// on all frequencies at once: a coil that warms, and the gains of the inputs. The
// curve is that of the middle of the measurement.
type Drift struct {
	Warms  float64 // change of the load's resistance from the first to the last moment, as a part of it
	UWarms float64 // its standard uncertainty
	Gain   float64 // change of the ratio of the inputs' gains, as a part of it
	UGain  float64
	Cause  DriftCause
}

// DriftCause says which of the two explains what was seen.
type DriftCause int

// Causes of a drift. Where the load is little more than a resistance either
// explains it.
const (
	Warming DriftCause = iota + 1
	Gain
	WarmingOrGain
	WarmingAndGain
)

// DriftSource is the kind with which the IDs of what stays unsure of a drift
// begin.
const DriftSource = "drift"

// Shift is an error that many points of a ratio have in common: DG is the change
// of G at each point for one standard uncertainty. ID names what it comes from.
type Shift struct {
	ID string
	DG []complex128
}

// course is a course in time, from -1/2 or so to 1/2 or so while x goes from 0 to
// 1 and 0 in the middle: with kappa the length over the time constant,
//
//	theta(x) = (exp(-kappa/2) - exp(-kappa x))/(1 - exp(-kappa)),
//
// which is x - 1/2 for kappa = 0. What warms, warms like this.
func course(kappa, x float64) float64 {
	if math.Abs(kappa) < 1e-6 {
		return x - 0.5
	}
	return (math.Exp(-kappa/2) - math.Exp(-kappa*x)) / -math.Expm1(-kappa)
}

// moments are when the signal was at a frequency, as parts of its length, with
// how much of it.
type moments []struct{ at, part float64 }

// mean returns that of a course over m.
func (m moments) mean(kappa float64) (mean float64) {
	for _, x := range m {
		mean += x.part * course(kappa, x.at)
	}
	return mean
}

// kappas are the courses that are weighed against each other.
var kappas = [...]float64{-2, -1, 0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 8, 10}

// changed is by how much the ratio changed in one cell, dG per what x is of the
// difference.
type changed struct {
	hz       float64
	g        complex128 // the mean ratio
	dg       complex128 // what its change is seen as
	variance float64    // of dg, E|e|^2
}

// drifting is a fit of both causes to what changed, over all courses,
//
//	dG = (gain G + warms (1 - G)^2) h,
//
// with h what a course makes of the comparison. The first is d ln G; the second
// is dG/dZ = (1 - G)^2/R of G = Z/(Z + R) for a real dZ, and warms is dZ/R.
// Neither hangs on frequency, so that all cells together tell a change far below
// the noise of any one.
type drifting struct {
	weight []float64    // of each course
	size   [][2]float64 // gain and warms, likewise
	cov    [2][2]float64
	better [3]float64 // by how much gain alone, warms alone and both lower chi-square
}

// fitDrift weighs the courses by their likelihood. h returns what a course makes
// of cell i.
func fitDrift(cells []changed, h func(kappa float64, i int) float64) drifting {
	d := drifting{weight: make([]float64, len(kappas)), size: make([][2]float64, len(kappas))}
	best := math.Inf(-1)
	chi := make([]float64, len(kappas))
	covs := make([][2][2]float64, len(kappas))
	for i, kappa := range kappas {
		var n [2][2]float64 // normal equations
		var b [2]float64
		for j, c := range cells {
			if c.variance == 0 {
				continue
			}
			w := 2 / c.variance // of each part
			x := h(kappa, j)
			shape := [2]complex128{c.g * complex(x, 0), (1 - c.g) * (1 - c.g) * complex(x, 0)}
			for p := range shape {
				b[p] += w * (real(shape[p])*real(c.dg) + imag(shape[p])*imag(c.dg))
				for q := range shape {
					n[p][q] += w * (real(shape[p])*real(shape[q]) + imag(shape[p])*imag(shape[q]))
				}
			}
		}
		// A load that is all resistance leaves the two alike: what then tells
		// them apart is that neither is larger than the other by orders.
		for p := range n {
			n[p][p] *= 1 + 1e-9
		}
		det := n[0][0]*n[1][1] - n[0][1]*n[1][0]
		if !(det > 0) {
			continue
		}
		covs[i] = [2][2]float64{{n[1][1] / det, -n[0][1] / det}, {-n[1][0] / det, n[0][0] / det}}
		for p := range b {
			d.size[i][p] = covs[i][p][0]*b[0] + covs[i][p][1]*b[1]
		}
		chi[i] = d.size[i][0]*b[0] + d.size[i][1]*b[1]
		d.better[0] = max(d.better[0], b[0]*b[0]/n[0][0])
		d.better[1] = max(d.better[1], b[1]*b[1]/n[1][1])
		if chi[i] > best {
			best, d.cov, d.better[2] = chi[i], covs[i], chi[i]
		}
	}
	var sum float64
	for i := range kappas {
		d.weight[i] = math.Exp((chi[i] - best) / 2)
		sum += d.weight[i]
	}
	for i := range kappas {
		d.weight[i] /= sum
	}
	return d
}

// sure reports whether the change stands out of the noise and counts.
func (d drifting) sure() bool {
	if d.better[2] < driftSure {
		return false
	}
	mean := d.mean()
	return math.Hypot(mean[0], mean[1]) > driftLeast
}

// mean returns the sizes over all courses.
func (d drifting) mean() (m [2]float64) {
	for i, w := range d.weight {
		for p := range m {
			m[p] += w * d.size[i][p]
		}
	}
	return m
}

// at returns gain and warms at a moment x of the whole, 0 in its middle.
func (d drifting) at(x float64) [2]float64 { return d.over(moments{{x, 1}}) }

// over returns their mean over several.
func (d drifting) over(at moments) (m [2]float64) {
	for i, w := range d.weight {
		c := w * at.mean(kappas[i])
		for p := range m {
			m[p] += c * d.size[i][p]
		}
	}
	return m
}

// found says what d is, for a load whose resistance is the given part of the
// sense resistor.
func (d drifting) found(resistance float64) *Drift {
	m, v := d.mean(), [2]float64{d.cov[0][0], d.cov[1][1]}
	for i, w := range d.weight {
		for p := range m {
			v[p] += w * (d.size[i][p] - m[p]) * (d.size[i][p] - m[p])
		}
	}
	if !(resistance > 0) || math.IsInf(resistance, 0) {
		resistance = 1
	}
	f := &Drift{Cause: WarmingAndGain, Gain: m[0], UGain: math.Sqrt(v[0]), Warms: m[1] / resistance, UWarms: math.Sqrt(v[1]) / resistance}
	gain := d.better[2]-d.better[0] < driftOneEnough
	warms := d.better[2]-d.better[1] < driftOneEnough
	switch {
	case gain && warms:
		f.Cause = WarmingOrGain
	case gain || math.Abs(m[1]) < driftNext*math.Abs(m[0]):
		f.Cause = Gain
	case warms || math.Abs(m[0]) < driftNext*math.Abs(m[1]):
		f.Cause = Warming
	}
	return f
}

// shifts returns what is unsure of the correction at points that were corrected by
// the mean of d over the moments of each: both sizes, by the Cholesky factor of
// their covariance; the course; and its law.
func (d drifting) shifts(points []Point, id string, when func(hz float64) moments) []Shift {
	factor := [2][2]float64{{math.Sqrt(d.cov[0][0]), 0}, {}}
	if factor[0][0] > 0 {
		factor[1][0] = d.cov[1][0] / factor[0][0]
	}
	factor[1][1] = math.Sqrt(max(0, d.cov[1][1]-factor[1][0]*factor[1][0]))
	var kappa, spread float64
	for i, w := range d.weight {
		kappa += w * kappas[i]
	}
	for i, w := range d.weight {
		spread += w * (kappas[i] - kappa) * (kappas[i] - kappa)
	}
	spread = math.Sqrt(spread)
	names := [...]string{"gain", "warming", "course", "law"}
	s := make([]Shift, len(names))
	for i, name := range names {
		s[i] = Shift{ID: DriftSource + ":" + name + ":" + id, DG: make([]complex128, len(points))}
	}
	for i, p := range points {
		shape := [2]complex128{p.G, (1 - p.G) * (1 - p.G)}
		at := when(p.Hz)
		for j, w := range d.weight {
			part := complex(w*at.mean(kappas[j]), 0)
			for q := range 2 {
				s[q].DG[i] += part * (complex(factor[0][q], 0)*shape[0] + complex(factor[1][q], 0)*shape[1])
			}
			whole := part * (complex(d.size[j][0], 0)*shape[0] + complex(d.size[j][1], 0)*shape[1])
			if spread > 0 {
				s[2].DG[i] += whole * complex((kappas[j]-kappa)/spread, 0)
			}
			s[3].DG[i] += whole * driftShape
		}
	}
	return s
}

// leastOhms returns the least resistance of a load, over the sense resistor: of
// Z = R G/(1 - G).
func leastOhms(points []Point) float64 {
	least := math.Inf(1)
	for _, p := range points {
		if z := real(p.G / (1 - p.G)); z > 0 {
			least = min(least, z)
		}
	}
	return least
}

// identity tells a recording from all others.
func identity(rec card.Recording) string {
	h := fnv.New64a()
	var b [8]byte
	for i := 0; i < len(rec.V1); i += 1 + len(rec.V1)/4096 {
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(rec.V1[i])^math.Float64bits(rec.V2[i])<<1)
		h.Write(b[:])
	}
	return fmt.Sprintf("%016x", h.Sum64())
}

// periodDrift is a drift that the counted periods show.
type periodDrift struct {
	drifting
	periods int
	rise    float64 // of a chirp in periods, its L over T; 0 for a signal that holds all frequencies always
	starts  float64 // when it passes 1 Hz, in periods from the first counted sample
	ohms    float64 // least resistance of the load, over the sense resistor
	source  float64 // change of the level of V1 from the first to the last moment, as a part of it
}

// findDrift compares the counted periods with each other, all frequencies
// jointly, and reports whether something changed. Of the slope over the periods
//
//	Y = sum of c_p V(p),  c_p = (p - (P-1)/2)/sum of the squares of that,
//
// Y2 - G Y1 is the slope of G times V1: what the source changes is in both and
// does no harm. The spectrum of the low octaves gives the periods one by one for
// little: its lines, those between included, back over time at a low rate.
func (s spectrum) findDrift(sig signal.Periodic) (periodDrift, bool) {
	hz := s.stepHz * float64(s.periods)
	top := min(int(min(max(driftHz, looksOver*s.frame.LowHz), s.frame.HighHz)/hz), (len(s.x1)-1)/s.periods-1)
	slopes, means := s.slopes(top)
	d := periodDrift{periods: s.periods, ohms: math.Inf(1)}
	if c, ok := sig.(signal.Chirp); ok {
		d.rise = c.Rise() * hz
	}

	cells, first, end := s.cells()
	var seen []changed
	var level []complex128 // slope of V1 over V1
	var starts complex128
	for _, c := range cells[first:end] {
		if c.hi > top*9/10 {
			break
		}
		var num, turn, mean, own complex128
		var den float64
		for k := c.lo; k <= c.hi; k++ {
			v1, v2 := means[0][k], means[1][k]
			den += abs2(v1)
			mean += cmplx.Conj(v1) * v2
			turn += means[0][k+1] * cmplx.Conj(v1)
			own += slopes[0][k] * cmplx.Conj(v1)
		}
		if den == 0 {
			continue
		}
		x := changed{hz: c.middle() * hz, g: mean / complex(den, 0), variance: den}
		for k := c.lo; k <= c.hi; k++ {
			v1, v2 := means[0][k], means[1][k]
			num += cmplx.Conj(v1)*slopes[1][k] - v2*cmplx.Conj(v1)/v1*slopes[0][k]
		}
		x.dg = num / complex(den, 0)
		// The delay of V1, as the slope of its phase, says where in a period the
		// recording begins.
		if turn != 0 {
			starts += turn / complex(cmplx.Abs(turn), 0) * cmplx.Rect(1, 2*math.Pi*d.rise*math.Log(x.hz))
		}
		if z := real(x.g / (1 - x.g)); z > 0 {
			d.ohms = min(d.ohms, z)
		}
		seen, level = append(seen, x), append(level, own/complex(den, 0))
	}
	if len(seen) < driftLines {
		return periodDrift{}, false
	}
	d.starts = -cmplx.Phase(starts) / (2 * math.Pi)
	energy := make([]float64, len(seen))
	for i, c := range seen {
		energy[i] = c.variance
	}
	// The noise of a line is what the fit leaves, of a few neighbours: first
	// without a drift, then with it.
	for range 2 {
		noise := make([]float64, len(seen))
		fit := d.drifting
		for i, c := range seen {
			left := c.dg
			if fit.weight != nil {
				left -= d.change(c)
			}
			noise[i] = abs2(left) * energy[i]
		}
		for i := range seen {
			seen[i].variance = around(noise, i, driftLines/2) / energy[i]
		}
		d.drifting = fitDrift(seen, func(kappa float64, i int) float64 { return d.compared(kappa, seen[i]) })
	}
	fit := d.sure()
	if !fit {
		d.drifting = drifting{}
	}
	return d, d.changes(seen, level, energy) || fit
}

// changes fills in by how much the level of V1 changed, the cells weighed by
// their energy, and reports whether it did.
func (d *periodDrift) changes(seen []changed, level []complex128, energy []float64) bool {
	var sum, squares, left float64
	h := make([]float64, len(seen))
	for i, c := range seen {
		h[i] = d.compared(0, c)
		sum += energy[i] * h[i] * real(level[i])
		squares += energy[i] * h[i] * h[i]
	}
	d.source = sum / squares
	for i := range seen {
		e := energy[i] * h[i] * (real(level[i]) - d.source*h[i])
		left += e * e
	}
	if d.source*d.source*squares*squares > driftSure*left && math.Abs(d.source) > sourceLeast {
		return true
	}
	d.source = 0
	return false
}

// around returns the mean of x over reach values on either side of i.
func around(x []float64, i, reach int) float64 {
	from, to := max(0, i-reach), min(len(x), i+reach+1)
	var sum float64
	for _, v := range x[from:to] {
		sum += v
	}
	return sum / float64(to-from)
}

// slopes returns the spectra of the slope over the periods, and of their mean, of
// both channels up to line top.
func (s spectrum) slopes(top int) (slopes, means [2][]complex128) {
	n := signal.SmoothLength(2*top + 4)
	var squares float64
	for p := range s.periods {
		c := float64(p) - float64(s.periods-1)/2
		squares += c * c
	}
	var wait sync.WaitGroup
	for ch, x := range [2][]complex128{s.x1, s.x2} {
		wait.Go(func() {
			low := make([]complex128, n*s.periods/2+1)
			for j := range min(len(low), (top+1)*s.periods) {
				low[j] = x[j] * complex(blend(10-10*float64(j)/float64((top+1)*s.periods))/float64(n*s.periods), 0)
			}
			v := fourier.NewFFT(n*s.periods).Sequence(nil, low)
			slope := make([]float64, n)
			for p := range s.periods {
				c := (float64(p) - float64(s.periods-1)/2) / squares
				for i := range slope {
					slope[i] += c * v[p*n+i]
				}
			}
			slopes[ch] = fourier.NewFFT(n).Coefficients(nil, slope)
			means[ch] = make([]complex128, top+2)
			for k := range means[ch] {
				means[ch][k] = x[k*s.periods] / complex(float64(s.periods), 0)
			}
		})
	}
	wait.Wait()
	return slopes, means
}

// compared is what a course makes of the slope over the periods in a cell.
func (d periodDrift) compared(kappa float64, c changed) (h float64) {
	p := float64(d.periods)
	var squares float64
	at := d.when(c.hz)
	for i := range d.periods {
		w := float64(i) - (p-1)/2
		squares += w * w
		for _, x := range at {
			h += w * course(kappa, (float64(i)+x)/p) / float64(len(at))
		}
	}
	return h / squares
}

// when returns when the signal passes a frequency, in periods from the beginning
// of one; as many moments stand for always.
func (d periodDrift) when(hz float64) []float64 {
	if d.rise > 0 {
		x := d.starts + d.rise*math.Log(hz)
		return []float64{x - math.Floor(x)}
	}
	const parts = 8
	at := make([]float64, parts)
	for i := range at {
		at[i] = (float64(i) + 0.5) / parts
	}
	return at
}

// change is what d makes of dg in a cell.
func (d periodDrift) change(c changed) (dg complex128) {
	for i, w := range d.weight {
		h := complex(w*d.compared(kappas[i], c), 0)
		dg += h * (complex(d.size[i][0], 0)*c.g + complex(d.size[i][1], 0)*(1-c.g)*(1-c.g))
	}
	return dg
}

// moments returns when the periods pass a frequency, as parts of the whole.
func (d periodDrift) moments(hz float64) (m moments) {
	at := d.when(hz)
	for p := range d.periods {
		for _, x := range at {
			m = append(m, struct{ at, part float64 }{(float64(p) + x) / float64(d.periods), 1 / float64(len(at)*d.periods)})
		}
	}
	return m
}

// takeOut returns both channels as they would be had nothing drifted since the
// middle: V2 less what the drift of each moment makes of the mean period, and
// both without the change of the source's level, which would pass for noise
// between the lines.
func (d periodDrift) takeOut(s spectrum, v1, v2 []float64) (y1, y2 []float64) {
	n := len(v2) / s.periods
	var shapes [2][]float64
	whole := complex(float64(n*s.periods), 0)
	fft := fourier.NewFFT(n)
	for q := range shapes {
		spec := make([]complex128, n/2+1)
		for k := 1; k < len(spec) && d.weight != nil; k++ {
			a, b := s.x1[k*s.periods], s.x2[k*s.periods]
			switch hz := float64(k) * s.stepHz * float64(s.periods); {
			case a == 0 || hz < s.frame.LowHz/2 || hz > signalBeyond*s.frame.HighHz || !s.excited(k):
			case q == 0:
				spec[k] = b / whole
			default:
				spec[k] = (a - b) * (a - b) / a / whole
			}
		}
		shapes[q] = fft.Sequence(nil, spec)
	}
	y1, y2 = make([]float64, len(v1)), make([]float64, len(v2))
	length := float64(len(v2))
	const block = 1024 // samples over which a course is straight
	for from := 0; from < len(v2); from += block {
		a, b := d.at(float64(from)/length), d.at(float64(from+block)/length)
		for i := from; i < min(len(v2), from+block); i++ {
			w := float64(i-from) / block
			level := 1 - d.source*(float64(i)/length-0.5)
			y1[i] = v1[i] * level
			y2[i] = (v2[i] - (a[0]+w*(b[0]-a[0]))*shapes[0][i%n] - (a[1]+w*(b[1]-a[1]))*shapes[1][i%n]) * level
		}
	}
	return y1, y2
}

// excited reports whether line k of a period holds signal.
func (s spectrum) excited(k int) bool {
	if s.lines == nil {
		return true
	}
	_, ok := slices.BinarySearch(s.lines, k)
	return ok
}
