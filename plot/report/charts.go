package report

import (
	"context"
	"fmt"
	"math/cmplx"

	"tapload/fit/identify"
	"tapload/fit/rating"
	"tapload/fit/recone"
	"tapload/fixtures/amp"
	"tapload/measure/impedance"
	"tapload/measure/record"
	"tapload/plot"
)

// NamedRecord is a record with the name that it has in a picture.
type NamedRecord struct {
	Name   string
	Record record.Record
}

// CurvesOf are curves of records under a title; a single one without a title is
// named, rated, and noted as identify has it. The error is that of ctx.
func CurvesOf(ctx context.Context, curves []NamedRecord, title string) (plot.ImpedanceChart, error) {
	var c plot.ImpedanceChart
	invented := false
	if len(curves) == 1 {
		one := curves[0]
		var found *identify.Result
		r, err := identify.Record(ctx, one.Record, identify.Options{})
		if ctx.Err() != nil {
			return c, ctx.Err()
		}
		if err == nil {
			found = &r
		}
		c = CurveChart(one.Name, one.Record, found)
	}
	for _, one := range curves {
		invented = invented || one.Record.Invented()
		if len(curves) == 1 {
			break
		}
		c.Traces = append(c.Traces, plot.Trace{Label: doubtful(one.Name, one.Record), Curve: one.Record.Curve})
	}
	if title != "" {
		c.Title = title
	}
	if c.Title == "" {
		c.Title = fmt.Sprintf("%d curves", len(curves))
	}
	c.Title = marked(c.Title, invented)
	return c, nil
}

// CurveChart is the curve of a record by name, with what is in doubt about it in
// the title. Where found says what the load is, title and notes are its.
func CurveChart(name string, r record.Record, found *identify.Result) plot.ImpedanceChart {
	c := plot.ImpedanceChart{Title: doubtful(name, r), Traces: []plot.Trace{{Label: name, Curve: r.Curve}}}
	if found != nil {
		named := *found
		named.Name = name
		c.Title = named.Title()
		rated(&c, found.Rating)
	}
	c.Title = marked(c.Title, r.Invented())
	return c
}

// doubtful says beside a name what its record says against itself.
func doubtful(name string, r record.Record) string {
	if r.Bends() {
		return name + ": bends at this level"
	}
	return name
}

// rated has a chart note the lowest and the highest |Z| of a rating.
func rated(c *plot.ImpedanceChart, r rating.Rating) {
	c.Lowest, c.Highest = plot.Spot{Hz: r.MinHz, Ohm: r.MinOhm.Value}, plot.Spot{Hz: r.MaxHz, Ohm: r.MaxOhm.Value}
}

// ratioGap is by how much after differs from before, the curve of so many of a
// chart; none where they have no frequency in common.
func ratioGap(name string, trace int, before, after impedance.Curve, limit plot.Limit) []plot.Gap {
	ratios, err := recone.Ratios(before, after)
	if err != nil {
		return nil
	}
	g := plot.Gap{Name: name, Trace: trace, Limit: limit}
	for _, r := range ratios {
		g.Hz, g.Percent, g.U = append(g.Hz, r.Hz), append(g.Percent, r.Percent.Value-100), append(g.U, r.Percent.U)
	}
	return []plot.Gap{g}
}

// exactGap is by how much a measured curve differs from one that is calculated.
func exactGap(name string, trace int, seen impedance.Curve, exact []complex128) []plot.Gap {
	g := plot.Gap{Name: name, Trace: trace, Hz: seen.Hz()}
	for i := range seen.Points {
		ohm, u := seen.Modulus(i)
		of := cmplx.Abs(exact[i])
		g.Percent, g.U = append(g.Percent, 100*(ohm/of-1)), append(g.U, 100*u/of)
	}
	return []plot.Gap{g}
}

// suiting is a hookup on its tap with how it suits.
func suiting(s amp.Assessment) string {
	text := s.Tree.String() + " " + s.OnTap() + ": " + s.Verdict()
	if over := s.Overdrives(); !s.Suits {
		text += ", do not run it"
	} else if over != "" {
		text += ", but " + over
	}
	return text
}
