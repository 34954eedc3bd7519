package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/screen"
	"tapload/measure/card"
	"tapload/measure/card/portaudio"
	"tapload/measure/oneline"
	"tapload/plot/report"
)

type cardsOptions struct {
	verbose bool

	answer
}

func newCards(e env) *cobra.Command {
	var o cardsOptions
	c := &cobra.Command{
		Use:   "cards",
		Short: "List the sound cards",
		Long: `List the sound cards, the best to measure with first, and say what each is
for. "--card" takes such a name, or a part of it that no other card has, in any
case; both halves of the card are then used, through the best interface that
the sound system has to it. --details lists the interfaces, with the exact name
of each half: "API: NAME" takes that one.

Without any sound card the exit code is 1.`,
		Example: `  tapload cards
  tapload cards --details
  tapload cards --json`,
		RunE: func(*cobra.Command, []string) error { return cards(e, o) },
	}
	f := c.Flags()
	o.register(f)
	f.BoolVar(&o.verbose, "verbose", false, "also print what the sound system says of itself")
	return c
}

func cards(e env, o cardsOptions) error {
	infos, chatter, err := e.sound.list()
	if o.verbose && chatter != "" {
		fmt.Fprintf(e.stderr, "%s\n", oneline.HarmlessText([]byte(strings.TrimRight(chatter, "\n"))))
	}
	if err != nil {
		return err
	}
	var page report.Document
	if len(infos) > 0 {
		page = report.Cards(infos, quotedWord)
	}
	if o.json || len(infos) > 0 {
		err = o.show(e, portaudio.Cards(infos), page, nil)
	}
	if err == nil && len(infos) == 0 {
		return &card.Fault{Cause: card.Absent, Text: "the sound system lists no sound card",
			Advice: "connect one, or start its sound server; \"tapload cards --verbose\" shows what the sound system says"}
	}
	return err
}

// quotedWord quotes a name as the shells of all systems understand it, where
// there is a way.
func quotedWord(name string) string {
	if strings.ContainsAny(name, "\"$`\\!%") {
		return screen.Word(name)
	}
	return `"` + name + `"`
}
