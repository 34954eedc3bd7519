package fit

import (
	"cmp"
	"context"
	"math"
	"slices"
)

// join puts start values for l together in the solver's order.
func (s *search) join(l load, re float64, resonances [][3]float64, coil []float64) (p []float64) {
	if l.pinned == 0 {
		p = append(p, math.Log(re))
	}
	for _, r := range resonances {
		p = append(p, math.Log(r[0]), math.Log(r[1]), math.Log(r[2]))
	}
	p = append(p, coil...)
	if l.blocked {
		p = append(p, math.Log(s.farad))
	}
	if l.bypassed {
		p = append(p, math.Log(s.bypass))
	}
	return p
}

// start reads first values off the curve: Re a little below the least |Z|, and
// what the top of the band shows of a coil.
func (s *search) start() (re float64, top coilStart) {
	re = math.Inf(1)
	for _, a := range s.abs2 {
		re = min(re, 0.95*math.Sqrt(a))
	}
	if s.o.PinnedRe > 0 {
		re = s.o.PinnedRe
	}
	last := s.c.Points[len(s.c.Points)-1]
	return re, seenAtTop(last.Hz, last.Z-complex(re, 0), 1e-3*re)
}

// extend fits the model of t with one more resonance, from several starts: where
// it would take most out of the residual of t, each resonance of t split in
// two, and the resonances of the leading coil.
//
// What cannot come below the misfit limit is not followed to its end.
func (s *search) extend(ctx context.Context, t *trial, leads []*trial, re float64, coil []float64, limit float64) *trial {
	l := t.load
	l.Resonances++
	at := t.suspensionAt()
	var starts [][]float64
	for _, r := range s.places(t, 2) {
		starts = append(starts, slices.Insert(slices.Clone(t.p), at, math.Log(r[0]), math.Log(r[1]), math.Log(r[2])))
		if l.Resonances == 1 && l.Suspension == Spring {
			starts = append(starts, s.join(l, re, [][3]float64{r}, coil))
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
		for _, coil := range append(coilsLike(lead, l.Coil), t.p[t.coilAt():t.padAt()]) {
			p := append(slices.Clone(lead.p[:lead.suspensionAt()]), t.p[at:t.coilAt()]...)
			p = append(p, coil...)
			starts = append(starts, append(p, t.p[t.capacitorAt():]...))
		}
	}
	slices.SortStableFunc(starts, func(a, b []float64) int { return cmp.Compare(s.coarse.off(l, a), s.coarse.off(l, b)) })
	var best *trial
	worth := worthALook
	if len(leads) > 0 {
		worth = worthFollowing
	}
	for _, p := range starts[:min(len(starts), worth)] {
		if next := s.look(ctx, l, p); best == nil || next.deviance < best.deviance {
			best = next
		}
	}
	if best == nil {
		return nil
	}
	if best.misfit > limit {
		return s.approach(ctx, l, best.p, 1, limits{abs: 1e-2, rel: 1e-2, steps: 1})
	}
	return s.fit(ctx, l, best.p)
}

// How many starts are followed, of those nearest to the curve: by the leading
// coil, and by the others, which begin from what the lead found.
const worthALook, worthFollowing = 4, 3

// off returns how far the load with parameters p is from the curve: the sum of
// squares relative to |Z|.
func (s *search) off(l load, p []float64) (sum float64) {
	in := s.box(l)
	inside := make([]float64, len(p))
	for k, x := range p {
		inside[k] = in.clamp(k, x)
	}
	v := l.at(inside)
	for i, tn := range s.tones {
		e := v.z(tn, nil) - s.c.Points[i].Z
		sum += (real(e)*real(e) + imag(e)*imag(e)) / s.abs2[i]
	}
	return sum
}

// coilsLike returns starts for a coil of kind k that resembles the power law
// of t.
func coilsLike(t *trial, k CoilKind) (starts [][]float64) {
	if coils[k].like == nil {
		return nil
	}
	v := t.at(t.p)
	for _, c := range coils[k].like(coilStart{l: max(t.Coil.inductance(&v.coil), 1e-9), x: v.coil.K.Value, n: v.coil.N.Value}) {
		starts = append(starts, k.encode(c))
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
	slices.SortFunc(tops, func(a, b place) int { return cmp.Compare(b.gain, a.gain) })
	var found [][3]float64
	for _, p := range tops[:min(most, len(tops))] {
		found = append(found, p.r)
	}
	return found
}
