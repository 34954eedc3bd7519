// Package ratio turns a recording into the complex ratio of its two voltages
// over frequency, with the covariance that the recording itself shows.
//
// Frequencies are in hertz on the clock of the player of the signal; levels
// are fractions of full scale.
package ratio

import (
	"fmt"

	"tapload/measure/card"
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
	Seen   Seen
}

// Seen is what the recording showed besides the ratio.
type Seen struct {
	StartSeconds float64    // when the first counted period starts in the recording
	ClockPPM     float64    // by how much the recorder's clock runs faster than the player's, 1e-6
	Mains        []Line     // mains hum found and taken out
	Level        [2]float64 // rms of V1 and V2 over the counted periods, fraction of full scale
	Signal       float64    // rms of the test signal alone in V1, within its band, fraction of full scale
	NoiseFloor   [2]float64 // rms of what differs between periods, hum aside, fraction of full scale
	Distortion   [2]float64 // rms of what V2 holds beyond its ratio to V1 on lines that the signal left silent, over that of the signal: even lines, odd lines; 0 where noise hides it
	Ringing      []float64  // tones, in hertz, at which the load still rang when their dwell began; the beginning was left out
	LeftOut      int        // points of the grid that the signal did not carry above the noise
}

// Of returns the ratio of V2 to V1 in rec, the recording of sig. An error is a
// *card.Fault where the recording is to blame.
func Of(rec card.Recording, sig signal.Signal) (Ratio, error) {
	if rec.RateHz != sig.Rate() {
		return Ratio{}, &card.Fault{
			Cause:  card.WrongRate,
			Text:   fmt.Sprintf("%s was recorded at %d Hz, the test signal is for %d Hz", rec.Source, rec.RateHz, sig.Rate()),
			Advice: "use one rate for both",
		}
	}
	switch s := sig.(type) {
	case signal.Periodic:
		return ofPeriodic(rec, s)
	case signal.Tones:
		return ofTones(rec, s)
	default:
		return Ratio{}, fmt.Errorf("no estimator for a signal of type %T", sig)
	}
}
