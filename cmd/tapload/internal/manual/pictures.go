package manual

import (
	"math"

	"tapload/measure/impedance"
	"tapload/plot"
)

// pictures are those that topics show, by the names that stand in place of files.
func pictures() map[string]plot.Drawable {
	return map[string]plot.Drawable{
		"wiring": plot.JigDrawing{SenseOhm: 10, Brief: true},
		"curve": plot.Sized{
			Of:      plot.ImpedanceChart{Traces: []plot.Trace{{Label: "8 ohm cabinet (invented)", Curve: example()}}, TapOhm: []float64{8}, InUseOhm: 8},
			WidthMM: plot.NarrowMM, HeightMM: 65, Points: 8.5,
		},
	}
}

// example is the curve of an invented cabinet: a coil with some inductance, and one
// resonance.
func example() (c impedance.Curve) {
	const (
		coilOhm, coilHenry         = 6.6, 4e-4
		peakOhm, resonanceHz, peak = 50, 95, 3
	)
	for hz := 20.; hz <= 20000; hz *= math.Pow(2, 1./24) {
		coil := complex(coilOhm, 2*math.Pi*hz*coilHenry)
		motion := peakOhm / complex(1, peak*(hz/resonanceHz-resonanceHz/hz))
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: coil + motion})
	}
	return c
}
