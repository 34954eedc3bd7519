package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"tapload/measure/card"
)

type cardsOptions struct {
	json, verbose bool
}

func newCards(e env) *cobra.Command {
	var o cardsOptions
	c := &cobra.Command{
		Use:   "cards",
		Short: "List the sound cards",
		Long: `List the sound cards, as the sound system names them. "tapload sweep --card"
takes such a name, or a part of it that no other card has. The same card may be
listed by several interfaces of the sound system; "API: NAME" tells them apart.

Without any sound card the exit code is 1.`,
		Example: `  tapload cards
  tapload cards --json`,
		Args: noArgs,
		RunE: func(*cobra.Command, []string) error { return cards(e, o) },
	}
	c.Flags().BoolVar(&o.json, "json", false, "print the list as JSON")
	c.Flags().BoolVar(&o.verbose, "verbose", false, "also print what the sound system says of itself")
	return c
}

type cardEntry struct {
	API     string  `json:"api"`
	Name    string  `json:"name"`
	Inputs  int     `json:"inputs"`
	Outputs int     `json:"outputs"`
	RateHz  float64 `json:"rate_hz"` // the card's default
	Default bool    `json:"default"`
}

func cards(e env, o cardsOptions) error {
	infos, chatter, err := e.sound.list()
	if o.verbose && chatter != "" {
		fmt.Fprintln(e.stderr, strings.TrimRight(chatter, "\n"))
	}
	if err != nil {
		return err
	}
	list := []cardEntry{}
	for _, i := range infos {
		list = append(list, cardEntry{i.API, i.Name, i.Inputs, i.Outputs, i.DefaultRateHz, i.Default})
	}
	if o.json {
		err = writeJSON(e.stdout, map[string][]cardEntry{"cards": list})
	} else if len(list) > 0 {
		err = printCards(e.stdout, list)
	}
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return &card.Fault{Cause: card.Absent, Text: "the sound system lists no sound card",
			Advice: "connect one, or start its sound server; \"tapload cards --verbose\" shows what the sound system says"}
	}
	return nil
}

func printCards(w io.Writer, list []cardEntry) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "API\tNAME\tIN\tOUT\tRATE")
	for _, c := range list {
		mark := ""
		if c.Default {
			mark = "  default"
		}
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%.0f Hz%s\n", c.API, c.Name, c.Inputs, c.Outputs, c.RateHz, mark)
	}
	return t.Flush()
}
