package main

import "github.com/spf13/cobra"

func newBox(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "box",
		Short: "Build the jumper boxes of a hookup and prove them right",
		Args:  noArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newBoxSheet(e), newBoxVerify(e))
	return c
}
