package plot

import "tapload/measure/impedance"

// UsualBand is the usual band of a chart, cut to what the curve has by so much
// as to be seen.
func UsualBand(c impedance.Curve) (low, high float64) {
	const ordinaryLow, ordinaryHigh = 20, 20e3
	first, last := c.Points[0].Hz, c.Points[len(c.Points)-1].Hz
	low, high = ordinaryLow, ordinaryHigh
	if first > 1.5*low {
		low = first
	}
	if last < high/1.5 {
		high = last
	}
	if high < 1.01*low {
		return ordinaryLow, ordinaryHigh
	}
	return low, high
}
