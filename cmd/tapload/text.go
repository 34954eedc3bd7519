package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
)

// say prints a sentence for people on stderr, folded at the edge of a terminal
// or of a page.
func (e env) say(s string) {
	width := pageColumns
	if e.columns > 0 {
		width = min(width, e.columns)
	}
	fmt.Fprintln(e.stderr, fold(s, width))
}

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

// writeJSON prints one object on one line.
func writeJSON(w io.Writer, v any) error { return json.NewEncoder(w).Encode(v) }
