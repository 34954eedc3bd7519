package manual

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// roffEscapes are the characters that roff takes for its own, or prints as
// others than people could type again.
var roffEscapes = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`)

// roff returns s as text of a manual page.
func roff(s string) string {
	var b strings.Builder
	for _, r := range roffEscapes.Replace(s) {
		if r > 126 {
			fmt.Fprintf(&b, `\[u%04X]`, r)
			continue
		}
		b.WriteRune(r)
	}
	if strings.HasPrefix(s, ".") { // which would begin a request
		return `\&` + b.String()
	}
	return b.String()
}

// manText writes paragraphs, those with an indented line as they stand.
func manText(b *strings.Builder, text string) {
	for i, p := range strings.Split(strings.Trim(text, "\n"), "\n\n") {
		if i > 0 {
			b.WriteString(".PP\n")
		}
		if strings.HasPrefix(p, " ") || strings.Contains(p, "\n ") || strings.Contains(p, "\t") {
			manVerbatim(b, p)
			continue
		}
		for line := range strings.Lines(p) {
			fmt.Fprintln(b, roff(strings.TrimRight(line, "\n")))
		}
	}
}

// manVerbatim writes lines that are not filled, from the left margin so that
// they fit a terminal.
func manVerbatim(b *strings.Builder, text string) {
	b.WriteString(".in 0\n.nf\n")
	for line := range strings.Lines(text) {
		fmt.Fprintln(b, roff(strings.ReplaceAll(strings.TrimRight(line, "\n"), "\t", "  ")))
	}
	b.WriteString(".fi\n.in\n")
}

func manFlags(b *strings.Builder, title string, flags *pflag.FlagSet) {
	if !flags.HasAvailableFlags() {
		return
	}
	fmt.Fprintf(b, ".SH %s\n", title)
	flags.VisitAll(func(f *pflag.Flag) {
		if f.Hidden {
			return
		}
		value, text := pflag.UnquoteUsage(f)
		b.WriteString(".TP\n")
		if f.Shorthand != "" {
			fmt.Fprintf(b, `\fB\-%s\fR, `, f.Shorthand)
		}
		fmt.Fprintf(b, `\fB\-\-%s\fR`, roff(f.Name))
		if value != "" {
			fmt.Fprintf(b, ` \fI%s\fR`, roff(value))
		}
		switch d := f.DefValue; {
		case d == "" || d == "false" || d == "0" || d == "[]":
		case strings.Contains(text, "(default"): // which says it better
		default:
			text += fmt.Sprintf(" (default %s)", d)
		}
		fmt.Fprintf(b, "\n%s\n", roff(text))
	})
}

func manSeeAlso(b *strings.Builder, c *cobra.Command) {
	var names []string
	if c.HasParent() {
		names = append(names, manName(c.Parent()))
	}
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() && sub.Name() != "help" {
			names = append(names, manName(sub))
		}
	}
	b.WriteString(".SH SEE ALSO\n")
	for i, name := range names {
		comma := ","
		if i == len(names)-1 {
			comma = ""
		}
		fmt.Fprintf(b, ".BR %s (1)%s\n", roff(name), comma)
	}
}
