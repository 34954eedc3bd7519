package manual

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// caution ends the first page.
const caution = `.SH CAUTION
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
		files, _ := Find("files")
		sections(&b, files.Page().Sections)
		b.WriteString(caution)
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
