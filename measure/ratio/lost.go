package ratio

import (
	"context"
	"fmt"
	"math"

	"tapload/measure/card"
	"tapload/measure/signal"
)

const (
	lostReach  = 1.0 // s, most that is looked for
	lostLeast  = 2   // samples, fewest that are told from a clock
	lostFound  = 0.5 // match that there must be
	lostBetter = 1.2 // times the match that there would be without a loss
	lostPart   = 4   // the least part of the lead-in, less its fade, that is 1/4
)

// lost returns a Fault where the end of the last counted period does not come
// when the start of the signal says: samples were lost or doubled in between.
//
// The lead-in is the signal's own cyclic continuation, so that it comes again
// at the end of the last counted period, Period Periods (1 + drift) samples
// later. Compared are first differences of V1, in which hum and the load's own
// transients, all slow, hardly show, and the lead-in as late by the part of a
// sample as its repetition is: half a sample is a quarter of a cycle and more
// there, where a shift by a whole half cycle would match better. One loss looks like a clock where it happens
// to be between two periods, but over all of them by another sum. A recording
// that starts late says nothing.
func lost(ctx context.Context, sound card.Sound, f signal.Frame, start int, drift float64) error {
	rec := sound.About()
	from := unflaggedFrom(rec, max(0, start-f.LeadIn+f.Fade), start)
	if start-from < (f.LeadIn-f.Fade)/lostPart {
		return nil
	}
	k := newKernel(float64(rec.RateHz), signalBeyond*f.HighHz)
	from = max(from, k.half)
	apart := float64(f.Period*f.Periods) * (1 + drift)
	whole := int(math.Round(apart))
	again := from + whole
	reach := min(int(lostReach*float64(rec.RateHz)), f.Period/2, again)
	length := start - from
	begins := make([]float64, min(length+2*k.half, sound.Frames()-from+k.half))
	ends := make([]float64, max(0, min(length+2*reach, sound.Frames()-again+reach)))
	if len(ends) <= reach+length/2 {
		return nil
	}
	if err := sound.ReadAt(ctx, begins, nil, from-k.half, 1); err != nil {
		return err
	}
	if err := sound.ReadAt(ctx, ends, nil, again-reach, 1); err != nil {
		return err
	}
	want := steps(k.late(begins, k.half, k.half+length, apart-float64(whole)))
	m, err := correlate(ctx, steps(ends), want)
	if err != nil {
		return err
	}
	at := m.best(reach, reach)
	off := at - reach
	if off < 0 {
		off = -off
	}
	if score := m.score(at); off < lostLeast || score < lostFound || score < lostBetter*m.score(reach) {
		return nil
	}
	return &card.Fault{
		Cause:  card.Dropout,
		Text:   fmt.Sprintf("%s does not hold as many samples between the start and the end of the signal as that has: samples were lost or doubled", rec.Source),
		Advice: "measure again; if it stays, use larger buffers and close other programs",
	}
}

// steps returns the first differences of x.
func steps(x []float64) []float64 {
	d := make([]float64, max(0, len(x)-1))
	for i := range d {
		d[i] = x[i+1] - x[i]
	}
	return d
}
