package main

import (
	"cmp"
	"context"
	"io"
	"maps"
	"slices"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/demo"
)

func newDemo(e env) *cobra.Command {
	folder := "demo"
	c := &cobra.Command{
		Use:   "demo",
		Short: "Do a whole invented job on the virtual bench",
		Long: `Do a whole job on the virtual bench, without any hardware: calibrate the jig,
compare a reconed driver, measure three cabinets of which one has no label and
one a wrong one, find their hookup, draw the boxes, prove a wrong one and the
right ones, and write the report. Hall, amplifier and cabinets are invented.

It leaves the job's folder, with the benches to play on. Files that an earlier
demonstration left there are replaced; any other folder that holds something is
left alone.`,
		Example: "  tapload demo",
		RunE: func(c *cobra.Command, _ []string) error {
			return demo.Do(c.Context(), e.stdout, folder, cmp.Or(e.program, "tapload"), e.inside, e.writeTexts)
		},
	}
	c.Flags().StringVarP(&folder, "output", "o", folder, "`folder` for the files")
	return c
}

// inside runs a command line whose output somebody else reads, on none of the
// user's settings.
func (e env) inside(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	e.stdout, e.stderr, e.columns, e.settings = stdout, stderr, 0, ""
	return run(ctx, args, e)
}

func (e env) writeTexts(texts map[string][]byte) error {
	var files []file
	for _, path := range slices.Sorted(maps.Keys(texts)) {
		files = append(files, whole(path, texts[path]))
	}
	return e.save(files...)
}
