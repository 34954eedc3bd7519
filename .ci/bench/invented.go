//go:build linux

package main

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"time"

	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// Names of what was seen through boxes.
const (
	rightBox = "box-right"
	wrongBox = "box-wrong"
)

const (
	joints = 0.02 // ohm, of each plug and cable
	points = 500  // of a record, about as many as a default sweep has
	noise  = 2e-4 // of |Z|, standard uncertainty
)

func cabinetName(i int) string { return fmt.Sprintf("cab%d", i+1) }

// cabinets are invented ones of 8 and 16 ohm, of one resonance and of two.
func cabinets() []netlist.Driver {
	rng := rand.New(rand.NewPCG(4, 7))
	var all []netlist.Driver
	for i := range 12 {
		rated := []float64{8, 16, 16}[i%3]
		d := netlist.Driver{
			Re:         rated * (0.8 + 0.05*rng.Float64()),
			Coil:       netlist.Coil{K: rated * 0.002 * (0.8 + 0.4*rng.Float64()), N: 0.7},
			Resonances: []netlist.Resonance{{Hz: 80 + 30*rng.Float64(), Qm: 4 + 3*rng.Float64(), Res: rated * (4 + 2*rng.Float64())}},
		}
		if i%4 == 3 {
			d.Resonances = append(d.Resonances, netlist.Resonance{Hz: 35 + 10*rng.Float64(), Qm: 5, Res: 4 * rated})
		}
		all = append(all, d)
	}
	return all
}

// recorded is a record of z with noise, and with one sense resistor behind it and all
// others.
func recorded(label string, seed uint64, z func(hz float64) complex128) record.Record {
	rng := rand.New(rand.NewPCG(seed, 1))
	resistor := impedance.Source{ID: "sense-resistor:invented"}
	r := record.Record{Label: label + " (invented)", Taken: time.Unix(0, 0).UTC(), SenseOhm: 10}
	for k := range points {
		hz := 10 * math.Pow(2000, float64(k)/(points-1))
		z := z(hz)
		u := noise * cmplx.Abs(z) / math.Sqrt2 // of each part
		z += complex(u*rng.NormFloat64(), u*rng.NormFloat64())
		r.Curve.Points = append(r.Curve.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Circular(2 * u * u)})
		resistor.DZ = append(resistor.DZ, 0.001*z)
	}
	r.Curve.Shared = []impedance.Source{resistor}
	return r
}
