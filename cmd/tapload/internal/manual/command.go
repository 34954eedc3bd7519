package manual

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

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

// commandPage returns the page of c in the man macros.
func commandPage(c *cobra.Command, date time.Time) string {
	c.InitDefaultHelpFlag()
	var b strings.Builder
	head(&b, manName(c), c.Short, date)
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

// head begins a page with its name and what it is about.
func head(b *strings.Builder, name, about string, date time.Time) {
	day := ""
	if !date.IsZero() {
		day = date.Format(time.DateOnly)
	}
	fmt.Fprintf(b, ".TH %s 1 %q tapload\n", strings.ToUpper(roff(name)), day)
	b.WriteString(".nh\n.ad l\n") // a flag must not be cut in two
	fmt.Fprintf(b, ".SH NAME\n%s \\- %s\n", roff(name), roff(lowerFirst(about)))
}

// lowerFirst begins a sentence as what goes on after a dash.
func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }
