//go:build !race

package measure_test

// sweeps is how many seeded sweeps a coverage test takes.
const sweeps = 1000
