package recone

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"tapload/fixtures/keyfile"
	"tapload/measure/verdict"
)

// Limits say by how many percent each quantity may change, by the name that it
// has in Change. What is not in it has no limit. "curve" is for the largest
// deviation of the two curves beside their resonance, which is never below 0.
type Limits map[string]Limit

// limitNames are all quantities that can have a limit, in the order of a page.
var limitNames = []string{"re", "fs", "q_ms", "q_es", "q_ts", "le_1khz", "z_min", "z_max", "mms", "cms", "bl", "vas", "curve"}

// DefaultLimits returns limits to start from. They are ours, no standard: what
// counts as the same driver is for the workshop to say.
func DefaultLimits() Limits {
	return Limits{
		"re": {-5, 5}, "fs": {-10, 10}, "q_ms": {-25, 25}, "q_es": {-15, 15}, "q_ts": {-15, 15},
		"le_1khz": {-20, 20}, "z_min": {-7, 7}, "z_max": {-25, 25},
		"mms": {-10, 10}, "cms": {-20, 20}, "bl": {-7.5, 7.5}, "vas": {-20, 20},
		"curve": {0, 25},
	}
}

// ReadLimits reads limits as TOML: a table percent whose keys are quantities
// and whose values are [lowest, highest], or "none". Quantities that the file
// leaves out keep their default. An error names the line and the key.
func ReadLimits(r io.Reader) (Limits, error) {
	text, err := keyfile.Read(r)
	if err != nil {
		return nil, err
	}
	var f struct {
		Percent map[string]any `toml:"percent"`
	}
	if err := keyfile.Decode(text, &f); err != nil {
		return nil, fmt.Errorf("limits %w; limits stand in the table [percent], as in re = [-5, 5]", err)
	}
	lines := keyfile.LinesOf(text)
	l := DefaultLimits()
	for _, name := range slices.Sorted(maps.Keys(f.Percent)) {
		limit, none, err := limitOf(name, f.Percent[name])
		switch {
		case err != nil:
			return nil, fmt.Errorf("limits line %d: %s %w", lines.Find("percent."+name), keyfile.Short("percent."+name), err)
		case none:
			delete(l, name)
		default:
			l[name] = limit
		}
	}
	return l, nil
}

// limitOf reads the value of a key. Errors go on after the key.
func limitOf(name string, value any) (limit Limit, none bool, err error) {
	if !slices.Contains(limitNames, name) {
		return limit, false, fmt.Errorf("is no quantity that is compared; known are %s", strings.Join(limitNames, ", "))
	}
	if value == "none" {
		return limit, true, nil
	}
	list, _ := value.([]any)
	var x []float64
	for _, v := range list {
		switch v := v.(type) {
		case float64:
			x = append(x, v)
		case int64:
			x = append(x, float64(v))
		}
	}
	if len(list) != 2 || len(x) != 2 {
		return limit, false, errors.New("must be two numbers in percent, lowest and highest, as in [-5, 5], or \"none\"")
	}
	if x[0] >= x[1] {
		return limit, false, fmt.Errorf("is [%v, %v]; the first number is the lowest change and must be below the second", x[0], x[1])
	}
	if x[1] < 0 || x[0] > 0 {
		return limit, false, fmt.Errorf("is [%v, %v]; a driver that has not changed would fail it, so 0 must lie inside", x[0], x[1])
	}
	return Limit{x[0], x[1]}, false, nil
}

// judge holds a change in percent against limit.
func (limit Limit) judge(value, u float64) verdict.Verdict {
	switch {
	case limit == Limit{}:
		return verdict.Pass
	case value-2*u >= limit.Low && value+2*u <= limit.High:
		return verdict.Pass
	case value+2*u < limit.Low || value-2*u > limit.High:
		return verdict.Fail
	default:
		return verdict.Undecided
	}
}
