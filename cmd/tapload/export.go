package main

import (
	"cmp"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"tapload/measure/oneline"
	"tapload/measure/record"
)

type exportOptions struct {
	out    string
	format string
}

func newExport(e env) *cobra.Command {
	var o exportOptions
	c := &cobra.Command{
		Use:   "export RECORD.sweep.json",
		Short: "Write a measured curve as CSV or Touchstone",
		Long: `Write a measured curve for other programs: CSV with the uncertainties, or
Touchstone 2.0 (one port, impedance). The format follows the name of the output
file, .csv or .s1p; --format overrides it. Without -o, or with -o -, the text
goes to standard output.`,
		Example: `  tapload export cab.sweep.json -o cab.csv
  tapload export cab.sweep.json -o cab.s1p
  tapload export cab.sweep.json --format csv`,
		Args: someArgs(1, 1, "one RECORD.sweep.json"),
		RunE: func(c *cobra.Command, args []string) error {
			write, err := o.writer()
			if err != nil {
				return usage(c, err)
			}
			args, err = labelled(e, c, args, true)
			if err != nil {
				return err
			}
			return export(e, args[0], o.out, write)
		},
	}
	f := c.Flags()
	f.StringVarP(&o.out, "output", "o", "-", "`file` to write, - for standard output")
	f.StringVar(&o.format, "format", "", "csv or touchstone, whatever the `name` of the file")
	return c
}

type recordWriter func(record.Record, io.Writer) error

// writer returns what writes the format that the flags ask for.
func (o exportOptions) writer() (recordWriter, error) {
	format := o.format
	if o.out == "-" {
		format = cmp.Or(format, "csv")
	}
	csv, err := isCSV(format, o.out, "-o "+oneline.Quote(o.out))
	if csv {
		return record.Record.WriteCSV, err
	}
	return record.Record.WriteTouchstone, err
}

// isCSV says whether a curve's file is CSV or Touchstone: as the format says, or
// without one the file's name. file is how an error names it.
func isCSV(format, path, file string) (bool, error) {
	if format == "" {
		switch strings.ToLower(filepath.Ext(path)) {
		case ".csv":
			format = "csv"
		case ".s1p", ".ts":
			format = "touchstone"
		default:
			return false, fmt.Errorf("%s: the name must end in .csv or .s1p, or --format say csv or touchstone", file)
		}
	}
	if format != "csv" && format != "touchstone" {
		return false, fmt.Errorf("--format %s: the formats are csv and touchstone", oneline.Quote(format))
	}
	return format == "csv", nil
}

func export(e env, in, out string, write recordWriter) error {
	l, err := readLoad(in)
	if err != nil {
		return err
	}
	if out == "-" {
		return write(l.record, e.stdout)
	}
	return e.write(file{Path: out, Force: true, Write: func(w io.Writer) error { return write(l.record, w) }})
}
