package fit

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
)

// join puts start values together in the solver's order.
func (s *search) join(re float64, resonances [][3]float64, coil []float64) (p []float64) {
	if s.o.PinnedRe == 0 {
		p = append(p, math.Log(re))
	}
	for _, r := range resonances {
		p = append(p, math.Log(r[0]), math.Log(r[1]), math.Log(r[2]))
	}
	return append(p, coil...)
}

// start reads first values off the curve: Re a little below the least |Z|, and
// each coil from the impedance at the top of the band and in its middle.
func (s *search) start() (re float64, coils map[CoilKind][]float64) {
	re = math.Inf(1)
	for _, a := range s.abs2 {
		re = min(re, 0.95*math.Sqrt(a))
	}
	if s.o.PinnedRe > 0 {
		re = s.o.PinnedRe
	}
	top := s.c.Points[len(s.c.Points)-1]
	z := top.Z - complex(re, 0)
	w := 2 * math.Pi * top.Hz
	x := max(imag(z), 1e-3*re)
	r := max(real(z), 1e-3*re)
	n := min(max(math.Atan2(x, r)/(math.Pi/2), 0.05), 0.95)
	size := cmplx.Abs(complex(r, x)) * math.Pow(coilHz/top.Hz, n)
	l := x / w
	// The ladder's corner lies where the coil turns from lossless to lossy:
	// a decade below the top is in reach of wherever it really is.
	l2 := 3 * l
	return re, map[CoilKind][]float64{
		NoCoil:   nil,
		Inductor: {math.Log(l)},
		Ladder:   {math.Log(l / 2), math.Log(l2), math.Log(w / 10 * l2)},
		Power:    {math.Log(size), logit(n)},
		Shunted:  {math.Log(10 * l), math.Log(size), logit(n)},
	}
}

// extend fits the model of t with one more resonance, from several starts: where
// it would take most out of the residual of t, each resonance of t split in
// two, and the resonances of the leading coil.
//
// What cannot come below the misfit limit is not followed to its end.
func (s *search) extend(t *trial, leads []*trial, re float64, coil []float64, limit float64) *trial {
	l := t.load
	l.Resonances++
	at := t.coilAt()
	var starts [][]float64
	for _, r := range s.places(t, 2) {
		starts = append(starts, slices.Insert(slices.Clone(t.p), at, math.Log(r[0]), math.Log(r[1]), math.Log(r[2])))
		if l.Resonances == 1 {
			starts = append(starts, s.join(re, [][3]float64{r}, coil))
		}
	}
	for i := t.first(); i < at; i += 3 {
		const apart = 0.05
		p := slices.Insert(slices.Clone(t.p), at, t.p[i]+apart, t.p[i+1]+apart, t.p[i+2]-math.Ln2/2)
		p[i] -= apart
		p[i+1] += apart
		p[i+2] -= math.Ln2 / 2
		starts = append(starts, p)
	}
	if len(leads) > 0 {
		lead := leads[0]
		for _, coil := range append(coilsLike(lead, l.Coil), t.p[at:]) {
			starts = append(starts, append(slices.Clone(lead.p[:lead.coilAt()]), coil...))
		}
	}
	slices.SortStableFunc(starts, func(a, b []float64) int { return cmp.Compare(s.coarse.off(l, a), s.coarse.off(l, b)) })
	var best *trial
	worth := worthALook
	if len(leads) > 0 {
		worth = worthFollowing
	}
	for _, p := range starts[:min(len(starts), worth)] {
		if next := s.look(l, p); best == nil || next.deviance < best.deviance {
			best = next
		}
	}
	if best == nil {
		return nil
	}
	end := s.fit
	if best.misfit > limit {
		end = func(l load, p []float64) *trial { return s.approach(l, p, 1, limits{abs: 1e-2, rel: 1e-2, steps: 1}) }
	}
	return end(l, best.p)
}

// How many starts are followed, of those nearest to the curve: by the leading
// coil, and by the others, which begin from what the lead found.
const worthALook, worthFollowing = 5, 5

// off returns how far the load with parameters p is from the curve: the sum of
// squares relative to |Z|.
func (s *search) off(l load, p []float64) (sum float64) {
	if !l.within(p, s.low, s.high) {
		return math.Inf(1)
	}
	v := l.at(p)
	for i, tn := range s.tones {
		e := v.z(tn, nil) - s.c.Points[i].Z
		sum += (real(e)*real(e) + imag(e)*imag(e)) / s.abs2[i]
	}
	return sum
}

// coilsLike returns starts for a coil of kind k that resembles the power law
// of t: its inductance at 1 kHz, and some guesses of where the two part.
func coilsLike(t *trial, k CoilKind) (starts [][]float64) {
	v := t.at(t.p)
	w := 2 * math.Pi * coilHz
	l := math.Log(max(imag(v.coil(newTone(coilHz), nil))/w, 1e-9))
	switch k {
	case Inductor:
		starts = append(starts, []float64{l})
	case Ladder:
		for _, corner := range []float64{0.4e3, 2e3, 10e3} {
			starts = append(starts, []float64{l - 1, l, math.Log(2*math.Pi*corner) + l})
		}
	case Shunted:
		for _, times := range []float64{2, 5, 20} {
			starts = append(starts, []float64{l + math.Log(times), math.Log(v.x) + math.Ln2/2, logit(v.n)})
		}
	}
	return starts
}

// places returns up to so many resonances (hertz, Q, ohm) that would take most
// out of the residual of t, best first: for every frequency of a grid and some
// Qs the best height by linear least squares.
func (s *search) places(t *trial, most int) [][3]float64 {
	type place struct {
		r    [3]float64
		gain float64
	}
	var all []place
	// Weighted, and of as many points as it takes.
	var hz, re, im, weight []float64
	for i := 0; i < len(s.tones); i += max(1, len(s.tones)/coarsePoints) {
		w := 1 / t.scale[i]
		hz, weight = append(hz, s.tones[i].hz), append(weight, w)
		re, im = append(re, w*real(t.residual[i])), append(im, w*imag(t.residual[i]))
	}
	detune := make([]float64, len(hz))
	for f := s.low * 1.03; f < s.high/1.03; f *= math.Exp2(1.0 / 12) {
		for i, h := range hz {
			detune[i] = h/f - f/h
		}
		var here place
		for _, q := range []float64{0.7, 1.5, 3, 6, 12, 24} {
			var num, den float64
			for i, d := range detune {
				x := q * d
				g := 1 / (1 + x*x)
				num += (re[i] - x*im[i]) * g
				den += g * weight[i]
			}
			if num > 0 && num*num/den > here.gain {
				here = place{[3]float64{f, q, num / den}, num * num / den}
			}
		}
		if here.gain > 0 {
			all = append(all, here)
		}
	}
	var tops []place
	for i, p := range all {
		if (i == 0 || p.gain >= all[i-1].gain) && (i == len(all)-1 || p.gain > all[i+1].gain) {
			tops = append(tops, p)
		}
	}
	slices.SortFunc(tops, func(a, b place) int {
		if a.gain > b.gain {
			return -1
		}
		return 1
	})
	var found [][3]float64
	for _, p := range tops[:min(most, len(tops))] {
		found = append(found, p.r)
	}
	return found
}
