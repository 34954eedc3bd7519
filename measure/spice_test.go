package measure_test

import (
	"testing"

	"tapload/fixtures/netlist/spice"
)

// spiceImpedance returns the impedance between the nodes in and 0 of a deck at
// each frequency, by ngspice's .ac analysis with a current source of 1 A.
func spiceImpedance(t *testing.T, deck string, hz []float64) map[float64]complex128 {
	t.Helper()
	z := map[float64]complex128{}
	for i, v := range spice.AC(t, deck+"I1 0 in DC 0 AC 1\n", hz, "in") {
		z[hz[i]] = v[0]
	}
	return z
}
