package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

func newManual(e env) *cobra.Command {
	var folder string
	c := &cobra.Command{
		Use:    "manual -o FOLDER",
		Short:  "Write the manual pages",
		Hidden: true, // "make install" is who needs it
		Long: `Write a manual page for every command into a folder, for "man tapload" and
"man tapload-sweep". The date on them is that of the commit that the program was
built from, or of SOURCE_DATE_EPOCH (seconds since 1970) where that is set.`,
		Example: "  tapload manual -o man1",
		Args:    noArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if folder == "" {
				return usage(c, errors.New("say where the pages go with -o FOLDER"))
			}
			return writeManual(e, c.Root(), folder)
		},
	}
	c.Flags().StringVarP(&folder, "output", "o", "", "`folder` for the pages")
	return c
}

func writeManual(e env, root *cobra.Command, folder string) error {
	date, err := builtFrom(e)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return fmt.Errorf("cannot make the folder %s: %w", folder, plainPath(err))
	}
	var pages []file
	var add func(c *cobra.Command)
	add = func(c *cobra.Command) {
		if !c.IsAvailableCommand() || c.Name() == "help" {
			return
		}
		pages = append(pages, file{path: filepath.Join(folder, manName(c)+".1"), force: true, write: func(w io.Writer) error {
			_, err := io.WriteString(w, manPage(c, date))
			return err
		}})
		for _, sub := range c.Commands() {
			add(sub)
		}
	}
	add(root)
	return writeFiles(pages...)
}

// builtFrom returns the day of the commit that the program was built from, the
// zero time where nobody knows.
func builtFrom(e env) (time.Time, error) {
	if epoch := e.getenv("SOURCE_DATE_EPOCH"); epoch != "" {
		s, err := strconv.ParseInt(epoch, 10, 64)
		if err != nil {
			return time.Time{}, fmt.Errorf("SOURCE_DATE_EPOCH %q must be whole seconds since 1970", epoch)
		}
		return time.Unix(s, 0).UTC(), nil
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.time" {
				return time.Parse(time.RFC3339, s.Value)
			}
		}
	}
	return time.Time{}, nil
}

// manEnds are the sections that only the first page has.
const manEnds = `.SH EXIT STATUS
.TP
.B 0
Done, or a test that passed.
.TP
.B 1
An error: nothing was measured or written, and the message says why.
.TP
.B 2
A command line that makes no sense.
.TP
.B 3
A test that failed: check, jig prove, box verify, compare, and plan where no
hookup is safe.
.TP
.B 4
A test that could not be decided: jig prove, box verify, compare.
.SH FILES
.TP
.I NAME.sweep.json
A measured curve with its uncertainty, the law of the test signal, the sense
resistor, shared errors and warnings.
.TP
.I jig.json
What "tapload jig" found of one jig and card.
.TP
.I job.toml
A job, beside the records that it names.
.TP
.I limits.toml
Limits of your own for "tapload compare".
.TP
.I bench.toml
A virtual bench: a card, a jig and a load that do not exist.
.SH ENVIRONMENT
.TP
.B TAPLOAD_PORTAUDIO
File of the sound\-card library, for a program that was built without a C
compiler and loads it when it runs.
.SH CAUTION
Valve amplifiers hold lethal voltage after switch\-off, and an open load can
damage one.
Never measure with the amplifier connected, unless the command says so.
Bridged and floating outputs must not meet a grounded sound\-card input.
Start quiet.
The amplifier maker's instructions, local codes and licensed practice come first.
`

// manPage returns the page of c in the man macros.
func manPage(c *cobra.Command, date time.Time) string {
	c.InitDefaultHelpFlag()
	var b strings.Builder
	day := ""
	if !date.IsZero() {
		day = date.Format(time.DateOnly)
	}
	fmt.Fprintf(&b, ".TH %s 1 %q tapload\n", strings.ToUpper(roff(manName(c))), day)
	b.WriteString(".nh\n.ad l\n") // a flag must not be cut in two
	fmt.Fprintf(&b, ".SH NAME\n%s \\- %s\n", roff(manName(c)), roff(lowerFirst(c.Short)))
	use := c.UseLine()
	if c.HasAvailableSubCommands() {
		use = c.CommandPath() + " COMMAND [flags]"
	}
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B %s\n", roff(use))
	b.WriteString(".SH DESCRIPTION\n")
	manText(&b, c.Long)
	manFlags(&b, "OPTIONS", c.NonInheritedFlags())
	manFlags(&b, "OPTIONS OF EVERY COMMAND", c.InheritedFlags())
	if c.Example != "" {
		b.WriteString(".SH EXAMPLES\n")
		manVerbatim(&b, c.Example)
	}
	if !c.HasParent() {
		b.WriteString(manEnds)
	}
	manSeeAlso(&b, c)
	return b.String()
}

// manName is the name of the page of c.
func manName(c *cobra.Command) string { return strings.ReplaceAll(c.CommandPath(), " ", "-") }

// lowerFirst begins a sentence as what goes on after a dash.
func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }
