//go:build !race

package measure_test

// fewSweeps is how many seeded sweeps a coverage test takes by default.
const fewSweeps = 200

// underRace is whether the race detector is on.
const underRace = false
