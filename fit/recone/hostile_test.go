package recone

import (
	"math"
	"strings"
	"testing"

	"tapload/measure/infile/hostile"
)

var soundLimits = []string{
	"[percent]\nre = [-5, 5]\nfs = \"none\"\ncurve = [0, 10.5]\nz_max = [-1e2, 25]\n",
	"[percent]\n",
}

// readLimits holds limits to be intervals that a change can lie in.
func readLimits(t testing.TB, text string) error {
	all, err := ReadLimits(strings.NewReader(text))
	if err != nil {
		return err
	}
	for name, l := range all {
		if !(l.Low <= l.High) || math.IsInf(l.Low, 0) || math.IsInf(l.High, 0) {
			t.Errorf("%s may change by %g to %g %%", name, l.Low, l.High)
		}
	}
	return nil
}

// Limits with 300,000 keys took 40 s.
func TestMalformedLimits(t *testing.T) { hostile.Test(t, hostile.TOML, soundLimits, readLimits) }

func FuzzReadLimits(f *testing.F) { hostile.Fuzz(f, hostile.TOML, soundLimits, readLimits) }
