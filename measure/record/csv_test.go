package record

import (
	"bytes"
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"tapload/measure/impedance"
)

func TestWriteCSV(t *testing.T) {
	r := Record{
		Label: "invented, with a comma",
		Taken: time.Unix(0, 0),
		Curve: impedance.Curve{
			Points: []impedance.Point{
				{Hz: 100, Z: 30 + 40i, Noise: impedance.Cov{RR: 0.09, RI: 0.12, II: 0.16}},
				{Hz: 20000.5, Z: -8i},
			},
			Shared: []impedance.Source{{ID: "a", DZ: []complex128{1.2 + 1.6i, 0}}},
		},
	}
	var b bytes.Buffer
	if err := r.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(b.String(), "\r\n"); n != 3 || strings.Count(b.String(), "\n") != n {
		t.Errorf("%d lines end in CR LF, want all 3:\n%q", n, b.String())
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join(rows[0], ","), "frequency_hz,resistance_ohm,reactance_ohm,modulus_ohm,phase_deg,u_resistance_ohm,u_reactance_ohm,u_total_resistance_ohm,u_total_reactance_ohm,u_total_modulus_ohm"; got != want {
		t.Errorf("columns\n%s\nwant\n%s", got, want)
	}
	// By hand: the noise lies along Z with 0.3 and 0.4 ohm (0.5 together), the
	// source along Z with 2 ohm: sqrt(0.5^2 + 2^2) = 2.0616 ohm.
	want := [][]float64{
		{100, 30, 40, 50, 53.13010235415598, 0.3, 0.4, math.Sqrt(0.09 + 1.44), math.Sqrt(0.16 + 2.56), math.Sqrt(4.25)},
		{20000.5, 0, -8, 8, -90, 0, 0, 0, 0, 0},
	}
	for i, row := range rows[1:] {
		for k, cell := range row {
			x, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(x-want[i][k]) > 1e-14*math.Abs(want[i][k]) {
				t.Errorf("point %d, %s: %v, want %v", i, rows[0][k], x, want[i][k])
			}
		}
	}
}

func TestWriteCSVRefusesABrokenCurve(t *testing.T) {
	var b bytes.Buffer
	wantError(t, Record{}.WriteCSV(&b), "curve has no points")
	wantError(t, Record{}.WriteTouchstone(&b), "curve has no points")
	if b.Len() > 0 {
		t.Errorf("wrote %q in spite of the error", b.String())
	}
}
