package measure

import (
	"math"
	"testing"

	"tapload/fixtures/jig"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// What limits a near-short is the short standard, its resistance and inductance as
// one, and more level would not help.
func TestBudgetOfANearShort(t *testing.T) {
	c := impedance.Curve{
		Points: []impedance.Point{{Hz: 1000, Z: 0.1, Noise: impedance.Circular(2e-8)}},
		Shared: []impedance.Source{
			{ID: jig.KnownResistor + ":a:10-ohm", DZ: []complex128{1e-4}},
			{ID: jig.ShortResistance + ":a", DZ: []complex128{3e-3}},
			{ID: jig.ShortInductance + ":a", DZ: []complex128{4e-3 + 1i}},
		},
	}
	first := Budget(c)[0].Parts[0]
	if first.Source != SourceShort || math.Abs(first.U-5e-3) > 1e-12 || first.Advice == "" {
		t.Errorf("%+v, want 5 milliohm of the short standard and what to do", first)
	}
	if got := Summarize(record.Record{Curve: c}, "").Limit; got != SourceText(SourceShort) || got == SourceShort {
		t.Errorf("limited by %q", got)
	}
}
