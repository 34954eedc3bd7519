// Command tapload measures loudspeaker loads with a sound card and one
// resistor.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

func main() {
	cobra.MousetrapHelpText = "" // a double click on Windows starts the guide, instead of being told off
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second Ctrl-C ends the program at once
	os.Exit(watched(ctx, os.Args[1:], systemEnv(), run))
}
