package record

import (
	"encoding/csv"
	"io"
	"math"
	"math/cmplx"
	"strconv"
)

// csvColumns heads the table of WriteCSV.
var csvColumns = []string{
	"frequency_hz", "resistance_ohm", "reactance_ohm", "modulus_ohm", "phase_deg",
	"u_resistance_ohm", "u_reactance_ohm",
	"u_total_resistance_ohm", "u_total_reactance_ohm", "u_total_modulus_ohm",
}

// WriteCSV writes the curve of r as RFC 4180: one line of column names that
// carry the units, then one line a point, lines ending in CR LF, numbers with
// a decimal point and all their digits. Every u is a standard uncertainty
// (k = 1): u_resistance and u_reactance of noise alone, u_total of noise and
// shared sources together.
//
// There are no comment lines, since RFC 4180 knows none: a spreadsheet would
// show them as data and numpy.genfromtxt(names=True) would take the first one
// for the column names. Label and date are in the record.
func (r Record) WriteCSV(w io.Writer) error {
	if err := r.check(); err != nil {
		return err
	}
	out := csv.NewWriter(w)
	out.UseCRLF = true
	rows := [][]string{csvColumns}
	for i, p := range r.Curve.Points {
		total := r.Curve.Total(i)
		ohm, u := r.Curve.Modulus(i)
		row := make([]string, 0, len(csvColumns))
		for _, x := range []float64{
			p.Hz, real(p.Z), imag(p.Z), ohm, cmplx.Phase(p.Z) * 180 / math.Pi,
			math.Sqrt(p.Noise.RR), math.Sqrt(p.Noise.II),
			math.Sqrt(total.RR), math.Sqrt(total.II), u,
		} {
			row = append(row, number(x))
		}
		rows = append(rows, row)
	}
	return out.WriteAll(rows)
}

// number returns the shortest text that reads back as x.
func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
