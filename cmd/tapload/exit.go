package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/measure/card"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// The exit codes of every command.
const (
	exitDone      = 0 // done, or a test that passed
	exitError     = 1
	exitUsage     = 2
	exitFail      = 3 // a test that failed
	exitUndecided = 4 // a test that could not be decided
)

// usageError is a command line that cannot be run.
type usageError struct {
	command string
	err     error
}

func usage(c *cobra.Command, err error) error {
	return &usageError{c.CommandPath(), err}
}

func (u *usageError) Error() string { return u.err.Error() }
func (u *usageError) Unwrap() error { return u.err }

// verdictError ends a command whose test did not pass. The command has said so
// itself; only the exit code is left to give.
type verdictError struct{ code int }

func (v *verdictError) Error() string {
	if v.code == exitFail {
		return "the test failed"
	}
	return "the test could not be decided"
}

// verdicts are what makes the exit codes of tests.
var verdicts = [...]error{verdict.Pass: nil, verdict.Fail: &verdictError{exitFail}, verdict.Undecided: &verdictError{exitUndecided}}

// exitOf prints what went wrong, with a hint of what to do next, and returns
// the exit code. It is the only place that turns errors into exit codes.
func exitOf(ctx context.Context, e env, err error) int {
	if err == nil {
		return exitDone
	}
	if v, is := errors.AsType[*verdictError](err); is {
		return v.code
	}
	code, hint := exitError, ""
	var u *usageError
	var f *card.Fault
	switch {
	case errors.As(err, &u):
		code = exitUsage
		hint = fmt.Sprintf("see \"%s --help\"", u.command)
	case ctx.Err() != nil && !isUnsaved(err):
		err = errors.New("stopped before the end; " + e.written.words())
	case errors.As(err, &f) && f.Advice == "":
		hint = faultHints[f.Cause]
	}
	e.fail(err)
	if hint != "" {
		e.say(hint)
	}
	return code
}

// unsaved is the error of a result that could not be written, which is said even
// where the command was to stop.
type unsaved struct{ error }

func (u unsaved) Unwrap() error { return u.error }

func isUnsaved(err error) bool {
	_, is := errors.AsType[unsaved](err)
	return is
}

// faultHints stand in where the fault itself gives no advice.
var faultHints = map[card.Cause]string{
	card.Absent:  "\"tapload cards\" lists the cards that are there",
	card.Busy:    "close the program that uses the card, and try again",
	card.Stopped: "check the card's cable, and try again",
}

// numberError says what a flag that the parser itself reads must be. far tells that it
// is a number, but beyond what the flag holds.
func numberError(bad *pflag.InvalidValueError, far bool) error {
	kind := bad.GetFlag().Value.Type()
	switch {
	case kind == "float64":
		return cmp.Or(quantity.CommaMeant(bad.GetValue()), errors.New("must be a number, such as 8.5"))
	case kind == "uint64" && far:
		return fmt.Errorf("must be at most %d", uint64(math.MaxUint64))
	case kind == "uint64":
		return errors.New("must be a whole number, 0 or more")
	case far:
		return errors.New("is a number beyond all that this counts; write a smaller one")
	}
	return errors.New("must be a whole number")
}

// flagError rewords what the flag parser says.
func flagError(err error) error {
	if bad, is := errors.AsType[*pflag.InvalidValueError](err); is {
		cause := bad.Unwrap()
		if number, is := errors.AsType[*strconv.NumError](cause); is {
			cause = numberError(bad, errors.Is(number, strconv.ErrRange))
		}
		return fmt.Errorf("--%s %s: %w", bad.GetFlag().Name, oneline.Quote(bad.GetValue()), cause)
	}
	if missing, is := errors.AsType[*pflag.ValueRequiredError](err); is {
		name := "--" + missing.GetSpecifiedName()
		if len(missing.GetSpecifiedName()) == 1 {
			name = name[1:]
		}
		return fmt.Errorf("%s needs a value after it", name)
	}
	if unknown, is := errors.AsType[*pflag.NotExistError](err); is {
		name := "--" + unknown.GetSpecifiedName()
		if unknown.GetSpecifiedShortnames() != "" {
			name = "-" + unknown.GetSpecifiedName()
		}
		return fmt.Errorf("there is no flag %s", name)
	}
	return err
}
