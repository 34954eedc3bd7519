package main

import "github.com/spf13/cobra"

func newBox(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "box",
		Short: "Build the jumper boxes of a hookup and prove them right",
		Long: `Build the jumper boxes of a hookup and prove them right. "sheet" says what to
build, how to check it with a meter, and what a pulled plug does; "verify" holds
what was measured through the finished boxes against what the cabinets make.`,
		Example: `  tapload box sheet "a + b" a=left.sweep.json b=right.sweep.json --tap 4,8,16
  tapload box verify --cab left.sweep.json --cab right.sweep.json \
    --seen box.sweep.json`,
	}
	c.AddCommand(newBoxSheet(e), newBoxVerify(e))
	return c
}
