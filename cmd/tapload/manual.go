package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/manual"
	"tapload/measure/oneline"
	"tapload/plot/report"
)

// newHelp is cobra's help for commands, and explains the topics of the manual.
func newHelp(e env) *cobra.Command {
	var topics strings.Builder
	for _, t := range manual.Topics() {
		fmt.Fprintf(&topics, "  %-11s %s\n", t.Name, t.Title)
	}
	return &cobra.Command{
		Use:   "help [TOPIC | COMMAND]",
		Short: "Explain a topic of the manual, or a command",
		Long: "Explain a topic of the manual, or a command as its --help does. The topics:\n\n" + topics.String() + `
Where a command has the name of a topic, the topic is explained.`,
		Example: `  tapload help measuring
  tapload help sweep`,
		Args: cobra.ArbitraryArgs,
		ValidArgsFunction: func(c *cobra.Command, _ []string, _ string) ([]cobra.Completion, cobra.ShellCompDirective) {
			offered := manual.Names()
			for _, sub := range c.Root().Commands() {
				if sub.IsAvailableCommand() {
					offered = append(offered, sub.Name())
				}
			}
			return offered, cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 1 {
				if t, is := manual.Find(args[0]); is {
					return t.Page().Text(e.stdout, pageColumns)
				}
			}
			of, rest, err := c.Root().Find(args)
			if err != nil || len(rest) > 0 {
				return usage(c, fmt.Errorf("there is no topic or command %s; the topics are %s", oneline.Quote(strings.Join(args, " ")), strings.Join(manual.Names(), ", ")))
			}
			of.InitDefaultHelpFlag()
			if err := of.Help(); err != nil || of.HasParent() {
				return err
			}
			_, err = fmt.Fprintf(e.stdout, "\nTopics of the manual, for \"tapload help TOPIC\":\n%s", topics.String())
			return err
		},
	}
}

func newManual(e env) *cobra.Command {
	var folder string
	c := &cobra.Command{
		Use:    "manual -o FOLDER",
		Short:  "Write the manual pages",
		Hidden: true, // "make install" is who needs it
		Long: `Write a manual page for every command and every topic into a folder, for
"man tapload", "man tapload-sweep" and "man tapload-topic-jig". The date on them
is that of the commit that the program was built from, or of SOURCE_DATE_EPOCH
(seconds since 1970) where that is set.`,
		Example: "  tapload manual -o man1",
		RunE: func(c *cobra.Command, _ []string) error {
			if folder == "" {
				return usage(c, errors.New("say where the pages go with -o FOLDER"))
			}
			date, err := builtFrom(e)
			if err != nil {
				return err
			}
			if err := os.MkdirAll(folder, 0o777); err != nil {
				return fmt.Errorf("cannot make the folder %s: %w", folder, plainPath(err))
			}
			texts := map[string][]byte{}
			for name, page := range manual.Pages(c.Root(), date) {
				texts[filepath.Join(folder, name)] = []byte(page)
			}
			return e.writeTexts(texts)
		},
	}
	c.Flags().StringVarP(&folder, "output", "o", "", "`folder` for the pages")
	return c
}

// builtFrom returns the day of the commit that the program was built from, the
// zero time where nobody knows.
func builtFrom(e env) (time.Time, error) {
	if at, err := sourceDate(e); err != nil || !at.IsZero() {
		return at, err
	}
	if at := buildSettings()["vcs.time"]; at != "" {
		return time.Parse(time.RFC3339, at)
	}
	return time.Time{}, nil
}

// sourceDate returns the time that SOURCE_DATE_EPOCH puts in place of today's in
// files, the zero time without it.
func sourceDate(e env) (time.Time, error) {
	epoch := e.getenv("SOURCE_DATE_EPOCH")
	if epoch == "" {
		return time.Time{}, nil
	}
	s, err := strconv.ParseInt(epoch, 10, 64)
	if err != nil {
		return time.Time{}, fmt.Errorf("SOURCE_DATE_EPOCH %q must be whole seconds since 1970", epoch)
	}
	return time.Unix(s, 0).UTC(), nil
}

// imprint is what the title block of a sheet made now says.
func (e env) imprint() (report.Imprint, error) {
	made, err := sourceDate(e)
	if made.IsZero() {
		made = e.now()
	}
	kept, unread := e.readSetup()
	return report.Imprint{Shop: kept.Shop, Address: kept.Address, Made: made}, errors.Join(err, unread)
}
