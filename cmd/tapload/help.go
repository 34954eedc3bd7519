package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// seldomUsed marks flags that a help leaves out unless --details asks for all.
const seldomUsed = "seldom used"

func seldom(f *pflag.FlagSet, names ...string) {
	for _, name := range names {
		if err := f.SetAnnotation(name, seldomUsed, []string{""}); err != nil {
			panic(err) // no such flag
		}
	}
}

// briefly prints a help by print without the flags that are seldom used, and says
// how to see them. Manual pages and shells have them all.
func briefly(e env, print func(*cobra.Command, []string)) func(*cobra.Command, []string) {
	return func(c *cobra.Command, args []string) {
		if f := c.Flags().Lookup("details"); f != nil && f.Changed {
			print(c, args)
			return
		}
		var left []*pflag.Flag
		c.Flags().VisitAll(func(f *pflag.Flag) {
			if f.Annotations[seldomUsed] != nil && !f.Hidden {
				f.Hidden, left = true, append(left, f)
			}
		})
		print(c, args)
		for _, f := range left {
			f.Hidden = false
		}
		if len(left) > 0 {
			fmt.Fprintf(e.stdout, "\n%d flags that are seldom used: %s --help --details\n", len(left), c.CommandPath())
		}
	}
}
