//go:build race

package measure_test

// sweeps is how many seeded sweeps a coverage test takes. The race detector
// makes each ten times as slow and looks for something else.
const sweeps = 50
