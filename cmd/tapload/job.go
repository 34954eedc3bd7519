package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fit/identify"
	"tapload/fixtures/job"
)

func newJob(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "job",
		Short: "Keep a customer's job in a folder: cabinets, hookup, proofs",
		Long: `Keep a customer's job in a folder: what was asked, the amplifier, the cabinets
with their records, the chosen hookup, the proof of its boxes, and reconed
drivers. job.toml holds it, beside the records. Edit it by hand as you like.

In such a folder, or with --job FOLDER, every command that takes loads takes the
labels of the job's cabinets, and its amplifier where no flag gives another.`,
		Example: `  tapload job new lantern-hall --reference A-17 --asked "run both cabinets" \
    --amp-name "house amplifier" --tap 4,8,16 --watts 50
  tapload job add cabinet cab --job lantern-hall --record cab.sweep.json
  tapload job status --job lantern-hall`,
	}
	c.AddCommand(newJobNew(e), newJobAdd(e), newJobStatus(e))
	return c
}

// jobAmpFlags describe a job's amplifier.
type jobAmpFlags struct {
	name string
	ampFlags
}

func (o *jobAmpFlags) register(f *pflag.FlagSet) {
	f.StringVar(&o.name, "amp-name", "", "`name` of the amplifier")
	o.registerAmplifier(f)
	// A job says nothing of jacks that nobody counted.
	o.jacks, f.Lookup("jacks").DefValue = 0, "0"
}

// described returns the amplifier of the flags, nil where they describe none.
func (o jobAmpFlags) described() (*job.Amplifier, error) {
	a := job.Amplifier{
		Name: o.name, Kind: o.kind, TapsOhm: o.taps, MinOhm: float64(o.min), Watts: o.watts.value, WattsAtOhm: float64(o.wattsAt),
		AllowLow: o.allowLow.value, AllowHigh: o.allowHigh.value, Bridged: o.bridged,
		Jacks: o.jacks, OutputOhm: float64(o.output), PrimaryOhm: float64(o.primary),
	}
	if reflect.ValueOf(a).IsZero() {
		return nil, nil
	}
	of := o.ampFlags
	if of.jacks == 0 {
		of.jacks = 1
	}
	if _, warnings, err := of.amplifier(); err != nil {
		return nil, err
	} else if len(warnings) > 0 {
		return nil, errors.New(warnings[0].Text)
	}
	return &a, nil
}

func newJobNew(e env) *cobra.Command {
	var reference, asked string
	var a jobAmpFlags
	c := &cobra.Command{
		Use:   "new FOLDER",
		Short: "Begin a job in a folder",
		Long: `Begin a job in a folder, which is made where it is not there. Nothing that is in
it is touched. The reference is the workshop's or the customer's own number or
word; no person's name is needed. What is not known yet can be added later.`,
		Example: `  tapload job new lantern-hall --reference A-17
  tapload job new lantern-hall --reference A-17 --asked "run both cabinets" \
    --amp-name "house amplifier" --tap 4,8,16 --watts 50`,
		Args: someArgs(1, 1, "the folder of the job"),
		RunE: func(c *cobra.Command, args []string) error {
			if strings.TrimSpace(reference) == "" {
				return usage(c, errors.New("give the job a --reference, such as the number on its ticket"))
			}
			path := filepath.Join(args[0], job.FileName)
			if isFile(path) {
				return fmt.Errorf("there is a job in %s already; \"tapload job add --job %s\" adds to it", args[0], args[0])
			}
			f := job.NewFile(args[0], reference, asked)
			amplifier, err := a.described()
			if err != nil {
				return usage(c, err)
			}
			if amplifier != nil {
				f.SetAmplifier(*amplifier)
			}
			if _, err := f.Check(); err != nil {
				return err
			}
			if err := os.MkdirAll(args[0], 0o777); err != nil {
				return fmt.Errorf("cannot make the folder %s: %w", args[0], plainPath(err))
			}
			if err := writeFiles(whole(path, f.Text())); err != nil {
				return err
			}
			fmt.Fprintf(e.stdout, "job      %s: %s\nnext     tapload job add cabinet LABEL --job %s --record CAB%s\n", path, reference, screen.Word(args[0]), recordSuffix)
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&reference, "reference", "", "the customer's or the workshop's `word` for the job")
	f.StringVar(&asked, "asked", "", "what the customer wants, in a `sentence`")
	a.register(f)
	return c
}

// whole is a file of that text, in the place of any other.
func whole(path string, text []byte) file {
	return file{path: path, force: true, write: func(w io.Writer) error { _, err := w.Write(text); return err }}
}

// jobEdit is a job to which something is added: its text, and the files that
// come into its folder with it.
type jobEdit struct {
	job.File
	of     *job.Job
	copies []copied
}

// copied is a file that comes into the folder, and what is in it.
type copied struct {
	file
	data []byte
}

func editJob(c *cobra.Command) (*jobEdit, error) {
	j, err := theJob(c)
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(jobPath(j))
	if err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", jobPath(j), plainPath(err))
	}
	return &jobEdit{File: job.Edit(j.Folder, text), of: j}, nil
}

// bring returns the name of a file inside the folder, and has it copied there
// where it is outside; data is what is in it.
func (d *jobEdit) bring(path string, data []byte) (string, error) {
	if in, err := filepath.Rel(fileKey(d.of.Folder), fileKey(path)); err == nil && filepath.IsLocal(in) {
		return filepath.ToSlash(in), nil
	}
	name := filepath.Base(path)
	place := filepath.Join(d.of.Folder, name)
	there, err := os.ReadFile(place)
	for _, f := range d.copies {
		if f.path == place {
			there, err = f.data, nil
		}
	}
	switch {
	case err == nil && !bytes.Equal(there, data):
		return "", fmt.Errorf("%s would be copied to %s, where another file is; rename one of them", path, place)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("cannot read %s: %w", place, plainPath(err))
	case err != nil:
		d.copies = append(d.copies, copied{whole(place, data), data})
	}
	return name, nil
}

// bringRecord is bring for a record, or for a fit where that will do.
func (d *jobEdit) bringRecord(path string, orFit bool) (string, error) {
	if path == "" {
		return "", nil
	}
	data, err := readFile(path)
	if err != nil {
		return "", err
	}
	switch {
	case identify.IsKept(data) && !orFit:
		return "", fmt.Errorf("%s is a fit, which has no noise of its own; name the record that it was made from", path)
	case identify.IsKept(data):
		if _, err = identify.ReadKept(bytes.NewReader(data), path); err != nil {
			err = fmt.Errorf("cannot read %s: %w", path, err)
		}
	default:
		_, err = decodeRecord(path, data)
	}
	if err != nil {
		return "", err
	}
	return d.bring(path, data)
}

// write brings the copies and then the text to disk, all or nothing. Only then
// are the files there for job.toml to be checked, so a job that is wrong takes
// its copies back.
func (d *jobEdit) write(e env, what string) error {
	var files []file
	for _, f := range d.copies {
		files = append(files, f.file)
	}
	if err := writeFiles(files...); err != nil {
		return err
	}
	path := jobPath(d.of)
	_, err := d.Check()
	if err == nil {
		err = writeFiles(whole(path, d.Text()))
	}
	if err != nil {
		// The job was right before, so that lines of a text that is not
		// kept would say less than what was to be added.
		if w, is := errors.AsType[*job.Wrong](err); is {
			err = fmt.Errorf("cannot add %s: %s", what, w.Fault)
		}
		for _, f := range d.copies {
			err = errors.Join(err, removeIfThere(f.path))
		}
		return err
	}
	fmt.Fprintf(e.stdout, "added    %s to %s\n", what, path)
	for _, f := range d.copies {
		fmt.Fprintf(e.stdout, "copied   %s\n", f.path)
	}
	return nil
}
