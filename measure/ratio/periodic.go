package ratio

import (
	"cmp"
	"context"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/signal"
	"tapload/measure/transform"
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
// No more than so many samples are transformed at once. Also, which may be nil, is given
// the spectrum before harmonics are taken out of it.
func ofPeriodic(ctx context.Context, sound card.Sound, sig signal.Periodic, most int, also func(spectrum)) (Ratio, error) {
	heard, err := inputsOf(ctx, sound)
	if err != nil {
		return Ratio{}, err
	}
	s, seen, err := spectrumOf(ctx, sound, heard, sig, most)
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
		r.Shared = s.drift.shifts(points, heard.id, s.drift.moments)
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

// spectrumOf returns the spectrum of the counted periods on the clock of the
// signal, hum taken out, and what was seen on the way.
func spectrumOf(ctx context.Context, sound card.Sound, heard inputs, sig signal.Periodic, most int) (spectrum, Seen, error) {
	fail := func(err error) (spectrum, Seen, error) { return spectrum{}, Seen{}, err }
	about := sound.About()
	c := &counted{sound: sound, frame: sig.Frame(), parts: inParts(sig.Frame(), most)}
	f := c.frame
	var err error
	if c.start, err = locate(ctx, sound, heard, sig); err != nil {
		return fail(err)
	}
	seen := Seen{StartSeconds: float64(c.start) / float64(about.RateHz)}

	lostOrClocks := func(err error) (spectrum, Seen, error) {
		return fail(cmp.Or(farClocks(ctx, sound, sig, c.start), err))
	}
	drift, err := driftOf(ctx, sound, c.start, f)
	if err != nil {
		return fail(err)
	}
	if err := about.Lost(c.start, c.start+int(float64(c.samples())*(1+drift))); err != nil {
		return fail(err)
	}
	if err := lost(ctx, sound, f, c.start, drift); err != nil {
		return lostOrClocks(err)
	}
	if drift != 0 {
		seen.ClockPPM = 1e6 * drift
		if c.clock, err = newOnClock(sound, c.start, c.samples(), drift, f.HighHz); err != nil {
			return fail(err)
		}
	}
	if err := level(ctx, sound, f, c.start, drift); err != nil {
		return lostOrClocks(err)
	}

	high := f.HighHz
	if chirp, ok := sig.(signal.Chirp); ok {
		high = max(high, chirp.StopHz)
	}
	s, err := c.newSpectrum(ctx, about.RateHz, high)
	if err != nil {
		return fail(err)
	}
	if seen.Unsteady, err = steady(ctx, c, drift); err != nil {
		return lostOrClocks(err)
	}
	if seen.Level, err = c.transform(ctx, &s); err != nil {
		return fail(err)
	}
	s.rounding = [2]float64{roundingOf(heard.code[0], c.samples()), roundingOf(heard.code[1], c.samples())}
	if sparse, ok := sig.(signal.Sparse); ok {
		s.lines = sparse.Lines()
	}
	_, drifts, err := s.findDrift(ctx, sig)
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
			if err = d.takeOut(ctx, &s, c); err == nil {
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
	return s, seen, nil
}

// takeOutHum takes hum out of the lines, and returns it with what it leaves in
// doubt, as spectrum.doubt has it.
func (s spectrum) takeOutHum(ctx context.Context) ([]hum.Tone, map[int][2]float64, error) {
	return hum.Lines{
		X: [2]*transform.Spectrum{s.x1, s.x2}, Periods: s.periods, Samples: s.samples, StepHz: s.stepHz,
		LowHz: s.frame.LowHz * humBelow, HighHz: s.frame.HighHz * humAbove, Excited: s.lines,
	}.TakeOut(ctx)
}
