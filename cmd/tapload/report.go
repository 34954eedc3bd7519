package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fixtures/job"
	"tapload/fixtures/job/findings"
	"tapload/measure/oneline"
	"tapload/plot/report"
)

type reportOptions struct {
	out      []string
	paper    string
	by       string
	resample bool
	answer
}

func newReport(e env) *cobra.Command {
	o := reportOptions{paper: report.A4.String()}
	c := &cobra.Command{
		Use:   "report",
		Short: "Write the job sheet: a page for the customer, and the bench record",
		Long: `Write the job sheet of a job's folder: a first page for the customer in plain
words (what was asked, each cabinet against its label, the cables, the tap, a
place to sign), and the bench record with each load, the chosen hookup and why,
the power shared, what a pulled plug does, the boxes, their proof and reconed
drivers.
Every number is worked out anew from the records in the folder.

It is one HTML file that needs no other and no network, and the same as PDF;
without -o they are report.html and report.pdf in the job's folder.`,
		Example: `  tapload report
  tapload report --job lantern-hall --paper letter
  tapload report -o hall.pdf -o hall.txt`,
		RunE: func(c *cobra.Command, _ []string) error {
			paper, err := report.ParsePaper(o.paper)
			if err != nil {
				return usage(c, fmt.Errorf("--paper: %w", err))
			}
			for _, path := range o.out {
				if documentFormat(path) == "" {
					return usage(c, fmt.Errorf("-o %s: must end in .html, .pdf or .txt", oneline.Quote(path)))
				}
			}
			j, err := theJob(c)
			if err != nil {
				return err
			}
			return o.run(c.Context(), e, j, paper)
		},
	}
	f := c.Flags()
	f.StringArrayVarP(&o.out, "output", "o", nil, "`file` to write, .html, .pdf or .txt; once for each")
	f.StringVar(&o.paper, "paper", o.paper, "`size` to print on: a4 or letter")
	f.StringVar(&o.by, "by", "", "`name` of who did the work (default: left to be written)")
	f.BoolVar(&o.resample, "resample", false, "put curves of different frequencies on those of the first")
	o.answer.register(f)
	return c
}

// documentFormat is the ending that says what a document is written as; "" for
// none.
func documentFormat(path string) string {
	switch ending := strings.ToLower(filepath.Ext(path)); ending {
	case ".pdf", ".html", ".txt":
		return ending
	case ".htm":
		return ".html"
	}
	return ""
}

// documentFile is d in the format of the file's name.
func documentFile(ctx context.Context, d report.Document, path string, paper report.Paper) file {
	return file{Path: path, Force: true, Write: func(w io.Writer) error {
		switch documentFormat(path) {
		case ".pdf":
			return d.PDF(ctx, w, paper)
		case ".txt":
			return d.Text(w, pageColumns)
		}
		return d.HTML(ctx, w, paper)
	}}
}

func (o reportOptions) run(ctx context.Context, e env, j *job.Job, paper report.Paper) error {
	out := o.out
	if len(out) == 0 {
		out = []string{filepath.Join(j.Folder, "report.html"), filepath.Join(j.Folder, "report.pdf")}
	}
	for _, path := range out {
		if err := result(j, path); err != nil {
			return err
		}
		if err := (file{Path: path, Force: true}).Check(); err != nil {
			return err
		}
	}
	found, err := findings.Of(ctx, j, openFile, findings.Options{Resample: o.resample})
	if err != nil {
		return err
	}
	by, err := e.imprint()
	if err != nil {
		return err
	}
	by.By = o.by
	v := readVersion()
	d := report.Job(found, by, fmt.Sprintf("tapload %s, commit %s", v.Version, v.Commit))
	var files []file
	for _, path := range out {
		files = append(files, documentFile(ctx, d, path, paper))
	}
	if err := e.save(files...); err != nil {
		return err
	}
	// On a terminal the answer alone, and where the rest of it is.
	answer := report.Document{Lead: d.Lead, Sections: []report.Section{{Pieces: []report.Piece{report.Table{Rows: [][]string{{"written", strings.Join(out, ", ")}}}}}}}
	if o.details {
		answer.Sections = append(answer.Sections, d.Sections...)
	} else {
		answer.Sections = append(answer.Sections, report.Section{Heading: "the whole sheet", Details: true})
	}
	return o.show(e, struct {
		findings.Object
		Files []string `json:"files"`
	}{found.Object(), out}, answer, found.Warnings)
}
