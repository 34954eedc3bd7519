package fit

import (
	"cmp"
	"context"
	"math"
	"slices"
)

// wants reports whether the options allow m.
func (s *search) wants(m Model) bool {
	return len(s.o.Models) == 0 || slices.Contains(s.o.Models, m)
}

// wantsSome reports whether the options allow any model with this coil and
// this suspension.
func (s *search) wantsSome(k CoilKind, h SuspensionKind) bool {
	return len(s.o.Models) == 0 || slices.ContainsFunc(s.o.Models, func(m Model) bool { return m.Coil == k && (m.Suspension == h || h == Spring) })
}

const mostResonances = 3

// hopeless is how many times the misfit of the best coil another coil may have
// at the same number of resonances and still be followed further.
const hopeless = 5

// explore fits every model. Each coil goes its own way
// from no resonance to the most, a resonance a step; the power law leads, since
// it takes to any coil, and its resonances are starts for the others too. What
// fits best with a spring is tried with the other suspensions, which then go
// their own way too. The error is that of ctx.
func (s *search) explore(ctx context.Context) error {
	re, top := s.start()
	var bare []*trial
	rest := slices.DeleteFunc(CoilKinds(), func(k CoilKind) bool { return k == Power })
	for _, k := range append([]CoilKind{Power}, rest...) {
		l := load{Model: Model{Coil: k}, pinned: s.o.PinnedRe, blocked: s.blocked, bypassed: s.bypass > 0}
		if k.size() > Power.size() {
			// It would only bend to what the resonances are.
			lead := bare[0]
			p := append(slices.Clone(lead.p[:lead.coilAt()]), coilsLike(lead, k)[0]...)
			bare = append(bare, s.adopt(&trial{load: l, p: append(p, lead.p[lead.padAt():]...), misfit: lead.misfit}))
			continue
		}
		t := s.fit(ctx, l, s.join(l, re, nil, k.encode(coils[k].first(top))))
		bare = append(bare, t)
		if s.bare == nil || s.bare.err != nil || t.err == nil && t.criterion < s.bare.criterion {
			s.bare = t
		}
	}
	last := bare
	for count := 1; count <= mostResonances; count++ {
		var now []*trial
		least := math.Inf(1)
		keep := func(t *trial) {
			if t == nil {
				return
			}
			now = append(now, t)
			if t.err == nil {
				least = min(least, t.misfit)
			}
			if s.wants(t.Model) {
				s.trials = append(s.trials, t)
			}
		}
		for _, t := range last {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if (t.Coil != Power || t.Suspension != Spring) && !s.wantsSome(t.Coil, t.Suspension) {
				continue
			}
			if t.Coil.size() > Power.size() && slices.ContainsFunc(now, s.settles) {
				continue // a coil of more parameters could only fit noise
			}
			keep(s.extend(ctx, t, now, re, t.Coil.encode(coils[t.Coil].first(top)), hopeless*least))
		}
		for _, t := range s.held(ctx, now) {
			keep(t)
		}
		if slices.ContainsFunc(now, s.settles) {
			break
		}
		last = slices.DeleteFunc(now, func(t *trial) bool { return t.Coupled || t.Padded || t.misfit > hopeless*least })
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	s.judge(s.sound)
	if s.press(ctx) {
		s.judge(s.sound)
	}
	return ctx.Err()
}

// choose fits every model to some of the points, and those that may be the best
// to all. It returns the best, or nil. The error is that of ctx.
func (s *search) choose(ctx context.Context) (*trial, error) {
	if err := s.thin.explore(ctx); err != nil {
		return nil, err
	}
	if s.thin != s {
		s.bare = s.adopt(s.thin.bare)
		for _, t := range s.thin.trials {
			s.trials = append(s.trials, s.adopt(t))
		}
		s.judge(func(t *trial) error { return t.err })
		for i, t := range s.trials[:min(contenders, len(s.trials))] {
			if t.err == nil {
				*s.trials[i] = *s.fit(ctx, t.load, t.p)
			}
		}
		s.judge(func(t *trial) error {
			if t.settled {
				return s.sound(t)
			}
			return t.err
		})
	}
	if len(s.trials) == 0 || s.trials[0].err != nil {
		return nil, ctx.Err()
	}
	best := s.trials[0]
	if s.bare.err == nil && s.bare.criterion < best.criterion {
		return nil, ctx.Err()
	}
	s.take(make([]float64, len(s.tones))) // of the model that was chosen all counts that it leaves
	if end := s.polish(ctx, best); end.err == nil {
		end.criterion = best.criterion
		*best = *end
	}
	// With all that it leaves counted, and at its end, it may be another load.
	if best.err = s.told(best, s.spread(best)); best.err != nil {
		return nil, ctx.Err()
	}
	return best, ctx.Err()
}

// contenders is how many models are fitted to all points.
const contenders = 4

// adopt returns t as it stands against the points of s.
func (s *search) adopt(t *trial) *trial {
	all := s.newTrial(t.load, t.p)
	all.misfit, all.err = t.misfit, t.err
	s.settle(all)
	s.count(all)
	return all
}

// held returns the trials of now that fit best with a spring again, with each
// of the other suspensions, but for those that now has already.
func (s *search) held(ctx context.Context, now []*trial) (more []*trial) {
	if slices.ContainsFunc(now, s.settles) {
		return nil
	}
	var springs []*trial
	for _, t := range now {
		if t.Suspension == Spring && t.err == nil {
			springs = append(springs, t)
		}
	}
	slices.SortStableFunc(springs, func(a, b *trial) int { return cmp.Compare(a.criterion, b.criterion) })
	for _, k := range SuspensionKinds() {
		if k == Spring {
			continue
		}
		for _, t := range springs[:min(len(springs), worthHolding)] {
			m := t.Model
			m.Suspension = k
			if !s.wantsSome(m.Coil, k) || slices.ContainsFunc(now, func(t *trial) bool { return t.Model == m }) {
				continue
			}
			more = append(more, s.with(ctx, t, k))
		}
	}
	for _, t := range springs[:min(len(springs), worthJoining)] {
		if c := s.coupled(ctx, t); c != nil {
			more = append(more, c)
		}
		more = append(more, s.padded(ctx, t))
	}
	return more
}

// padded returns t fitted again with a resistance beside coil and resonances.
func (s *search) padded(ctx context.Context, t *trial) *trial {
	l := t.load
	l.Padded = true
	const timesRe = 4
	return s.fit(ctx, l, slices.Insert(slices.Clone(t.p), t.padAt(), math.Log(timesRe*t.at(t.p).re)))
}

// coupled returns t fitted again with resonances that are coupled, or nil where
// it has but one or they are so already.
func (s *search) coupled(ctx context.Context, t *trial) *trial {
	l := t.load
	l.Coupled = true
	if t.Coupled || l.turns() == 0 {
		return nil
	}
	return s.fit(ctx, l, slices.Insert(slices.Clone(t.p), t.turnsAt(), make([]float64, l.turns())...))
}

// How many models with a spring are tried with other suspensions, and with
// resonances that are coupled or have a resistance beside them.
const worthHolding, worthJoining = 1, 2

// with returns t fitted again with another suspension.
func (s *search) with(ctx context.Context, t *trial, k SuspensionKind) *trial {
	l := t.load
	l.Suspension = k
	main := t.first()
	for i := main; i < t.suspensionAt(); i += 3 {
		if t.p[i+2] > t.p[main+2] {
			main = i
		}
	}
	var best *trial
	for _, v := range suspensions[k].starts(math.Exp(t.p[main])) {
		p := slices.Insert(slices.Clone(t.p), t.suspensionAt(), suspensionParameters.encode(k.Parameters(), v)...)
		if next := s.look(ctx, l, p); best == nil || next.deviance < best.deviance {
			best = next
		}
	}
	return s.fit(ctx, l, best.p)
}

// press goes on with what did not settle yet bids fair to win, and reports
// whether there was any.
func (s *search) press(ctx context.Context) (any bool) {
	for _, t := range s.trials {
		if t.err == errUnsettled && (s.trials[0].err != nil || t.criterion < s.trials[0].criterion) {
			*t = *s.polish(ctx, t)
			any = true
		}
	}
	return any
}
