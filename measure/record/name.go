package record

import (
	"path/filepath"
	"strings"
	"unicode"
)

// Suffix ends the name of a record's file.
const Suffix = ".sweep.json"

// LabelOf returns the label that a record of that file name gets.
func LabelOf(path string) string {
	name := strings.TrimSuffix(filepath.Base(path), ".json")
	return strings.TrimSuffix(name, ".sweep")
}

// FileName makes a file name of a label: "2x12 (left)" -> "2x12-left". It is ""
// for a label without letters and digits.
func FileName(label string) string {
	words := strings.FieldsFunc(strings.ToLower(label), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r)
	})
	return strings.Join(words, "-")
}
