package main

import (
	"tapload/measure/record"
	"tapload/plot"
)

// distortionChart draws the harmonics of a record by itself.
func distortionChart(label string, d record.Distortion) plot.DistortionChart {
	return plot.DistortionChart{Title: "Harmonics of the current", Records: []plot.Harmonics{{Label: label, Distortion: d}}}
}
