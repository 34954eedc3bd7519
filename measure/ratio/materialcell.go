package ratio

import (
	"math"

	"tapload/measure/impedance"
)

const (
	leastAverages = 4.0 // independent lines that a point needs

	otherSure = 4.0 // times its variance that a difference is let to have
)

// heard is a cell of program material.
type heard struct {
	cell
	middleHz, widthHz float64

	// Of the lines of the whole recording, or of all its segments.
	lined
	shape    shape         // by how much the ratio differs from g over the cell
	samples  float64       // of which a line is the sum
	rateHz   float64       // of those
	averages float64       // independent lines
	noisy    float64       // mean of |V2 - G V1|^2 in a line
	cov      impedance.Cov // of g
	fitted   bool

	// Of windows.
	windows     int // their length, as an index
	coherence   float64
	power2      float64
	early, late cross      // of the halves of the recording
	soft, loud  cross      // of the windows that are loud, and of the others
	level       [2]float64 // of soft and loud windows, see welch.level
	quiet       float64    // power that as many quiet windows have, as a part
	coarse      float64    // variance of a ratio for want of knowing where in their bins the energy is
	other       float64    // variance of g for what else sounds
	enough      bool       // windows

	believed bool
}

// choose chooses the length of the windows that tell of h, by the width of their
// bins.
func (h *heard) choose(binsHz []float64) {
	for h.windows+1 < len(binsHz) && h.widthHz/binsHz[h.windows+1] >= binsInCell {
		h.windows++
	}
}

// leaveSteady leaves out of all the lines at which something steady sounds.
func (h *heard) leaveSteady(w welch, sum func(bin int) cross, windows int, all whole) {
	from, to := w.bins(h.middleHz-h.widthHz/2, h.middleHz+h.widthHz/2)
	for k := from; k < to; k++ {
		if sum(k).steady(windows) {
			all.leave((float64(k)-0.5)*w.binHz, (float64(k)+0.5)*w.binHz)
		}
	}
}

// beside returns by how much the ratio at a frequency differs from that of h, no
// further than the cells that its shape is from.
func (h *heard) beside(hz float64) complex128 {
	return h.shape.at(max(-reach, min(reach, (hz-h.middleHz)/h.widthHz)))
}

// binVariance returns the variance of a ratio for want of knowing where in a bin the
// energy is.
func (h *heard) binVariance(binHz float64) float64 {
	bin := binHz / h.widthHz
	return abs2(h.shape.slope()) * bin * bin / 12
}

// listen fills in what windows tell of h.
func (h *heard) listen(spectra []welch, mains humAt, seconds float64) {
	w := spectra[h.windows]
	from, to := w.bins(h.middleHz-h.widthHz/2, h.middleHz+h.widthHz/2)
	var sum, quiet cross
	var residual, centre, bins float64
	for k := from; k < to; k++ {
		hz := float64(k) * w.binHz
		if w.all[k].steady(w.windows) || mains.spoils(hz, w.binHz) {
			continue
		}
		d := h.beside(hz)
		bin := w.all[k].beside(d)
		bins++
		sum.add(bin)
		quiet.add(w.quiet[k].beside(d))
		h.early.add(w.early[k].beside(d))
		h.late.add(w.late[k].beside(d))
		h.loud.add(w.loud[k].beside(d))
		residual += bin.residual(h.g) * bin.p1 / float64(w.windows)
		centre += bin.p1 * (hz - h.middleHz) / h.widthHz
	}
	h.soft, h.level = sum.less(h.loud), w.level
	h.coherence = sum.coherence()
	averages := seconds * h.widthHz * bins / float64(to-from)
	if h.enough = averages >= leastAverages && sum.p1 > 0; !h.enough {
		return
	}
	h.quiet = quiet.p1 / sum.p1 * float64(w.windows) / float64(w.quietOnes)
	// Half the lines are those of negative frequencies.
	h.power2 = 2 * sum.p2 / float64(w.windows) / (hannPower * float64(w.length) * float64(w.length))
	h.noise = hops * residual / (sum.p1 * sum.p1) * averages / (averages - 1)
	// Where the energy of all windows is, the lines tell. It is off by the mean of
	// what two halves of them are off by, of which the difference has four times
	// the variance.
	off := centre/sum.p1 - h.moment[1]
	h.coarse = 4 * abs2(h.shape.slope()) * off * off
	h.other = other(sum, quiet, w, h.g, h.noise+h.coarse)
}

// takeNoise takes off the ratio what noise in V1 does to it, and counts what is not
// known of that.
//
// Noise is what quiet windows hold that does not follow the ratio: what does, music or
// the hiss of its amplifier, goes through the load and does no harm. With Q the mean
// cross-spectra of the quiet windows and S those of all,
//
//	G = G0/(1 - q),   q = (Q11 - Q12/G0)/(S11 - Q12/G0),
//
// is the ratio of what S has beyond Q. Where music leaves this less certain than an
// assumption does, noise is assumed to be alike in both inputs (total least
// squares), and the way from there to the estimates for noise in V2 alone and in V1
// alone, the longer one, counts as a standard uncertainty of |G|: more than that of a
// rectangle so wide, since all points of a curve have this error in common.
func (h *heard) takeNoise(spectra []welch, mains humAt) {
	left := h.noisy * h.count
	n := alikeNoise(cross{p1: h.p1, p2: abs2(h.g)*h.p1 + left, p12: h.g * complex(h.p1, 0)})
	alike := n / (h.p1 - n)
	doubt := math.Max(alike, left/abs2(h.g)/h.p1-alike)
	unknown := abs2(h.g)*doubt*doubt + h.other

	for _, w := range spectra[h.windows:] { // the longest that had a pause
		if w.quietOnes < shortestNoise {
			continue
		}
		quiet, count := w.noise(h.middleHz-h.widthHz/2, h.middleHz+h.widthHz/2, h.samples, h.rateHz, mains, h.beside)
		follows := quiet.p12 / h.g
		taken, whole := complex(quiet.p1, 0)-follows, complex(h.p1/h.count, 0)-follows
		if real(whole) <= 0 {
			continue
		}
		apart := quiet.residual(h.g)
		scale := quiet.p1 / abs2(whole)
		v := scale * (hops*apart/count + quiet.p1*h.binVariance(w.binHz))
		// The power of noise in V1 scatters without any phase.
		straight := scale * hops * min(apart, abs2(h.g)*max(0, real(taken))) / count
		if h.noisy > apart { // more noise where it is loud, of V1 or not
			more := abs2(taken/whole*h.g) * (1 - apart/h.noisy) * (1 - apart/h.noisy)
			v += more
			straight += more
		}
		if v < unknown {
			h.g /= 1 - taken/whole
			h.cov = h.cov.Add(along(h.g * complex(math.Sqrt(straight/abs2(h.g)), 0))).Add(impedance.Circular(v - straight))
			return
		}
	}
	h.g *= complex(1+alike, 0)
	h.cov = h.cov.Add(along(h.g * complex(doubt, 0))).Add(impedance.Circular(h.other))
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
