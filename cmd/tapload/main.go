// Command tapload measures loudspeaker loads with a sound card and one
// resistor.
package main

import (
	"os"

	"github.com/spf13/cobra"
)

func main() {
	cobra.MousetrapHelpText = "" // a double click on Windows opens the page, instead of being told off
	ctx := untilStopped()
	e, args, command := systemEnv(), os.Args[1:], run
	if len(args) == 0 && e.talks && ownConsole() {
		command = clicked
	}
	os.Exit(watched(ctx, args, e, command))
}
