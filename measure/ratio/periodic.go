package ratio

import (
	"math"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// PointsPerOctave is the density of the log grid where the lines of the
// spectrum are dense enough to carry it; below, every line is a point.
const PointsPerOctave = 48

// ofPeriodic estimates the ratio from a whole number of periods in steady
// state. The spectrum over P periods then holds the signal in every P-th line
// alone, without leakage; whatever the lines between hold is noise. One
// transform so gives both the ratio and, from its own data, the covariance.
func ofPeriodic(rec card.Recording, sig signal.Periodic) (Ratio, error) {
	f := sig.Frame()
	start, err := locate(rec, sig)
	if err != nil {
		return Ratio{}, err
	}
	seen := Seen{StartSeconds: float64(start) / float64(rec.RateHz)}

	total := f.Period * f.Periods
	drift := driftOf(rec.V1[start:], f)
	v1, v2 := rec.V1[start:start+total], rec.V2[start:start+total]
	if drift != 0 {
		seen.ClockPPM = 1e6 * drift
		v1, v2, err = onSignalClock(rec, start, total, drift, f.HighHz)
		if err != nil {
			return Ratio{}, err
		}
	}
	if err := steady(v1, v2, f, rec, start); err != nil {
		return Ratio{}, err
	}
	s := transform(v1, v2, f, rec.RateHz)
	seen.Level = [2]float64{rms(v1), rms(v2)}
	seen.Mains = s.takeOutMains()
	r := Ratio{Points: s.points(&seen), Seen: seen}
	if len(r.Points) == 0 {
		return Ratio{}, &card.Fault{
			Cause:  card.NoSignal,
			Text:   "the test signal does not rise above the noise at any frequency",
			Advice: "raise the level and check the wiring",
		}
	}
	return r, nil
}

// rms returns the root mean square of x about its mean.
func rms(x []float64) float64 {
	var sum, sq float64
	for _, v := range x {
		sum += v
		sq += v * v
	}
	n := float64(len(x))
	return math.Sqrt(math.Max(0, sq/n-(sum/n)*(sum/n)))
}
