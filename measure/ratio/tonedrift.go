package ratio

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/signal"
)

const (
	// A mark is looked at in cells of so many hertz, within so much of its ends'
	// frequencies, and with what follows it for so long.
	markCellHz = 50.0
	markInside = 1.15
	markAfter  = 0.08  // s
	markEdge   = 0.005 // s
)

// compared is a change of the ratio between two parts of a signal.
type compared struct {
	changed
	from, to moments
}

// by is what a course makes of it.
func (c compared) by(kappa float64) float64 { return c.to.mean(kappa) - c.from.mean(kappa) }

// toneDrift is a drift that stepped tones show.
type toneDrift struct {
	drifting
	head, length float64 // of the signal in the recording, samples
}

// moment returns that of sample i of a dwell, as a part of the signal.
func (w *toneDrift) moment(d dwell, i int) float64 {
	return (float64(d.start+i) - w.head) / w.length
}

// toneDrift finds what changed slowly while the tones of sig played. The marks at
// both ends, 0.2 s each, show the same band of frequencies twice, and so by how
// much the ratio changed from end to end; the halves of each dwell show how fast
// it changes there, each little, all of them together the course in between. A
// load that still rings shows in some dwells and is noise among their neighbours.
func (p place) toneDrift(rec card.Recording, sig signal.Tones, dwells []dwell, tones []toned) *toneDrift {
	w := &toneDrift{head: p.head, length: float64(sig.Len()) * (1 + p.clock)}
	marks := p.markChange(rec, sig)
	var halves []compared
	for i, d := range dwells {
		t, n := tones[i], len(d.x[0])
		if t.heard && t.whole != 0 {
			halves = append(halves, compared{
				changed{hz: d.hz, g: t.g, dg: t.change, variance: float64(n) * abs2(t.whole)},
				moments{{w.moment(d, n/4), 1}}, moments{{w.moment(d, n-n/4), 1}},
			})
		}
	}
	if len(marks) < driftLines/2 {
		return nil
	}
	all := append(marks, halves...)
	energy := make([]float64, len(all))
	for i, c := range all {
		energy[i] = c.variance
	}
	for range 2 {
		noise := make([]float64, len(all))
		for i, c := range all {
			left := c.dg
			if w.weight != nil {
				left -= w.between(c)
			}
			noise[i] = abs2(left) * energy[i]
		}
		cells := make([]changed, len(all))
		for i := range all {
			group := noise[:len(marks)]
			at := i
			if i >= len(marks) {
				group, at = noise[len(marks):], i-len(marks)
			}
			cells[i] = all[i].changed
			cells[i].variance = around(group, at, driftLines/2) / energy[i]
		}
		w.drifting = fitDrift(cells, func(kappa float64, i int) float64 {
			return all[i].by(kappa)
		})
	}
	if !w.sure() {
		return nil
	}
	return w
}

// between is what d makes of the change that c saw.
func (d drifting) between(c compared) complex128 {
	from, to := d.over(c.from), d.over(c.to)
	return complex(to[0]-from[0], 0)*c.g + complex(to[1]-from[1], 0)*(1-c.g)*(1-c.g)
}

// markChange compares the ratio in both marks.
func (p place) markChange(rec card.Recording, sig signal.Tones) []compared {
	rate := float64(rec.RateHz)
	head, _ := sig.Marks()
	n := len(head) + int(markAfter*rate)
	edge := int(markEdge * rate)
	length := float64(sig.Len())
	var spectra [2][2][]complex128 // by mark and channel
	fft := fourier.NewFFT(signal.SmoothLength(n))
	for m, at := range [2]int{0, sig.TailMark()} {
		from := int(math.Round(p.head + float64(at)*(1+p.clock)))
		for ch, v := range [2][]float64{rec.V1, rec.V2} {
			x := make([]float64, fft.Len())
			if from < 0 {
				return nil
			}
			copy(x[:n], v[min(from, len(v)):min(from+n, len(v))])
			have := min(n, len(v)-from)
			for i := range min(edge, max(0, have)) {
				x[have-1-i] *= blend(float64(i) / float64(edge))
			}
			spectra[m][ch] = fft.Coefficients(nil, x)
		}
	}
	step := rate / float64(fft.Len())
	var all []compared
	for low := signal.MarkLowHz * markInside; low+markCellHz < signal.MarkHighHz/markInside; low += markCellHz {
		var g [2]complex128
		var energy float64
		for m := range spectra {
			var cross complex128
			var power float64
			for k := int(math.Ceil(low / step)); float64(k)*step < low+markCellHz; k++ {
				a, b := spectra[m][0][k], spectra[m][1][k]
				power += abs2(a)
				cross += cmplx.Conj(a) * b
			}
			if power == 0 {
				return nil
			}
			g[m] = cross / complex(power, 0)
			energy += power / 2
		}
		all = append(all, compared{
			changed{hz: low + markCellHz/2, g: (g[0] + g[1]) / 2, dg: g[1] - g[0], variance: energy},
			moments{{float64(len(head)) / 2 / length, 1}}, moments{{(float64(sig.TailMark()) + float64(len(head))/2) / length, 1}},
		})
	}
	return all
}

// takeOut returns d as it would be had nothing drifted since the middle of the
// signal: V2 less what the drift of each moment makes of the tone in V1.
func (w *toneDrift) takeOut(d dwell, t toned) dwell {
	n := len(d.x[0])
	v2 := slices.Clone(d.x[1])
	const block = 256 // samples over which a course is straight
	for from := 0; from < n; from += block {
		to := min(n, from+block)
		part := func(at int) complex128 {
			m := w.at(w.moment(d, at))
			return (complex(m[0], 0)*t.g + complex(m[1], 0)*(1-t.g)*(1-t.g)) * t.whole
		}
		a, b := part(from), part(to)
		phase, turn := cmplx.Rect(1, d.w*(float64(from)-float64(n-1)/2)), cmplx.Rect(1, d.w)
		for i := from; i < to; i++ {
			v2[i] -= real((a + (b-a)*complex(float64(i-from)/float64(to-from), 0)) * phase)
			phase *= turn
		}
	}
	d.x[1] = v2
	return d
}
