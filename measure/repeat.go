package measure

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// Repeat is what one of several sweeps of one load said beside the others.
type Repeat struct {
	Seconds float64 // of sound played before it started
	LowOhm  float64 // |Z| over the lowest octave of the band: mean weighted by its noise, ohm
	Change  float64 // of Z over that octave since the first repeat, as a fraction
	ChangeU float64 // standard uncertainty of Change from noise
}

// stopwatch adds up how long its card played.
type stopwatch struct {
	card.Card
	seconds float64
}

func (w *stopwatch) Play(ctx context.Context, out card.Output) (card.Recording, error) {
	w.seconds += float64(out.Frames()) / float64(out.RateHz)
	return w.Card.Play(ctx, out)
}

// MaxRepeats is how often RunRepeated measures at most.
const MaxRepeats = 1000

// RunRepeated takes n sweeps one after another and returns their mean, and
// what each said.
//
// Where the sweeps agree within their noise, the mean has inverse-variance
// weights and the noise that follows from those. Where they do not, what is
// measured changes, and the mean of several states is no better known than a
// single one: the noise stated there is the covariance of a single sweep about
// the mean, and a warning says so. Agreement is judged over a quarter of an octave
// at a time, by the sum of squared deviations over their covariance.
func RunRepeated(ctx context.Context, s Setup, n int) (record.Record, []Repeat, error) {
	if n < 2 || n > MaxRepeats {
		return record.Record{}, nil, fmt.Errorf("%d repeats: an average needs 2 to %d", n, MaxRepeats)
	}
	watch := &stopwatch{Card: s.Card}
	s.Card = watch
	var records []record.Record
	var started []float64
	for i := range n {
		started = append(started, watch.seconds)
		r, err := Run(ctx, s)
		if err != nil {
			return record.Record{}, nil, fmt.Errorf("repeat %d of %d: %w", i+1, n, err)
		}
		records = append(records, r)
	}
	mean := records[0]
	mean.Coherence, mean.Drive, mean.Distortion = nil, nil, nil // which are of one recording
	for _, r := range records[1:] {
		for _, w := range r.Warnings {
			if !slices.ContainsFunc(mean.Warnings, func(have impedance.Warning) bool { return have.Code == w.Code }) {
				mean.Warnings = append(mean.Warnings, w)
			}
		}
	}
	curves := inCommon(records)
	var err error
	var apart int
	if mean.Curve, apart, err = average(curves); err != nil {
		return record.Record{}, nil, err
	}
	repeats := sinceFirst(curves, started)
	slope, u := trend(repeats)
	span := slope * float64(n-1)
	switch {
	case math.Abs(slope) > driftSure*u:
		mean.Warnings = append(mean.Warnings, impedance.Warning{Code: "drift", Text: fmt.Sprintf(
			"the load drifts: over %d repeats |Z| at the low end changed by %+.2f %% (a coil warms by 1 K for each 0.4 %%); the stated noise holds that", n, 100*span)})
	case apart > 0:
		mean.Warnings = append(mean.Warnings, impedance.Warning{Code: "repeats-differ", Text: fmt.Sprintf(
			"the repeats differ by more than their noise at %d of %d frequencies; the stated noise there is that of a single sweep, as they scatter", apart, len(mean.Curve.Points))})
	}
	return mean, repeats, nil
}

const (
	// driftSure is how many standard uncertainties a trend must have: noise
	// alone gets there once in some 10^6 times.
	driftSure = 5.0

	// agreeReach is the number of points on either side that are judged
	// together, a quarter of an octave in all where points are dense.
	agreeReach = 6

	// agreeSure is how many standard deviations the sum of squares must be
	// above its expectation. The covariances are themselves measured, with some
	// 100 degrees of freedom: agreeSlack allows for that.
	agreeSure  = 5.0
	agreeSlack = 1.1
)

// inCommon returns the curves of the records at those frequencies that all of
// them have.
func inCommon(records []record.Record) []impedance.Curve {
	count := map[float64]int{}
	for _, r := range records {
		for _, p := range r.Curve.Points {
			count[p.Hz]++
		}
	}
	curves := make([]impedance.Curve, len(records))
	for k, r := range records {
		c := impedance.Curve{}
		for _, src := range r.Curve.Shared {
			c.Shared = append(c.Shared, impedance.Source{ID: src.ID})
		}
		for i, p := range r.Curve.Points {
			if count[p.Hz] < len(records) {
				continue
			}
			c.Points = append(c.Points, p)
			for j, src := range r.Curve.Shared {
				c.Shared[j].DZ = append(c.Shared[j].DZ, src.DZ[i])
			}
		}
		curves[k] = c
	}
	return curves
}

// average returns the mean of curves on one grid, and at how many points they
// do not agree.
func average(curves []impedance.Curve) (mean impedance.Curve, apart int, err error) {
	points := len(curves[0].Points)
	if points == 0 {
		return impedance.Curve{}, 0, fmt.Errorf("the repeats have no frequency in common")
	}
	n := float64(len(curves))
	mean = impedance.Curve{Points: make([]impedance.Point, points)}
	for _, src := range curves[0].Shared {
		mean.Shared = append(mean.Shared, impedance.Source{ID: src.ID, DZ: make([]complex128, points)})
	}
	misfit := make([]float64, points) // sum of squared deviations over their covariance
	scatter := make([]impedance.Cov, points)
	for i := range points {
		w := make([]float64, len(curves))
		var total float64
		for k, c := range curves {
			v := c.Points[i].Noise
			if w[k] = 1; v.RR+v.II > 0 {
				w[k] = 1 / (v.RR + v.II)
			}
			total += w[k]
		}
		p := impedance.Point{Hz: curves[0].Points[i].Hz}
		for k, c := range curves {
			part := complex(w[k]/total, 0)
			p.Z += part * c.Points[i].Z
			p.Noise = p.Noise.Add(c.Points[i].Noise.Times(part))
			for j := range mean.Shared {
				mean.Shared[j].DZ[i] += part * c.Shared[j].DZ[i]
			}
		}
		for _, c := range curves {
			d := c.Points[i].Z - p.Z
			v := c.Points[i].Noise
			if det := v.RR*v.II - v.RI*v.RI; det > 0 {
				misfit[i] += (v.II*real(d)*real(d) - 2*v.RI*real(d)*imag(d) + v.RR*imag(d)*imag(d)) / det
			}
			scatter[i] = scatter[i].Add(impedance.Cov{
				RR: real(d) * real(d) / (n - 1), RI: real(d) * imag(d) / (n - 1), II: imag(d) * imag(d) / (n - 1),
			})
		}
		mean.Points[i] = p
	}
	for i := range points {
		lo, hi := max(0, i-agreeReach), min(points, i+agreeReach+1)
		var sum float64
		for _, m := range misfit[lo:hi] {
			sum += m
		}
		dof := 2 * (n - 1) * float64(hi-lo)
		if sum > agreeSlack*(dof+agreeSure*math.Sqrt(2*dof)) {
			apart++
			// Few repeats scatter by chance less than they should: that of
			// the neighbours says how much, relative to the noise.
			wide := mean.Points[i].Noise.Times(complex(math.Sqrt(n*sum/dof), 0))
			if s := scatter[i]; s.RR+s.II > wide.RR+wide.II {
				wide = s
			}
			mean.Points[i].Noise = wide
		}
	}
	return mean, apart, mean.Check()
}

// sinceFirst compares the lowest octave of each curve with that of the first.
func sinceFirst(curves []impedance.Curve, started []float64) []Repeat {
	first := curves[0].Points
	top := 2 * first[0].Hz
	repeats := make([]Repeat, len(curves))
	for k, c := range curves {
		var change, ohm, weights, ohmWeights float64
		for i, p := range c.Points {
			if p.Hz > top {
				break
			}
			// Over Z, an error along Z is the real part.
			d := p.Noise.Times(1 / first[i].Z)
			if k > 0 {
				d = d.Add(first[i].Noise.Times(1 / first[i].Z))
			}
			w := 1.0
			if d.RR > 0 {
				w = 1 / d.RR
			}
			change += w * (real(p.Z/first[i].Z) - 1)
			weights += w
			m := math.Hypot(real(p.Z), imag(p.Z))
			ohm += m
			ohmWeights++
		}
		repeats[k] = Repeat{Seconds: started[k], LowOhm: ohm / ohmWeights, Change: change / weights}
		if k > 0 {
			repeats[k].ChangeU = math.Sqrt(1 / weights)
		}
	}
	return repeats
}

// trend returns the slope of the change per repeat by least squares, and its
// standard uncertainty from noise. All repeats have about the same noise, that
// of a change over the square root of 2.
func trend(r []Repeat) (slope, u float64) {
	middle := float64(len(r)-1) / 2
	var num, den, noise float64
	for k, x := range r {
		num += (float64(k) - middle) * x.Change
		den += (float64(k) - middle) * (float64(k) - middle)
		noise = max(noise, x.ChangeU/math.Sqrt2)
	}
	return num / den, noise / math.Sqrt(den)
}
