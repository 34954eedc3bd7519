package recone

import (
	"strings"
	"testing"

	"tapload/measure/infile/hostile"
)

// Limits with 300,000 keys took 40 s.
func FuzzReadLimits(f *testing.F) {
	for _, text := range hostile.TOML("[percent]\nre = [-5, 5]\nfs = \"none\"\n") {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		hostile.Read(t, text, func(text string) error { _, err := ReadLimits(strings.NewReader(text)); return err })
	})
}
