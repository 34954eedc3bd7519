package ratio

import (
	"context"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/signal"
)

// PointsPerOctave is the density of the log grid where the lines of the
// spectrum are dense enough to carry it; below, every line is a point.
const PointsPerOctave = 48

// How far beyond the band hum is looked for: it leaks.
const humBelow, humAbove = 0.5, 1.05

// ofPeriodic estimates the ratio from a whole number of periods in steady
// state. The spectrum over P periods then holds the signal in every P-th line
// alone, without leakage; whatever the lines between hold is noise. One
// transform so gives both the ratio and, from its own data, the covariance.
//
// It works in the memory of the samples of rec, and leaves rec without any. Also,
// which may be nil, is given the spectrum before harmonics are taken out of it.
func ofPeriodic(ctx context.Context, rec *card.Recording, sig signal.Periodic, also func(spectrum)) (Ratio, error) {
	id := identity(*rec)
	s, seen, err := counted(ctx, rec, sig)
	if err != nil {
		return Ratio{}, err
	}
	if also != nil {
		also(s)
	}
	if c, ok := sig.(signal.Chirp); ok {
		seen.Bending = s.takeOutBending(ctx, c)
	}
	points := s.points(ctx, &seen)
	if seen.Distortion = s.distortion(ctx, points); seen.Distortion[1] > 0 {
		s.doubtDistortion(points)
		seen.LeftOut = 0
		points = s.points(ctx, &seen)
	}
	if err := ctx.Err(); err != nil {
		return Ratio{}, err // and the rest means nothing
	}
	seen.Moved = moved(points, seen.Distortion[1])
	r := Ratio{Points: points, Seen: seen}
	if s.drift != nil {
		r.Shared = s.drift.shifts(points, id, s.drift.moments)
	}
	if len(r.Points) == 0 {
		return Ratio{}, &card.Fault{
			Cause:  card.NoSignal,
			Text:   "the test signal does not rise above the noise at any frequency",
			Advice: "raise the level and check the wiring",
		}
	}
	return r, nil
}

// counted returns the spectrum of the counted periods on the clock of the
// signal, in the memory of the samples of rec, hum taken out, and what was seen
// on the way.
func counted(ctx context.Context, rec *card.Recording, sig signal.Periodic) (spectrum, Seen, error) {
	fail := func(err error) (spectrum, Seen, error) { return spectrum{}, Seen{}, err }
	f := sig.Frame()
	start, err := locate(ctx, *rec, sig)
	if err != nil {
		return fail(err)
	}
	seen := Seen{StartSeconds: float64(start) / float64(rec.RateHz)}

	total := f.Period * f.Periods
	drift := driftOf(rec.V1[start:], f)
	if err := rec.Lost(start, start+int(float64(total)*(1+drift))); err != nil {
		return fail(err)
	}
	if err := lost(ctx, *rec, f, start, drift); err != nil {
		return fail(err)
	}
	var clock *onClock
	if drift != 0 {
		seen.ClockPPM = 1e6 * drift
		if clock, err = newOnClock(*rec, start, total, drift, f.HighHz); err != nil {
			return fail(err)
		}
	}
	if err := level(*rec, f, start, drift); err != nil {
		return fail(err)
	}

	code := [2]float64{codeOf(ctx, rec.V1), codeOf(ctx, rec.V2)}
	memory := [2][]float64{framed(rec.V1, start, total), framed(rec.V2, start, total)}
	v1, v2 := memory[0][1:total+1], memory[1][1:total+1]
	raw := func(ch, from, to int) []float64 { return [2][]float64{rec.V1, rec.V2}[ch][from:to] }
	var samples *kept // that can be fetched again
	switch {
	case drift != 0:
		samples = keep(ctx, rec.V1, rec.V2, clock)
		raw = samples.piece
		if err := samples.fetch(ctx, v1, v2); err != nil {
			return fail(err)
		}
	case code[0] == 0 || code[1] == 0:
		samples = keep(ctx, v1, v2, nil)
	}
	if seen.Unsteady, err = steady(ctx, v1, v2, f, *rec, raw, start, drift); err != nil {
		return fail(err)
	}
	seen.Level = [2]float64{rms(ctx, v1), rms(ctx, v2)}
	withoutSamples(rec)

	s, err := spectrumOf(ctx, memory, f, rec.RateHz)
	if err != nil {
		return fail(err)
	}
	s.rounding = [2]float64{roundingOf(code[0], total), roundingOf(code[1], total)}
	if sparse, ok := sig.(signal.Sparse); ok {
		s.lines = sparse.Lines()
	}
	_, drifts, err := s.findDrift(ctx, sig)
	if drifts && samples == nil && err == nil {
		samples, err = s.samplesAgain(ctx, code)
	}
	if err != nil {
		return fail(err)
	}
	if seen.Mains, s.doubt, err = s.takeOutHum(ctx); err != nil {
		return fail(err)
	}
	if drifts {
		// Hum that beats with the lines looks like a drift as long as it is there.
		d, ok, err := s.findDrift(ctx, sig)
		if ok {
			if err = d.takeOut(ctx, s, samples); err == nil {
				seen.Mains, s.doubt, err = s.takeOutHum(ctx)
			}
			if d.weight != nil {
				s.drift, seen.Drift = &d, d.found(d.ohms)
			}
		}
		if err != nil {
			return fail(err)
		}
	}
	s.room = nil
	return s, seen, nil
}

// takeOutHum takes hum out of the lines, and returns it with what it leaves in
// doubt, as spectrum.doubt has it.
func (s spectrum) takeOutHum(ctx context.Context) ([]hum.Tone, map[int][2]float64, error) {
	return hum.Lines{
		X: [2][]complex128{s.x1, s.x2}, Periods: s.periods, Samples: s.samples, StepHz: s.stepHz,
		LowHz: s.frame.LowHz * humBelow, HighHz: s.frame.HighHz * humAbove, Excited: s.lines,
	}.TakeOut(ctx)
}
