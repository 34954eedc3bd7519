package main

import (
	"fmt"
	"io"
	"strings"

	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot"
)

// distortionChart draws the harmonics of a record by itself.
func distortionChart(label string, d record.Distortion) plot.DistortionChart {
	return plot.DistortionChart{Title: "Harmonics of the current", Records: []plot.Harmonics{{Label: label, Distortion: d}}}
}

// printHarmonics writes the highest two orders, and whether something scrapes.
func printHarmonics(w io.Writer, h *record.Harmonics) {
	if h == nil {
		return
	}
	var parts []string
	loudest := h.Loudest()
	for _, o := range loudest[:min(2, len(loudest))] {
		parts = append(parts, fmt.Sprintf("harmonic %d at most %.0f dB, at %s", o.Order, o.LevelDB, quantity.Hz(o.Hz)))
	}
	if len(parts) == 0 {
		parts = []string{"no harmonic of the current stands clear of the noise"}
	}
	fmt.Fprintf(w, "bends    %s\n", strings.Join(parts, "; "))
	if s := h.Scrapes; s != nil {
		fmt.Fprintf(w, "scrapes  high orders of %.0f dB at %s, where noise has %.0f dB: a scraping coil, something loose, or an amplifier that clips\n", s.LevelDB, quantity.Hz(s.Hz), s.FloorDB)
		return
	}
	fmt.Fprintln(w, "scrapes  no sign of it at this level")
}
