//go:build !race

package measure_test

// fewSweeps is how many seeded sweeps a coverage test takes by default.
const fewSweeps = 200
