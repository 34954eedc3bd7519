package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot"
)

// unheard is what no measurement of the current shows, wherever harmonics are
// spoken of.
const unheard = "an electrical measurement cannot show a torn cone, surround or dust cap that does not load the coil, a buzzing cabinet, polarity, how it sounds, or a rub that the sweep was too quiet to wake"

// distortionChart draws the harmonics of a record by itself.
func distortionChart(label string, d record.Distortion) plot.DistortionChart {
	return plot.DistortionChart{Title: "Harmonics of the current", Records: []plot.Harmonics{{Label: label, Distortion: d}}}
}

// distortionEntry is what a summary tells of the current's harmonics.
type distortionEntry struct {
	Orders  []orderEntry `json:"orders"`  // that stand clear of their noise
	Scrapes *levelEntry  `json:"scrapes"` // where something knocks or scrapes in every cycle; null for nowhere
}

type orderEntry struct {
	Order int `json:"order"`
	levelEntry
}

// levelEntry is a level against the fundamental of the given frequency.
type levelEntry struct {
	Hz      float64 `json:"hz"`
	LevelDB float64 `json:"level_db"`
	FloorDB float64 `json:"floor_db"`
}

func distortionOf(d record.Distortion) *distortionEntry {
	e := &distortionEntry{Orders: []orderEntry{}}
	for _, o := range d.Orders {
		if i := o.Loudest(); i >= 0 {
			e.Orders = append(e.Orders, orderEntry{o.Number, levelEntry{d.Hz[i], o.Level[i], o.Floor[i]}})
		}
	}
	if i := d.Scrape(); i >= 0 {
		e.Scrapes = &levelEntry{d.Hz[i], d.Residual[i], d.ResidualFloor[i]}
	}
	return e
}

// loudest are the orders that stand clear, the highest level first.
func (e *distortionEntry) loudest() []orderEntry {
	return slices.SortedStableFunc(slices.Values(e.Orders), func(a, b orderEntry) int { return cmp.Compare(b.LevelDB, a.LevelDB) })
}

// print writes the highest two orders, and whether something scrapes.
func (e *distortionEntry) print(w io.Writer) {
	if e == nil {
		return
	}
	var parts []string
	loudest := e.loudest()
	for _, o := range loudest[:min(2, len(loudest))] {
		parts = append(parts, fmt.Sprintf("harmonic %d at most %.0f dB, at %s", o.Order, o.LevelDB, quantity.Hz(o.Hz)))
	}
	if len(parts) == 0 {
		parts = []string{"no harmonic of the current stands clear of the noise"}
	}
	fmt.Fprintf(w, "bends    %s\n", strings.Join(parts, "; "))
	if s := e.Scrapes; s != nil {
		fmt.Fprintf(w, "scrapes  high orders of %.0f dB at %s, where noise has %.0f dB: a scraping coil, something loose, or an amplifier that clips\n", s.LevelDB, quantity.Hz(s.Hz), s.FloorDB)
		return
	}
	fmt.Fprintln(w, "scrapes  no sign of it at this level")
}
