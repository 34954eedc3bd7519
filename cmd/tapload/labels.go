package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fixtures/job/findings"
	"tapload/fixtures/loads"
	"tapload/measure/impedance"
	"tapload/measure/record"
	"tapload/plot"
	"tapload/plot/report"
)

type labelsOptions struct {
	cabinetFlags

	out   string
	paper string
	by    string

	answer
}

func newLabels(e env) *cobra.Command {
	o := labelsOptions{cabinetFlags: cabinetFlags{wantRe: true}, paper: report.A4.String()}
	c := &cobra.Command{
		Use:   "labels [[NAME=]LOAD...]",
		Short: "Make labels to stick on cabinets and boxes",
		Long: `Make labels to stick on: of each cabinet what it is, its lowest |Z| with its
uncertainty, |Z| as a small curve, when it was measured and by whom; of each
jumper box of a job what plugs into it and what must never be done. They have
the size to cut, ` + fmt.Sprintf("%g x %g mm", plot.LabelWideMM, plot.LabelHighMM) + `, many on a sheet with crosses to cut through.

Without loads they are those of a job, its boxes with them.

` + cabinetsHelp,
		Example: `  tapload labels --job lantern-hall --by "bench 2"
  tapload labels left=left.sweep.json right=16 --paper letter -o labels.pdf`,
		Args: orJob(0, 1, mostLoads, "loads, such as left=left.sweep.json, or the folder of a job with --job"),
		PreRunE: checked(func() error {
			if _, err := report.ParsePaper(o.paper); err != nil {
				return fmt.Errorf("--paper: %w", err)
			}
			switch labelsFormat(o.out) {
			case ".pdf", ".html", ".svg":
				return nil
			}
			if o.out == "" {
				return nil
			}
			return fmt.Errorf("-o %s: labels are a .pdf, an .html or an .svg file", o.out)
		}),
		RunE: func(c *cobra.Command, args []string) error { return o.run(e, c, args) },
	}
	f := c.Flags()
	f.StringVarP(&o.out, "output", "o", "", "`file` to write, .pdf, .html or .svg (default labels.pdf, in the job's folder)")
	f.StringVar(&o.paper, "paper", o.paper, "`size` to print on: a4 or letter")
	f.StringVar(&o.by, "by", "", "`name` of who did the work (default: a line to write on)")
	o.cabinetFlags.register(f)
	o.answer.register(f)
	return c
}

// labelsFormat is the ending that says what labels are written as.
func labelsFormat(path string) string {
	if strings.EqualFold(filepath.Ext(path), ".svg") {
		return ".svg"
	}
	return documentFormat(path)
}

func (o *labelsOptions) run(e env, c *cobra.Command, args []string) error {
	paper, err := report.ParsePaper(o.paper)
	if err != nil {
		return err
	}
	by, err := e.imprint()
	if err != nil {
		return err
	}
	by.By = o.by
	out := o.out
	var labels report.Labels
	var warnings impedance.Warnings
	if len(args) == 0 {
		j, err := theJob(c)
		if err != nil {
			return err
		}
		found, err := findings.Of(c.Context(), j, openFile, findings.Options{Resample: o.resample})
		if err != nil {
			return err
		}
		labels, warnings = report.JobLabels(found, by, paper), found.Warnings
		if len(labels.Labels) == 0 {
			return fmt.Errorf("%s has no cabinets yet, so there is nothing to label; add one with \"tapload job add cabinet\"", jobPath(j))
		}
		if out == "" {
			out = filepath.Join(j.Folder, "labels.pdf")
		}
		if err := result(j, out); err != nil {
			return err
		}
	} else {
		set, err := o.read(e, c, args, nil)
		if err != nil {
			return err
		}
		labels, warnings = report.CabinetLabels(set.Loads, set.Found, standOn(set), by, paper), set.Warnings
		if out == "" {
			out = "labels.pdf"
		}
	}
	write := labels.PDF
	switch labelsFormat(out) {
	case ".html":
		write = labels.HTML
	case ".svg":
		write = labels.SVG
	}
	if err := e.save(file{Path: out, Force: true, Write: write}); err != nil {
		return err
	}
	return o.show(e, struct {
		report.Labels
		Files []string `json:"files"`
	}{labels, []string{out}}, labels.Document([]string{out}), warnings)
}

// standOn are the records that the loads of a set stand on, nil where one has
// none.
func standOn(set loads.Set) []*record.Record {
	all := make([]*record.Record, len(set.On))
	for i, on := range set.On {
		if on != nil {
			all[i] = on.Record
		}
	}
	return all
}
