package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/hookup"
	"tapload/measure/oneline"
	"tapload/plot/report"
)

// say prints a sentence for people on stderr, folded at the edge of a terminal
// or of a page. It is one line, whatever is in the names of files that it holds.
func (e env) say(s string) {
	width := pageColumns
	if e.columns > 0 {
		width = min(width, e.columns)
	}
	_, _ = io.WriteString(e.stderr, report.Folded(oneline.Harmless(s), func(s string) string { return screen.Fold(s, width) })+"\n")
}

// fail says what went wrong, each of several things that were joined by itself, and
// below a formula's fault where it is.
func (e env) fail(err error) {
	begin := "tapload: "
	for _, one := range apart(err) {
		words, excerpt, mark := one.Error(), "", ""
		if s, is := errors.AsType[*hookup.SyntaxError](one); is {
			where := strings.TrimPrefix(s.Error(), s.Fault)
			words = strings.Replace(words, where, "", 1)
			last := strings.LastIndex(where, "\n")
			excerpt, mark = strings.TrimPrefix(where[:last], "\n"), where[last+1:]
		}
		e.say(begin + words)
		if begin = ""; mark != "" {
			e.say(excerpt)
			e.say(mark)
		}
	}
}

// apart returns the errors that errors.Join joined to err; err where it is one.
func apart(err error) (all []error) {
	joined, is := err.(interface{ Unwrap() []error })
	if !is || errors.Join(joined.Unwrap()...).Error() != err.Error() {
		return []error{err}
	}
	for _, one := range joined.Unwrap() {
		all = append(all, apart(one)...)
	}
	return all
}

// tell prints one line on stdout.
func (e env) tell(s string) { fmt.Fprintln(e.stdout, oneline.Harmless(s)) }

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
