package main

import (
	"io"

	"github.com/spf13/pflag"

	"tapload/measure/impedance"
	"tapload/plot/report"
)

// answer is how a command is asked to show its result: as JSON for programs, or
// as a page for people.
type answer struct{ json, details bool }

func (a *answer) register(f *pflag.FlagSet) {
	f.BoolVar(&a.details, "details", false, "show all that stands behind the answer")
	f.BoolVar(&a.json, "json", false, "print the result as JSON")
}

// show prints a result, which writes its own JSON, or its page, and then what to
// warn of.
func (a answer) show(e env, result any, page report.Document, warnings []impedance.Warning) (err error) {
	if a.json {
		err = writeJSON(e.stdout, result)
	} else {
		err = page.Terminal(e.stdout, pageColumns, a.details)
	}
	for _, w := range warnings {
		e.warn(w.Text)
	}
	return err
}

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
