package main

import (
	"io"

	"tapload/measure/impedance"
)

// shown is what a command found, as an object for programs and as a page for
// people.
type shown[O any] interface {
	object() O
	print(io.Writer) error
}

// show prints what a command found, and then what to warn of.
func show[O any](e env, asJSON bool, found shown[O], warnings []impedance.Warning) (err error) {
	if asJSON {
		err = writeJSON(e.stdout, found.object())
	} else {
		err = found.print(e.stdout)
	}
	for _, w := range warnings {
		e.warn(w.Text)
	}
	return err
}

func warningEntries(all []impedance.Warning) []warningEntry {
	entries := []warningEntry{}
	for _, w := range all {
		entries = append(entries, entryOf(w))
	}
	return entries
}
