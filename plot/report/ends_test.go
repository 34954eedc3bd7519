package report

import (
	"context"
	"fmt"
	"io"
	"testing"

	"tapload/measure/impedance"
	"tapload/measure/stopping"
	"tapload/plot"
)

// A sheet of many pages was drawn to its end after Ctrl-C.
func TestSheetsEndWithTheirContext(t *testing.T) {
	c := impedance.Curve{}
	for hz := 20.; hz < 20e3; hz *= 1.01 {
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: complex(8, hz/1e4)})
	}
	d := Document{Title: "many pages"}
	for i := range 6 {
		picture := plot.ImpedanceChart{Title: fmt.Sprint("curve ", i), Traces: []plot.Trace{{Label: "a", Curve: c}}}
		d.Sections = append(d.Sections, Section{Heading: fmt.Sprint("page ", i), NewPage: true, Pieces: []Piece{Figure{Picture: picture}}})
	}
	for name, write := range map[string]func(context.Context, io.Writer, Paper) error{"PDF": d.PDF, "HTML": d.HTML} {
		t.Run(name, func(t *testing.T) {
			stopping.Check(t, func(ctx context.Context) error { return write(ctx, io.Discard, A4) })
		})
	}
}
