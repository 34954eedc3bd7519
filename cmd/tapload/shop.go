package main

import (
	"github.com/spf13/cobra"

	"tapload/fixtures/job/shop"
	"tapload/plot/report"
)

func newShop(e env) *cobra.Command {
	var o answer
	var like string
	c := &cobra.Command{
		Use:   "shop [FOLDER]",
		Short: "List the jobs of the workshop, and find what was seen before",
		Long: `List the jobs in and below a folder, newest first, with their cabinets; without
one, below the current folder. With --like it says whether a cabinet like that
of a record was measured for one of them before, by how far the curves are
apart; measurements that are no longer in use count, too.`,
		Example: `  tapload shop
  tapload shop --like cab.sweep.json`,
		Args: someArgs(0, 1, "the folder to look in"),
		RunE: func(c *cobra.Command, args []string) error {
			folder := "."
			if len(args) > 0 {
				folder = args[0]
			}
			if like == "" {
				s, err := shop.Look(c.Context(), folder, openFile)
				if err != nil {
					return err
				}
				return o.show(e, s, report.Shop(s), s.Warnings)
			}
			paths, err := labelled(e, c, []string{like}, false)
			if err != nil {
				return err
			}
			rec, err := measured(paths[0], "a search for its like")
			if err != nil {
				return err
			}
			s, err := shop.Look(c.Context(), folder, openFile)
			if err != nil {
				return err
			}
			if err := s.FindLike(c.Context(), rec, paths[0]); err != nil {
				return err
			}
			return o.show(e, s, report.Shop(s), s.Warnings)
		},
	}
	f := c.Flags()
	f.StringVar(&like, "like", "", "`record` whose like is looked for")
	o.register(f)
	return c
}
