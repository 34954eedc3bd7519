package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fit/recone"
	"tapload/fixtures/job"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
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
			d, err := editJob(c)
			if err != nil {
				return err
			}
			added, err := fill(c, d, strings.Join(args, ""))
			if err != nil {
				return err
			}
			return d.write(e, added)
		},
	}
	if what != "" {
		c.Args = someArgs(1, 1, what)
	}
	return c
}

func addCabinet(e env) *cobra.Command {
	var record, note, why string
	var rated, dc, marked, decided ohms
	var drivers int
	watts := amount{unit: "W"}
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
			if record == "" && rated == 0 {
				return "", usage(c, errors.New("give its --record, or at least what it is marked with, --rated-ohm"))
			}
			if (marked > 0 || drivers > 0) && record == "" {
				return "", usage(c, errors.New("--marked-ohm and --drivers are held against a --record; a cabinet that is not measured has --rated-ohm alone"))
			}
			switch {
			case decided > 0 && (record == "" || rated > 0):
				return "", usage(c, errors.New("--decided-ohm overrules a --record, alone; a cabinet that is not measured has --rated-ohm"))
			case (decided > 0) != (strings.TrimSpace(why) != ""):
				return "", usage(c, errors.New("--decided-ohm and --why belong together: a decision against a measurement needs its reason"))
			}
			if c.Flags().Changed("drivers") {
				if err := checkDrivers(label, float64(drivers)); err != nil {
					return "", usage(c, err)
				}
			}
			if d.of.Cabinet(label) != nil {
				return "", fmt.Errorf("there is a cabinet %s in %s already; edit it there, or give this one another label", label, jobPath(d.of))
			}
			in, err := d.bringRecord(record, true)
			if err != nil {
				return "", err
			}
			d.AddCabinet(job.Cabinet{Label: label, Record: in, RatedOhm: float64(rated), Watts: watts.value, DCOhm: float64(dc), MarkedOhm: float64(marked), DecidedOhm: float64(decided), DecidedWhy: why, Drivers: drivers, Notes: note})
			return "cabinet " + label, nil
		})
	f := c.Flags()
	f.StringVar(&record, "record", "", "`record` of the cabinet, of \"tapload sweep\"")
	f.Var(&rated, "rated-ohm", "its rating, where it is not measured")
	f.Var(&decided, "decided-ohm", "rating in place of the one that is measured")
	f.StringVar(&why, "why", "", "reason for --decided-ohm, in the workshop's own `words`")
	f.Var(&watts, "watts", "its rated power, as marked")
	f.Var(&dc, "dc-ohm", "what a DC meter read at its plug")
	f.Var(&marked, "marked-ohm", "rating marked on it, to find a dead driver; overrides nothing")
	f.IntVar(&drivers, "drivers", 0, "`number` of drivers in it, to find a dead one")
	f.StringVar(&note, "note", "", "`text` about it")
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
	cable, plug := amount{unit: "m"}, amount{unit: "mm"}
	var plastic bool
	var why string
	c := adding(e, "hookup FORMULA", "Add the chosen hookup, or put another in its place",
		`Add the hookup that was chosen, of the labels of the job's cabinets, or put
another in the place of the one that is there. Without --tap it goes on the tap
that suits it best.`,
		`  tapload job add hookup "cab || small" --tap 4
  tapload job add hookup "(a + b) || c" --cable-awg 18 --cable-m 6 --plastic`,
		"the formula of the hookup, such as \"a || b\"", func(_ *cobra.Command, d *jobEdit, formula string) (string, error) {
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
	var seen, formula, note string
	warmer := kelvins()
	c := adding(e, "proof LABEL", "Add a measurement through finished boxes",
		`Add a measurement through finished boxes. The report holds it against the
cabinets' own records, as "tapload box verify" does.`,
		`  tapload job add proof "first try" --seen box.sweep.json
  tapload job add proof "second try" --seen box2.sweep.json --warmer cab=5`,
		"a label for the proof, such as \"first try\"", func(c *cobra.Command, d *jobEdit, label string) (string, error) {
			if seen == "" {
				return "", usage(c, errors.New("name the record of what was measured through the boxes with --seen"))
			}
			of := formula
			if of == "" && d.of.Hookup != nil {
				of = d.of.Hookup.Formula
			}
			in, err := d.bringRecord(seen, false)
			if err != nil {
				return "", err
			}
			if warmer.any {
				return "", usage(c, fmt.Errorf("--warmer %s: name each cabinet here, such as cab=%s", warmer.String(), quantity.Plain(warmer.all)))
			}
			// Kept beside the proof: another hookup may be chosen later.
			d.AddProof(job.Proof{Label: label, Seen: in, Formula: of, WarmerK: warmer.of, Notes: note})
			return "the proof " + label, nil
		})
	f := c.Flags()
	f.StringVar(&seen, "seen", "", "`record` of what was measured through the boxes")
	f.StringVar(&formula, "hookup", "", "`formula` that the boxes are to make (default: the job's hookup)")
	f.Var(&warmer, "warmer", "by how much coils were warmer behind the boxes, such as cab=5")
	f.StringVar(&note, "note", "", "`text` about it")
	return c
}

func addDriver(e env) *cobra.Command {
	var before, after, limits, note string
	var celsius [2]float64
	c := adding(e, "driver LABEL", "Add a reconed driver, with its records before and after",
		`Add a reconed driver, with its records before and after. The report compares
them, as "tapload compare" does.`,
		`  tapload job add driver twelve --before before.sweep.json \
    --after after.sweep.json --before-celsius 20 --after-celsius 22`,
		"a label for the driver", func(c *cobra.Command, d *jobEdit, label string) (string, error) {
			if before == "" || after == "" {
				return "", usage(c, errors.New("name its records with --before and --after"))
			}
			if fileKey(before) == fileKey(after) {
				return "", usage(c, fmt.Errorf("before and after are both %s; measure the driver again, after the work", before))
			}
			v := job.Driver{Label: label, Notes: note}
			var errs [3]error
			v.Before, errs[0] = d.bringRecord(before, false)
			v.After, errs[1] = d.bringRecord(after, false)
			v.Limits, errs[2] = d.bringLimits(limits)
			if err := cmp.Or(errs[0], errs[1], errs[2]); err != nil {
				return "", err
			}
			if c.Flags().Changed("before-celsius") || c.Flags().Changed("after-celsius") {
				if !c.Flags().Changed("before-celsius") || !c.Flags().Changed("after-celsius") {
					return "", usage(c, errors.New("give both --before-celsius and --after-celsius; one alone says nothing of the change"))
				}
				v.BeforeCelsius, v.AfterCelsius = &celsius[0], &celsius[1]
			}
			if w, exchanged, err := exchanged(before, after); err != nil {
				return "", err
			} else if exchanged {
				e.warn(w.Text)
			}
			d.AddDriver(v)
			return "driver " + label, nil
		})
	f := c.Flags()
	f.StringVar(&before, "before", "", "`record` before the work")
	f.StringVar(&after, "after", "", "`record` after the work")
	f.Float64Var(&celsius[0], "before-celsius", 20, "temperature of coil and room before, in `C`")
	f.Float64Var(&celsius[1], "after-celsius", 20, "temperature of coil and room after, in `C`")
	f.StringVar(&limits, "limits", "", "`file` of limits, TOML")
	f.StringVar(&note, "note", "", "`text` about it")
	return c
}

// exchanged is recone.Exchanged for two files.
func exchanged(before, after string) (w impedance.Warning, found bool, err error) {
	var recs [2]record.Record
	for i, path := range []string{before, after} {
		if recs[i], err = readRecord(path); err != nil {
			return w, false, err
		}
	}
	w, found = recone.Exchanged(recs[0], recs[1])
	return w, found, nil
}

func (d *jobEdit) bringLimits(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("cannot read limits %s: %w", path, plainPath(err))
	}
	if _, err := recone.ReadLimits(bytes.NewReader(data)); err != nil {
		return "", fmt.Errorf("limits %s: %w", path, err)
	}
	return d.bring(path, data)
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
