package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/signal"
	"tapload/measure/transform"
)

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
func (s spectrum) findDrift(ctx context.Context, sig signal.Periodic) (periodDrift, bool, error) {
	hz := s.stepHz * float64(s.periods)
	top := min(int(min(max(driftHz, looksOver*s.frame.LowHz), s.frame.HighHz)/hz), (s.x1.Len()-1)/s.periods-1)
	slopes, means, err := s.slopes(ctx, top)
	if err != nil {
		return periodDrift{}, false, err
	}
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
		return periodDrift{}, false, nil
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
	return d, d.changes(seen, level, energy) || fit, nil
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
func (s spectrum) slopes(ctx context.Context, top int) (slopes, means [2][]complex128, err error) {
	n := signal.SmoothLength(2*top + 4)
	var squares float64
	for p := range s.periods {
		c := float64(p) - float64(s.periods-1)/2
		squares += c * c
	}
	all, one := transform.New(n*s.periods), transform.New(n)
	low, room := make([]complex128, n*s.periods/2+1), make([]float64, n*s.periods)
	for ch, x := range [2]*transform.Spectrum{s.x1, s.x2} {
		clear(low)
		for j := range min(len(low), (top+1)*s.periods) {
			low[j] = x.At(j) * complex(blend(10-10*float64(j)/float64((top+1)*s.periods))/float64(n*s.periods), 0)
		}
		if err := all.Backward(ctx, low, room); err != nil {
			return slopes, means, err
		}
		slopes[ch] = make([]complex128, n/2+1)
		v, slope := all.Values(low), one.Values(slopes[ch])
		for p := range s.periods {
			c := (float64(p) - float64(s.periods-1)/2) / squares
			for i := range slope {
				slope[i] += c * v[p*n+i]
			}
		}
		if err := one.Forward(ctx, slopes[ch], room); err != nil {
			return slopes, means, err
		}
		means[ch] = make([]complex128, top+2)
		for k := range means[ch] {
			means[ch][k] = x.At(k*s.periods) / complex(float64(s.periods), 0)
		}
	}
	return slopes, means, nil
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

// takeOut makes of s what it would be had nothing drifted since the middle of the
// samples: V2 less what the drift of each moment makes of the mean period, and
// both channels without the change of the source's level, which would pass for
// noise between the lines.
func (d periodDrift) takeOut(ctx context.Context, s *spectrum, c *counted) error {
	var shapes [2][]float32
	if d.weight != nil {
		var err error
		if shapes, err = s.shapes(ctx); err != nil {
			return err
		}
	}
	const block = 1024 // samples over which a course is straight
	length := float64(s.samples)
	ends := make([][2]float64, s.samples/block+2) // gain and warms at the ends of blocks
	for i := range ends {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		ends[i] = d.at(float64(i*block) / length)
	}
	c.changed = func(v1, v2 []float64, from, step int) {
		for k := range v1 {
			i := from + k*step
			a, b, w := ends[i/block], ends[i/block+1], float64(i%block)/block
			for q, shape := range shapes {
				if shape != nil {
					v2[k] -= (a[q] + w*(b[q]-a[q])) * float64(shape[i%len(shape)])
				}
			}
			level := 1 - d.source*(float64(i)/length-0.5)
			v1[k], v2[k] = v1[k]*level, v2[k]*level
		}
	}
	_, err := c.transform(ctx, s)
	return err
}

// shapes returns what a drift of 1 of either cause makes of V2 over a period. Of that a
// few hundredths are taken out at most, for which half the digits do: a period may be two
// minutes long. The lines between, which are worked out anew, make room for it.
func (s spectrum) shapes(ctx context.Context) (shapes [2][]float32, err error) {
	s.x1.Forget()
	s.x2.Forget()
	n := s.samples / s.periods
	whole := complex(float64(s.samples), 0)
	fft, room, spec := transform.New(n), make([]float64, n), make([]complex128, n/2+1)
	for q := range shapes {
		clear(spec)
		for k := 1; k*s.periods < s.x1.Len(); k++ {
			a, b := s.x1.At(k*s.periods), s.x2.At(k*s.periods)
			switch hz := float64(k) * s.stepHz * float64(s.periods); {
			case a == 0 || hz < s.frame.LowHz/2 || hz > signalBeyond*s.frame.HighHz || !s.excited(k):
			case q == 0:
				spec[k] = b / whole
			default:
				spec[k] = (a - b) * (a - b) / a / whole
			}
		}
		if err := fft.Backward(ctx, spec, room); err != nil {
			return shapes, err
		}
		shapes[q] = make([]float32, n)
		for i, v := range fft.Values(spec) {
			shapes[q][i] = float32(v)
		}
	}
	return shapes, nil
}

// excited reports whether line k of a period holds signal.
func (s spectrum) excited(k int) bool {
	if s.lines == nil {
		return true
	}
	_, ok := slices.BinarySearch(s.lines, k)
	return ok
}
