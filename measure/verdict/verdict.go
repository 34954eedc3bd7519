// Package verdict holds the one answer that every test of the bench gives:
// a rating, a proof of a box, a comparison, a calibration put to the proof.
package verdict

import (
	"fmt"

	"tapload/measure/oneline"
)

// Verdict is how a test came out.
type Verdict uint8

// The verdicts.
const (
	Pass      Verdict = iota
	Fail              // the limit is exceeded, uncertainty (k = 2) counted
	Undecided         // the limit lies inside the uncertainty (k = 2)
)

// String returns the word for v in files and tables.
func (v Verdict) String() string { return [...]string{"pass", "fail", "undecided"}[v] }

// UnmarshalText reads the word.
func (v *Verdict) UnmarshalText(text []byte) error {
	for _, known := range []Verdict{Pass, Fail, Undecided} {
		if known.String() == string(text) {
			*v = known
			return nil
		}
	}
	return fmt.Errorf("there is no verdict %s", oneline.Quote(string(text)))
}

// MarshalText returns String, so that JSON holds the word.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }
