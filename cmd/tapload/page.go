package main

import (
	"fmt"
	"io"
	"strings"

	"tapload/cmd/tapload/internal/screen"
)

const pageColumns = 80

// page writes lines of at most pageColumns and keeps the first error.
type page struct {
	w   io.Writer
	err error
}

func (p *page) line(s string) {
	if p.err == nil {
		_, p.err = fmt.Fprintln(p.w, strings.TrimRight(s, " "))
	}
}

// words writes a sentence, folded.
func (p *page) words(s string) { p.line(screen.Fold(s, pageColumns)) }

// under writes a text behind a name, folded under itself.
func (p *page) under(indent int, name, text string) {
	for i, line := range strings.Split(screen.Fold(text, pageColumns-indent-2), "\n") {
		if i > 0 {
			name = ""
		}
		p.line(fmt.Sprintf("%-*s%s", indent, name, strings.TrimSpace(line)))
	}
}

// cutName shortens a name in its middle to n characters.
func cutName(name string, n int) string {
	r := []rune(name)
	if len(r) <= n {
		return name
	}
	return string(r[:n/2-1]) + ".." + string(r[len(r)-(n-n/2-1):])
}
