// Package ratio turns a recording into the complex ratio of its two voltages
// over frequency, with the covariance that the recording itself shows.
//
// Frequencies are in hertz on the clock of the player of the signal; levels
// are fractions of full scale.
package ratio

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

// Point is the ratio at one frequency.
type Point struct {
	Hz    float64
	G     complex128    // V2/V1, dimensionless
	Noise impedance.Cov // dimensionless, k = 1; independent between points
}

// Ratio is V2/V1 over frequency, as the card saw it. It is not an impedance:
// only a jig turns it into one.
type Ratio struct {
	Points []Point
	Shared []Shift // what the points have in common; not in their Noise
	Seen   Seen
}

// Seen is what the recording showed besides the ratio.
type Seen struct {
	StartSeconds float64      // when the first counted period starts in the recording
	ClockPPM     float64      // by how much the recorder's clock runs faster than the player's, 1e-6
	Mains        []hum.Tone   // hum and other tones found and taken out
	Rough        [][2]float64 // bands, in hertz, where noise is far above that about, and left in: hum that wanders, or is broad
	OnLines      []OnLine     // tones that fell on a line of the signal, which was left out
	Bursts       []Burst      // what sounded in one period, while the chirp was there
	Unsteady     Unsteady     // what differed between the periods without harm to the ratio
	Level        [2]float64   // rms of V1 and V2 over the counted periods, fraction of full scale
	Signal       float64      // rms of the test signal alone in V1, within its band, fraction of full scale
	NoiseFloor   [2]float64   // rms of what differs between periods, hum aside, fraction of full scale
	Distortion   [2]float64   // rms of what V2 holds beyond its ratio to V1 on lines that the signal left silent, over that of the signal: even lines, odd lines; 0 where noise hides it
	Ringing      []float64    // tones, in hertz, at which the load still rang when their dwell began; the beginning was left out
	Short        []Precision  // tones that were to become surer than they are when the time was over
	Late         int          // blocks that the driver flagged as lost or late, none of which counts
	LeftOut      int          // points of the grid that the signal did not carry above the noise
	Moved        []Moved      // by how much that of odd order may move |Z| of each point; nil for none
	Bending      *Bending     // harmonics that load or inputs make of a chirp, taken out; nil for none
	Drift        *Drift       // what changed slowly meanwhile, corrected; nil for nothing
	Heard        *Heard       // of program material; nil for a test signal
}

// OnLine is a tone on a line of the test signal. It does not show between the
// lines, but the line stands out of the curve through those beside it.
type OnLine struct {
	Hz   float64 // of the line; a tone half a line away would have shown between
	Peak float64 // amplitude in V2 - G V1, fraction of full scale
}

// Of returns the ratio of V2 to V1 in sound, the recording of sig. Of a long recording
// of a periodic signal or of program material no more is in memory at a time than its
// lines within the band, two periods, or a minute and a half of it. An error is a
// *card.Fault where the recording is to blame, and that of ctx where it ended before.
func Of(ctx context.Context, sound card.Sound, sig signal.Signal) (Ratio, error) {
	return of(ctx, sound, sig, nil)
}

// of is Of; also, which may be nil, is given the spectrum of a periodic signal
// before harmonics are taken out of it.
func of(ctx context.Context, sound card.Sound, sig signal.Signal, also func(spectrum)) (r Ratio, err error) {
	about := sound.About()
	if err := sameRate(about, sig); err != nil {
		return Ratio{}, err
	}
	switch s := sig.(type) {
	case signal.Periodic:
		r, err = ofPeriodic(ctx, sound, s, mostAtOnce, also)
	case signal.Tones:
		var rec card.Recording
		if rec, err = card.InMemory(ctx, sound); err == nil {
			r, err = ofTones(ctx, rec, s)
		}
	case signal.Material:
		r, err = ofMaterial(ctx, sound, s, longest)
	default:
		err = fmt.Errorf("no estimator for a signal of type %T", sig)
	}
	if ctx.Err() != nil {
		return Ratio{}, ctx.Err() // whatever was found, it was not all looked at
	}
	if err != nil {
		return Ratio{}, explained(err, about, sound.Frames())
	}
	r.Seen.Late = flagged(about)
	return r, nil
}

// sameRate returns a Fault where rec has another sample rate than sig.
func sameRate(rec card.Recording, sig signal.Signal) error {
	if rec.RateHz == sig.Rate() {
		return nil
	}
	return &card.Fault{
		Cause:  card.WrongRate,
		Text:   fmt.Sprintf("%s was recorded at %d Hz, the test signal is for %d Hz", rec.Source, rec.RateHz, sig.Rate()),
		Advice: "use one rate for both",
	}
}

// Precision is a frequency and the relative standard uncertainty of |Z| there.
type Precision struct{ Hz, U float64 }

// leastSwing bounds what RelativeU divides by: for loads of less than a
// thirtieth or more than thirty times the sense resistor it asks no more of
// the ratio than there, so that an open and a short have a figure too.
const leastSwing = 0.03

// RelativeU returns the relative standard uncertainty that the noise of p gives
// to |Z| on a jig without flaw, whatever its resistor: as Z = R G/(1 - G),
//
//	dZ/Z = dG/(G (1 - G)).
func (p Point) RelativeU() float64 {
	d := p.G * (1 - p.G)
	switch m := cmplx.Abs(d); {
	case m == 0:
		d = leastSwing
	case m < leastSwing:
		d *= complex(leastSwing/m, 0)
	}
	return math.Sqrt(p.Noise.Times(1 / d).RR)
}

// Share returns the weight of q in the mean of p and q, taken at the same
// frequency, by the inverse of their variances.
func (p Point) Share(q Point) float64 {
	vp, vq := p.Noise.RR+p.Noise.II, q.Noise.RR+q.Noise.II
	if vp+vq > 0 {
		return vp / (vp + vq)
	}
	return 0.5
}

// Mean returns the mean of p and q, taken at the same frequency, with the
// weights of their inverse variances.
func (p Point) Mean(q Point) Point {
	w := p.Share(q)
	a, b := complex(1-w, 0), complex(w, 0)
	return Point{Hz: p.Hz, G: a*p.G + b*q.G, Noise: p.Noise.Times(a).Add(q.Noise.Times(b))}
}
