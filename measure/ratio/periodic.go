package ratio

import (
	"fmt"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/signal"
)

// PointsPerOctave is the density of the log grid where the lines of the
// spectrum are dense enough to carry it; below, every line is a point.
const PointsPerOctave = 48

// How far beyond the band hum is looked for: it leaks.
const humBelow, humAbove = 0.5, 1.05

// AfterPeriods returns the ratio that rec, the recording of sig so far, shows
// in its first counted periods: results to look at while the rest still plays.
// Of the given number of periods, at least two, it takes as many as have no
// prime factor above 5. A fault it returns may be cured by more periods; where
// Of finds none in the whole recording, there is none.
func AfterPeriods(rec card.Recording, sig signal.Periodic, periods int) (Ratio, error) {
	if periods < 2 || periods > sig.Frame().Periods {
		return Ratio{}, fmt.Errorf("%d periods must be 2 to the %d of the signal", periods, sig.Frame().Periods)
	}
	for !signal.Smooth(periods) {
		periods--
	}
	if sparse, ok := sig.(signal.Sparse); ok {
		return Of(rec, begunSparse{begun{sig, periods}, sparse.Lines()})
	}
	return Of(rec, begun{sig, periods})
}

// begun is the first part of a periodic signal.
type begun struct {
	signal.Periodic
	periods int
}

func (b begun) Frame() signal.Frame {
	f := b.Periodic.Frame()
	f.Periods, f.Tail = b.periods, f.Fade // nothing after the periods need be there yet
	return f
}

func (b begun) Samples() []float64 { return b.Periodic.Samples()[:b.Frame().Len()] }

type begunSparse struct {
	begun
	lines []int
}

func (b begunSparse) Lines() []int { return b.lines }

// chirpOf returns the chirp that sig is, or is the first part of.
func chirpOf(sig signal.Periodic) (signal.Chirp, bool) {
	if b, ok := sig.(begun); ok {
		sig = b.Periodic
	}
	c, ok := sig.(signal.Chirp)
	return c, ok
}

// ofPeriodic estimates the ratio from a whole number of periods in steady
// state. The spectrum over P periods then holds the signal in every P-th line
// alone, without leakage; whatever the lines between hold is noise. One
// transform so gives both the ratio and, from its own data, the covariance.
func ofPeriodic(rec card.Recording, sig signal.Periodic) (Ratio, error) {
	s, seen, err := counted(rec, sig)
	if err != nil {
		return Ratio{}, err
	}
	if c, ok := chirpOf(sig); ok {
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
