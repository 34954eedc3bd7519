package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/amp"
	"tapload/fixtures/job"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
)

func newJobAdd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "add",
		Short: "Add to a job: cabinet, amplifier, hookup, proof, driver, jig, note",
		Long: `Add to a job: a cabinet, the amplifier, the chosen hookup, a proof of its boxes,
a reconed driver, the jig's calibration or a note. A file outside the folder is
copied into it. What was written by hand stays as it is.`,
		Example: `  tapload job add cabinet cab --record cab.sweep.json --watts 60
  tapload job add hookup "cab || small" --tap 4
  tapload job add note "came without feet"`,
	}
	c.AddCommand(addCabinet(e), addAmplifier(e), addHookup(e), addProof(e), addDriver(e), addJig(e), addNote(e))
	return c
}

// adding is a command that adds one thing, whose argument is what, or which has
// none. fill brings it into the text and says what it is.
func adding(e env, use, short, long, example, what string, fill func(c *cobra.Command, d *jobEdit, arg string) (string, error)) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Long: long, Example: example,
		RunE: func(c *cobra.Command, args []string) error {
			return changing(e, c, added, func(d *jobEdit) (string, error) { return fill(c, d, strings.Join(args, "")) })
		},
	}
	if what != "" {
		c.Args = someArgs(1, 1, what)
	}
	return c
}

// thereAlready is the error of a label that a job has. again are the flags that
// put something else in its place.
func thereAlready(d *jobEdit, kind, label, again string) error {
	return fmt.Errorf("there is a %s %s in %s already; \"tapload job replace %s %s %s\" puts another measurement in its place and keeps the earlier one", kind, label, jobPath(d.of), kind, screen.Word(label), again)
}

// newLabel holds the label of an entry to the rules before anything is named after it.
func newLabel(kind, label string) error {
	if err := job.CheckLabel(label); err != nil {
		return fmt.Errorf("cannot add %s %s: %w", kind, oneline.Short(label), err)
	}
	return nil
}

func addCabinet(e env) *cobra.Command {
	var o cabinetEntry
	c := adding(e, "cabinet LABEL", "Add a cabinet, measured or known by its rating",
		`Add a cabinet, measured or known by its rating alone. The label is the name that
it has in formulas and on command lines. --decided-ohm overrules what a record
says, for the reason that --why gives (--rated-ohm beside a record does so, too,
without one); --watts is what the cabinet's own label says. What is marked on
it and how many drivers it has tell a dead one.`,
		`  tapload job add cabinet cab --record cab.sweep.json --watts 60
  tapload job add cabinet stage --record stage.sweep.json --marked-ohm 16 \
    --drivers 4
  tapload job add cabinet wedge --record wedge.sweep.json --decided-ohm 8 \
    --why "its maker calls it 8 ohm"
  tapload job add cabinet other --rated-ohm 16`,
		"the label of the cabinet", func(c *cobra.Command, d *jobEdit, label string) (string, error) {
			if err := newLabel("cabinet", label); err != nil {
				return "", err
			}
			if d.of.Cabinet(label) != nil {
				return "", thereAlready(d, "cabinet", label, "--record NEW"+recordSuffix)
			}
			cab, err := o.on(c, d, job.Cabinet{Label: label})
			if err == nil {
				d.AddCabinet(cab)
			}
			return "cabinet " + label, err
		})
	o.register(c.Flags())
	return c
}

func addAmplifier(e env) *cobra.Command {
	var o jobAmpFlags
	c := adding(e, "amplifier", "Add the amplifier, or put another in its place",
		`Add the amplifier as its maker marks it, or put another in the place of the one
that is there.`,
		`  tapload job add amplifier --amp-name "house amplifier" --tap 4,8,16 --watts 50
  tapload job add amplifier --amp solid-state --amp-min-ohm 4 --watts 200`,
		"", func(c *cobra.Command, d *jobEdit, _ string) (string, error) {
			a, err := o.described()
			switch {
			case err != nil:
				return "", usage(c, err)
			case a == nil:
				return "", usage(c, errors.New("say what it is: --tap 4,8,16 or --amp-min-ohm 4, and its --watts"))
			}
			d.SetAmplifier(*a)
			return "the amplifier", nil
		})
	o.register(c.Flags())
	return c
}

func addHookup(e env) *cobra.Command {
	var tap ohms
	var awg int
	cable, plug := amount{unit: quantity.Metre}, amount{unit: quantity.Millimetre}
	var plastic bool
	var why string
	c := adding(e, "hookup FORMULA", "Add the chosen hookup, or put another in its place",
		`Add the hookup that was chosen, of the labels of the job's cabinets, or put
another in the place of the one that is there. Without --tap it goes on the tap
that suits it best.`,
		`  tapload job add hookup "cab || small" --tap 4
  tapload job add hookup "(a + b) || c" --cable-awg 18 --cable-m 6 --plastic`,
		"the formula of the hookup, such as \"a || b\"", func(c *cobra.Command, d *jobEdit, formula string) (string, error) {
			if err := (amp.Wire{AWG: awg, Metre: cable.value}).Check(); err != nil {
				return "", usage(c, fmt.Errorf("--cable-awg, --cable-m: %w", err))
			}
			d.SetHookup(job.Hookup{Formula: formula, TapOhm: float64(tap), CableAWG: awg, CableM: cable.value, Plastic: plastic, PlugMM: plug.value, Why: why})
			return "the hookup " + formula, nil
		})
	f := c.Flags()
	f.Var(&tap, "tap", "tap that it goes on")
	f.StringVar(&why, "why", "", "why this one, in the workshop's own `words`")
	f.IntVar(&awg, "cable-awg", 0, "wire `gauge` of the cable to each cabinet")
	f.Var(&cable, "cable-m", "length of the cable to each cabinet, in metres")
	f.BoolVar(&plastic, "plastic", false, "the cases of the boxes do not conduct")
	f.Var(&plug, "plug-mm", "diameter of the plugs' bodies")
	return c
}

func addProof(e env) *cobra.Command {
	var o proofEntry
	c := adding(e, "proof LABEL", "Add a measurement through finished boxes",
		`Add a measurement through finished boxes. The report holds it against the
cabinets' own records, as "tapload box verify" does.`,
		`  tapload job add proof "first try" --seen box.sweep.json
  tapload job add proof "second try" --seen box2.sweep.json --warmer cab=5`,
		"a label for the proof, such as \"first try\"", func(c *cobra.Command, d *jobEdit, label string) (string, error) {
			if err := newLabel("the proof", label); err != nil {
				return "", err
			}
			if slices.ContainsFunc(d.of.Proofs, func(p job.Proof) bool { return p.Label == label }) {
				return "", thereAlready(d, "proof", label, "--seen NEW"+recordSuffix)
			}
			p := job.Proof{Label: label}
			if d.of.Hookup != nil {
				p.Formula = d.of.Hookup.Formula // another may be chosen later
			}
			p, err := o.on(c, d, p)
			if err == nil {
				d.AddProof(p)
			}
			return "the proof " + label, err
		})
	o.register(c.Flags())
	return c
}

func addDriver(e env) *cobra.Command {
	var o driverEntry
	c := adding(e, "driver LABEL", "Add a reconed driver, with its records before and after",
		`Add a reconed driver, with its records before and after; the one after the work
may come later. The report compares them, as "tapload compare" does.`,
		`  tapload job add driver twelve --before before.sweep.json \
    --after after.sweep.json --before-celsius 20 --after-celsius 22`,
		"a label for the driver", func(c *cobra.Command, d *jobEdit, label string) (string, error) {
			if err := newLabel("driver", label); err != nil {
				return "", err
			}
			if slices.ContainsFunc(d.of.Drivers, func(v job.Driver) bool { return v.Label == label }) {
				return "", thereAlready(d, "driver", label, "--after NEW"+recordSuffix)
			}
			v, err := o.on(e, c, d, job.Driver{Label: label})
			if err == nil {
				d.AddDriver(v)
			}
			return "driver " + label, err
		})
	o.register(c.Flags())
	return c
}

func addJig(e env) *cobra.Command {
	return adding(e, "jig FILE", "Add the calibration that the records were taken with",
		`Add the calibration that the records were taken with, a file of "tapload jig".`,
		`  tapload job add jig jig.json`,
		"the calibration, a jig file", func(_ *cobra.Command, d *jobEdit, path string) (string, error) {
			if _, err := readJig(path); err != nil {
				return "", err
			}
			data, err := readFile(path)
			if err != nil {
				return "", err
			}
			in, err := d.bring(path, data)
			if err != nil {
				return "", err
			}
			d.SetJig(in)
			return "the jig " + in, nil
		})
}

func addNote(e env) *cobra.Command {
	return adding(e, "note TEXT", "Add a note",
		`Add a note to the job; the report shows it.`,
		`  tapload job add note "came without feet"`,
		"the text of the note, in quotes", func(_ *cobra.Command, d *jobEdit, text string) (string, error) {
			d.AddNote(text)
			return "a note", nil
		})
}
