// Package ratio turns a recording into the complex ratio of its two voltages
// over frequency, with the covariance that the recording itself shows.
package ratio

import "tapload/measure/impedance"

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
}
