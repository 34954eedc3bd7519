package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// say prints a sentence for people on stderr, folded at the edge of a
// terminal.
func (e env) say(s string) { fmt.Fprintln(e.stderr, fold(s, e.columns)) }

// fold breaks each line of s at spaces so that none is longer than width where
// a space allows it. A width of 0 leaves s alone.
func fold(s string, width int) string {
	if width <= 0 {
		return s
	}
	if first, rest, more := strings.Cut(s, "\n"); more {
		return fold(first, width) + "\n" + fold(rest, width)
	}
	var b strings.Builder
	column := 0
	for i, word := range strings.Split(s, " ") {
		n := len([]rune(word))
		switch {
		case i == 0:
		case column+1+n > width:
			b.WriteString("\n  ")
			column = 2
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += n
	}
	return b.String()
}

// paragraph folds s for the help of a command, all lines from the same margin.
func paragraph(s string) string {
	return strings.ReplaceAll(fold(s, pageColumns), "\n  ", "\n")
}

// formatHz writes a frequency with three significant digits.
func formatHz(hz float64) string {
	if hz >= 999.5 {
		return significant(hz/1000, 3) + " kHz"
	}
	return significant(hz, 3) + " Hz"
}

// significant writes x without an exponent to n significant digits.
func significant(x float64, n int) string {
	if x == 0 {
		return "0"
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'e', n-1, 64), 64)
	return strconv.FormatFloat(rounded, 'f', max(0, n-1-exponent(rounded)), 64)
}

func exponent(x float64) int { return int(math.Floor(math.Log10(math.Abs(x)) + 1e-12)) }

// formatOhm writes a resistance with its expanded uncertainty (k = 2), both to
// the place that the uncertainty's second digit has.
func formatOhm(ohm, u float64) string { return formatWithU(ohm, u, "ohm") }

// formatWithU writes a value in a unit, which may be empty, as formatOhm does.
func formatWithU(v, u float64, unit string) string {
	if unit != "" {
		unit = " " + unit
	}
	expanded := 2 * u
	if !(expanded > 0) {
		return significant(v, 4) + unit
	}
	// No reading carries more than six digits, however small the noise.
	places := min(1-exponent(expanded), 5-exponent(max(math.Abs(v), expanded)))
	places = max(0, places)
	// Rounded up to the last of them, an uncertainty is never none.
	expanded = max(expanded, math.Pow10(-places))
	return fmt.Sprintf("%.*f%s ± %.*f", places, v, unit, places, expanded)
}

// writeJSON prints one object on one line.
func writeJSON(w io.Writer, v any) error { return json.NewEncoder(w).Encode(v) }
