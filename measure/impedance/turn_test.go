package impedance

import "testing"

func TestTurns(t *testing.T) {
	tests := []struct {
		name      string
		m         []float64 // modulus, ohm
		dip, peak int
	}{
		{"one point", []float64{8}, -1, -1},
		{"level", []float64{8, 8, 8, 8}, -1, -1},
		{"rising", []float64{4, 6, 8, 12}, -1, -1},
		{"resonance, then the coil beyond it", []float64{6, 20, 50, 15, 7, 9, 60}, 4, 2},
		{"ends lower and higher than the turns", []float64{1, 50, 7, 100}, 2, 1},
		{"noise on a slope", []float64{8, 8.2, 8.1, 8.4, 8.3, 8.6}, -1, -1},
		{"two peaks", []float64{6, 30, 10, 40, 7, 9}, 4, 3},
		{"just prominent", []float64{1, 1.05, 1}, -1, 1},
		{"not quite", []float64{1, 1.049, 1}, -1, -1},
		{"flat top", []float64{6, 30, 30, 6}, -1, 1},
	}
	for _, tt := range tests {
		var c Curve
		for i, m := range tt.m {
			c.Points = append(c.Points, Point{Hz: float64(i + 1), Z: complex(0, -m)})
		}
		if dip, peak := c.Turns(); dip != tt.dip || peak != tt.peak {
			t.Errorf("%s: dip %d, peak %d; want %d, %d", tt.name, dip, peak, tt.dip, tt.peak)
		}
	}
}
