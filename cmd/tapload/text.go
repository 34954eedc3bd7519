package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"tapload/cmd/tapload/internal/screen"
)

// say prints a sentence for people on stderr, folded at the edge of a terminal
// or of a page.
func (e env) say(s string) {
	width := pageColumns
	if e.columns > 0 {
		width = min(width, e.columns)
	}
	fmt.Fprintln(e.stderr, screen.Fold(s, width))
}

// paragraph folds s for the help of a command, all lines from the same margin.
func paragraph(s string) string {
	return strings.ReplaceAll(screen.Fold(s, pageColumns), "\n  ", "\n")
}

// writeJSON prints one object on one line.
func writeJSON(w io.Writer, v any) error { return json.NewEncoder(w).Encode(v) }
