package ratio

import (
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
func ofPeriodic(rec card.Recording, sig signal.Periodic) (Ratio, error) {
	s, seen, err := counted(rec, sig)
	if err != nil {
		return Ratio{}, err
	}
	if c, ok := sig.(signal.Chirp); ok {
		seen.Bending = s.takeOutBending(c)
	}
	points := s.points(&seen)
	if seen.Distortion = s.distortion(points); seen.Distortion[1] > 0 {
		s.doubtDistortion(points)
		seen.LeftOut = 0
		points = s.points(&seen)
	}
	seen.Moved = moved(points, seen.Distortion[1])
	r := Ratio{Points: points, Seen: seen}
	if s.drift != nil {
		r.Shared = s.drift.shifts(points, identity(rec), s.drift.moments)
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
// signal, hum taken out, and what was seen on the way.
func counted(rec card.Recording, sig signal.Periodic) (spectrum, Seen, error) {
	f := sig.Frame()
	start, err := locate(rec, sig)
	if err != nil {
		return spectrum{}, Seen{}, err
	}
	seen := Seen{StartSeconds: float64(start) / float64(rec.RateHz)}

	total := f.Period * f.Periods
	drift := driftOf(rec.V1[start:], f)
	if err := rec.Lost(start, start+int(float64(total)*(1+drift))); err != nil {
		return spectrum{}, Seen{}, err
	}
	if err := lost(rec, f, start, drift); err != nil {
		return spectrum{}, Seen{}, err
	}
	v1, v2 := rec.V1[start:start+total], rec.V2[start:start+total]
	if drift != 0 {
		seen.ClockPPM = 1e6 * drift
		v1, v2, err = onSignalClock(rec, start, total, drift, f.HighHz)
		if err != nil {
			return spectrum{}, Seen{}, err
		}
	}
	if err := level(rec, f, start, drift); err != nil {
		return spectrum{}, Seen{}, err
	}
	if seen.Unsteady, err = steady(v1, v2, f, rec, start, drift); err != nil {
		return spectrum{}, Seen{}, err
	}
	s := transform(v1, v2, f, rec.RateHz)
	for ch, x := range [][]float64{rec.V1, rec.V2} {
		s.rounding[ch] = roundingOf(x, total)
	}
	if sparse, ok := sig.(signal.Sparse); ok {
		s.lines = sparse.Lines()
	}
	_, drifts := s.findDrift(sig)
	seen.Mains, s.doubt = s.takeOutHum()
	if drifts {
		// Hum that beats with the lines looks like a drift as long as it is there.
		if d, ok := s.findDrift(sig); ok {
			y1, y2 := d.takeOut(s, v1, v2)
			t := transform(y1, y2, f, rec.RateHz)
			s.x1, s.x2 = t.x1, t.x2
			if d.weight != nil {
				s.drift, seen.Drift = &d, d.found(d.ohms)
			}
			seen.Mains, s.doubt = s.takeOutHum()
		}
	}
	seen.Level = [2]float64{card.RMS(v1), card.RMS(v2)}
	return s, seen, nil
}

// takeOutHum takes hum out of the lines, and returns it with what it leaves in
// doubt, as spectrum.doubt has it.
func (s spectrum) takeOutHum() ([]hum.Tone, map[int][2]float64) {
	return hum.Lines{
		X: [2][]complex128{s.x1, s.x2}, Periods: s.periods, Samples: s.samples, StepHz: s.stepHz,
		LowHz: s.frame.LowHz * humBelow, HighHz: s.frame.HighHz * humAbove, Excited: s.lines,
	}.TakeOut()
}
