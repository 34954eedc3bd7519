package report

import (
	"fmt"
	"strings"

	"tapload/fit/recone"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// Group is the page of where a driver stands in a group of its kind.
func Group(s recone.Standing) Document {
	d := Document{Title: marked(s.Label+" in its group", s.Invented), Lead: s.Words()}
	head := []string{"± is k = 2", "median", "spread", "this one", "off by, in spreads"}
	fits, alike := Table{Head: head}, Table{Head: head}
	for _, p := range s.Places {
		median, unit := inUnit(p.Name, p.Unit, quantity.Of(p.Median, 0))
		value, _ := inUnit(p.Name, p.Unit, quantity.Of(p.Value.Value, 0))
		row := []string{recone.Symbol(p.Name), median.In(unit), quantity.Digits(p.Spread, 2) + " %", value.In(unit), spreads(p.Z) + mark(p.Verdict)}
		// The curve in octaves is read where it tells more than the fit.
		if strings.HasPrefix(p.Name, "curve_") && p.Verdict == verdict.Pass {
			alike.Rows = append(alike.Rows, row)
		} else {
			fits.Rows = append(fits.Rows, row)
		}
	}
	d.add(fits)
	var off Points
	for _, one := range s.Strangers {
		off = append(off, fmt.Sprintf("%s does not belong to the group: %s is %s spreads off", one.Label, recone.Symbol(one.Name), spreads(quantity.Of(one.Z, 0))))
	}
	d.add(off)
	d.behind("octaves that are alike", alike)
	d.behind("what stands behind the verdict", Points{
		fmt.Sprintf("more than %s spreads off is not alike: of groups of %d from one normal distribution 1 in 200 has a member so far off in one quantity", quantity.Digits(s.Limit, 3), s.Members),
		Unheard,
	})
	return d
}

// spreads writes by how many of them something is off.
func spreads(z quantity.Value) string {
	const most = 1000
	switch {
	case z.Value > most:
		return "> 1000"
	case z.Value < -most:
		return "< -1000"
	case z.U == 0:
		return fmt.Sprintf("%+.1f", z.Value)
	}
	return z.Change("", 0)
}

// Match is the page of which drivers belong together.
func Match(m recone.Matching) Document {
	d := Document{Title: marked("Drivers that belong together", m.Invented), Lead: m.Words()}
	t := Table{Head: []string{"apart", "drivers"}}
	for _, g := range m.Groups {
		t.add(fmt.Sprintf("%.2f %%", g.Widest), strings.Join(g.Drivers, ", "))
	}
	if len(m.Left) > 0 {
		t.add("left over", strings.Join(m.Left, ", "))
	}
	d.add(t)
	notes := Points{"apart: rms difference of the two curves over log frequency, modulus and phase; of a quad the widest of its six"}
	if m.Noise > 0 {
		notes = append(notes, fmt.Sprintf("noise alone puts %s %% between two drivers", quantity.Digits(m.Noise, 2)))
	}
	d.behind("what apart means", append(notes, Unheard))
	return d
}
