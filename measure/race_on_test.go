//go:build race

package measure_test

// fewSweeps is how many seeded sweeps a coverage test takes by default. The
// race detector makes each ten times as slow and looks for something else.
const fewSweeps = 12

// underRace is whether the race detector is on.
const underRace = true
