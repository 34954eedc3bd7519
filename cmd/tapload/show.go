package main

import (
	"github.com/spf13/pflag"

	"tapload/measure/impedance"
	"tapload/measure/verdict"
	"tapload/plot/report"
)

// pageColumns is the width of everything that people read on a terminal.
const pageColumns = 80

// answer is how a command is asked to show its result: as JSON for programs, or
// as a page for people.
type answer struct{ json, details bool }

func (a *answer) register(f *pflag.FlagSet) {
	f.BoolVar(&a.details, "details", false, "show all that stands behind the answer")
	f.BoolVar(&a.json, "json", false, "print the result as JSON")
}

// registerWhole is register for a page that has no details. The flag is taken,
// but not offered.
func (a *answer) registerWhole(f *pflag.FlagSet) {
	a.register(f)
	f.Lookup("details").Hidden = true
}

// show prints a result, which writes its own JSON, or its page, and then what to
// warn of.
func (a answer) show(e env, result any, page report.Document, warnings []impedance.Warning) (err error) {
	e.page.take(page, warnings)
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

// judge is show for a result with a verdict, which makes the exit code.
func (a answer) judge(e env, result any, page report.Document, warnings []impedance.Warning, v verdict.Verdict) error {
	if err := a.show(e, result, page, warnings); err != nil {
		return err
	}
	return verdicts[v]
}
