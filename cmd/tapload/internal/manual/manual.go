// Package manual holds the topics that "tapload help" explains, and makes manual
// pages of them and of the commands.
package manual

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tapload/plot/report"
)

// The topics, in the part of Markdown that parse reads.
//
//go:embed topics/*.md
var files embed.FS

// Topic is a chapter of the manual.
type Topic struct {
	Name   string
	Title  string
	Source string // Markdown
}

// Topics returns all topics by name.
func Topics() []Topic {
	names, err := fs.Glob(files, "topics/*.md")
	if err != nil {
		panic(err) // only for a bad pattern
	}
	var all []Topic
	for _, name := range names {
		text, err := files.ReadFile(name)
		if err != nil {
			panic(err) // it is embedded
		}
		t := Topic{Name: strings.TrimSuffix(path.Base(name), ".md"), Source: string(text)}
		title, _, _ := strings.Cut(t.Source, "\n")
		t.Title = strings.TrimPrefix(title, "# ")
		all = append(all, t)
	}
	return all
}

// Find returns the topic of a name.
func Find(name string) (Topic, bool) {
	for _, t := range Topics() {
		if t.Name == name {
			return t, true
		}
	}
	return Topic{}, false
}

// Page is t to read.
func (t Topic) Page() report.Document { return parse(t.Source) }

// Pages returns the manual pages of root with all commands below it, and of the
// topics, by the names of their files. A zero date is none.
func Pages(root *cobra.Command, date time.Time) map[string]string {
	pages := map[string]string{}
	var add func(c *cobra.Command)
	add = func(c *cobra.Command) {
		if !c.IsAvailableCommand() || c.Name() == "help" {
			return
		}
		pages[manName(c)+".1"] = commandPage(c, date)
		for _, sub := range c.Commands() {
			add(sub)
		}
	}
	add(root)
	for _, t := range Topics() {
		pages[topicName(t)+".1"] = topicPage(t, date)
	}
	return pages
}

// topicName is that of the page of t: a command may have the same name.
func topicName(t Topic) string { return "tapload-topic-" + t.Name }

func topicPage(t Topic, date time.Time) string {
	var b strings.Builder
	head(&b, topicName(t), t.Title, date)
	d := t.Page()
	b.WriteString(".SH DESCRIPTION\n" + roff(d.Lead) + "\n")
	sections(&b, d.Sections)
	b.WriteString(".SH SEE ALSO\n.BR tapload (1)\n")
	return b.String()
}

func sections(b *strings.Builder, all []report.Section) {
	for _, s := range all {
		if s.Heading != "" {
			fmt.Fprintf(b, ".SH %s\n", strings.ToUpper(roff(s.Heading)))
		}
		for i, p := range s.Pieces {
			if i > 0 || s.Heading == "" {
				b.WriteString(".PP\n")
			}
			piece(b, p)
		}
	}
}

// piece writes a piece of a topic; a table as it stands in a terminal.
func piece(b *strings.Builder, p report.Piece) {
	switch p := p.(type) {
	case report.Words:
		fmt.Fprintln(b, roff(string(p)))
	case report.Caution:
		fmt.Fprintf(b, ".B CAUTION:\n%s\n", roff(string(p)))
	case report.Points:
		for _, s := range p {
			fmt.Fprintf(b, ".IP \\(bu 2\n%s\n", roff(s))
		}
	case report.Lines:
		manVerbatim(b, strings.Join(p, "\n"))
	default:
		var text strings.Builder
		if err := (report.Document{Sections: []report.Section{{Pieces: []report.Piece{p}}}}).Text(&text, manColumns); err != nil {
			panic(err) // a Builder takes everything
		}
		manVerbatim(b, strings.Trim(text.String(), "\n"))
	}
}

// manColumns is what a terminal of 80 columns has for a page.
const manColumns = 78

// Names are those of all topics.
func Names() []string {
	var names []string
	for _, t := range Topics() {
		names = append(names, t.Name)
	}
	return names
}
