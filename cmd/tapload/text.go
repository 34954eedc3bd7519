package main

import (
	"encoding/json"
	"io"
	"strings"

	"tapload/cmd/tapload/internal/screen"
	"tapload/measure/oneline"
	"tapload/plot/report"
)

// say prints a sentence for people on stderr, folded at the edge of a terminal
// or of a page.
func (e env) say(s string) {
	width := pageColumns
	if e.columns > 0 {
		width = min(width, e.columns)
	}
	_, _ = e.stderr.Write(oneline.HarmlessText([]byte(report.Folded(s, func(s string) string { return screen.Fold(s, width) }) + "\n")))
}

// paragraph folds s for the help of a command, all lines from the same margin.
func paragraph(s string) string {
	return strings.ReplaceAll(screen.Fold(s, pageColumns), "\n  ", "\n")
}

// writeJSON prints one object on one line, with no character that a terminal could
// take for more than text.
func writeJSON(w io.Writer, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = w.Write(append(oneline.Escape(text), '\n'))
	return err
}
