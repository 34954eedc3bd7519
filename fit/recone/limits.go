package recone

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

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

// Names returns the quantities that have a limit in l, in the order of a page.
func (l Limits) Names() []string {
	return slices.DeleteFunc(slices.Clone(limitNames), func(name string) bool {
		_, ok := l[name]
		return !ok
	})
}

// limitsFile is what a file of limits holds.
type limitsFile struct {
	Percent map[string]any `toml:"percent"`
}

// Write writes l as ReadLimits reads it, every quantity in a line of its own.
func (l Limits) Write(w io.Writer) error {
	var b strings.Builder
	b.WriteString("# By how many percent each quantity may change, lowest and highest.\n")
	if maps.Equal(l, DefaultLimits()) {
		b.WriteString("# A starting point, not a standard: change what your workshop sees otherwise.\n")
	}
	b.WriteString("[percent]\n")
	for _, name := range limitNames {
		if limit, ok := l[name]; ok {
			fmt.Fprintf(&b, "%s = [%v, %v]\n", name, limit.Low, limit.High)
		} else {
			fmt.Fprintf(&b, "%s = \"none\"\n", name)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// ReadLimits reads limits as TOML: a table percent whose keys are quantities
// and whose values are [lowest, highest], or "none". Quantities that the file
// leaves out keep their default. An error names the line and the key.
func ReadLimits(r io.Reader) (Limits, error) {
	text, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("limits: %w", err)
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff")) // the mark of some editors of Windows, which TOML does not know
	var f limitsFile
	d := toml.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) && len(strict.Errors) > 0 {
			line, _ := strict.Errors[0].Position()
			return nil, fmt.Errorf("limits line %d: there is no key %q; limits stand in the table [percent], as in re = [-5, 5]", line, strings.Join(strict.Errors[0].Key(), "."))
		}
		var de *toml.DecodeError
		if errors.As(err, &de) {
			line, _ := de.Position()
			if key := strings.Join(de.Key(), "."); key == "percent" {
				return nil, fmt.Errorf("limits line %d: percent must be a table of limits, as in [percent] and re = [-5, 5] below it", line)
			}
			return nil, fmt.Errorf("limits line %d: %s", line, strings.TrimPrefix(de.Error(), "toml: "))
		}
		return nil, fmt.Errorf("limits: %w", err)
	}
	l := DefaultLimits()
	for _, name := range slices.Sorted(maps.Keys(f.Percent)) {
		limit, none, err := limitOf(name, f.Percent[name])
		switch {
		case err != nil:
			return nil, fmt.Errorf("limits line %d: percent.%s %w", lineOf(text, name), name, err)
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
	if len(list) != 2 || len(x) != 2 || math.IsNaN(x[0]+x[1]) {
		return limit, false, fmt.Errorf("is %v; it must be two numbers in percent, lowest and highest, as in [-5, 5], or \"none\"", value)
	}
	if x[0] >= x[1] {
		return limit, false, fmt.Errorf("is [%v, %v]; the first number is the lowest change and must be below the second", x[0], x[1])
	}
	if x[1] < 0 || x[0] > 0 {
		return limit, false, fmt.Errorf("is [%v, %v]; a driver that has not changed would fail it, so 0 must lie inside", x[0], x[1])
	}
	return Limit{x[0], x[1]}, false, nil
}

// lineOf returns the line on which a key of the table percent stands.
func lineOf(text []byte, name string) int {
	var p unstable.Parser
	p.Reset(text)
	line := func(keys unstable.Iterator) int {
		for keys.Next() {
			if string(keys.Node().Data) == name {
				return p.Shape(keys.Node().Raw).Start.Line
			}
		}
		return 0
	}
	for p.NextExpression() {
		e := p.Expression()
		if at := line(e.Key()); at > 0 {
			return at
		}
		if e.Kind == unstable.KeyValue && e.Value().Kind == unstable.InlineTable {
			for in := e.Value().Children(); in.Next(); {
				if at := line(in.Node().Key()); at > 0 {
					return at
				}
			}
		}
	}
	return 0
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
