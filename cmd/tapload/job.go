package main

import (
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
	"tapload/fixtures/job"
)

func newJob(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "job",
		Short: "Keep a customer's job in a folder: cabinets, hookup, proofs",
		Long: `Keep a customer's job in a folder: what was asked, the amplifier, the cabinets
with their records, the chosen hookup, the proof of its boxes, and reconed
drivers. job.toml holds it, beside the records. Edit it by hand as you like.
Whatever was measured for a job stays in its folder "records", also when another
measurement takes its place.

In such a folder, or with --job FOLDER, every command that takes loads takes the
labels of the job's cabinets, and its amplifier where no flag gives another.`,
		Example: `  tapload job new lantern-hall --reference A-17 --asked "run both cabinets" \
    --amp-name "house amplifier" --tap 4,8,16 --watts 50
  tapload job add cabinet cab --job lantern-hall --record cab.sweep.json
  tapload job status --job lantern-hall`,
	}
	c.AddCommand(newJobNew(e), newJobAdd(e), newJobReplace(e), newJobRename(e), newJobRemove(e), newJobStatus(e))
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
word, or else the folder's name; no person's name is needed. What is not known
yet can be added later.`,
		Example: `  tapload job new lantern-hall
  tapload job new lantern-hall --reference A-17 --asked "run both cabinets" \
    --amp-name "house amplifier" --tap 4,8,16 --watts 50`,
		Args: someArgs(1, 1, "the folder of the job"),
		RunE: func(c *cobra.Command, args []string) error {
			if reference == "" {
				reference = filepath.Base(fileKey(args[0]))
			}
			if strings.TrimSpace(reference) == "" {
				return usage(c, errors.New("give the job a --reference, such as the number on its ticket"))
			}
			path := filepath.Join(args[0], job.FileName)
			there := fmt.Errorf("there is a job in %s already; \"tapload job add --job %s\" adds to it", args[0], args[0])
			if isFile(path) {
				return there
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
			begun := whole(path, f.Text())
			begun.New = true // somebody else may begin one at the same time
			if err := e.save(begun); errors.Is(err, fs.ErrExist) && isFile(path) {
				return there
			} else if err != nil {
				return err
			}
			e.tell("job      " + path + ": " + reference)
			e.tell("next     " + e.asTyped("tapload sweep --card NAME --label LABEL --job "+screen.Word(args[0])))
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&reference, "reference", "", "the customer's or the workshop's `word` for the job (default: the folder's name)")
	f.StringVar(&asked, "asked", "", "what the customer wants, in a `sentence`")
	a.register(f)
	return c
}

// whole is a file of that text, in the place of any other.
func whole(path string, text []byte) file {
	return file{Path: path, Force: true, Write: func(w io.Writer) error { _, err := w.Write(text); return err }}
}
