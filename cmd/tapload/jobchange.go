package main

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
)

// repeated is a kind of entry that a job may have several of.
type repeated struct {
	kind   string
	labels func(j *job.Job) []string
}

var (
	cabinetsOf = repeated{"cabinet", func(j *job.Job) []string {
		return labelsOf(j.Cabinets, func(c job.Cabinet) string { return c.Label })
	}}
	proofsOf = repeated{"proof", func(j *job.Job) []string {
		return labelsOf(j.Proofs, func(p job.Proof) string { return p.Label })
	}}
	driversOf = repeated{"driver", func(j *job.Job) []string {
		return labelsOf(j.Drivers, func(v job.Driver) string { return v.Label })
	}}
)

func labelsOf[T any](all []T, label func(T) string) (labels []string) {
	for _, one := range all {
		labels = append(labels, label(one))
	}
	return labels
}

// find returns the number of the entry of that label.
func (r repeated) find(j *job.Job, label string) (int, error) {
	labels := r.labels(j)
	if i := slices.Index(labels, label); i >= 0 {
		return i, nil
	}
	has := "which has none"
	if len(labels) > 0 {
		has = "which has " + quantity.List(labels)
	}
	return 0, fmt.Errorf("there is no %s %s in %s, %s", r.kind, oneline.Short(label), jobPath(j), has)
}

func newJobReplace(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "replace",
		Short: "Put something else in the place of a cabinet, proof or driver",
		Long: `Put another measurement, or another word, in the place of what a job has of a
cabinet, a proof or a driver. What no flag names stays. The earlier measurement
stays in the job's folder "records".`,
		Example: `  tapload job replace cabinet cab --record small.sweep.json
  tapload job replace cabinet cab --watts 80 --serial 1187`,
	}
	replacing := func(of repeated, short, example string, put func(c *cobra.Command, d *jobEdit, i int) error) *cobra.Command {
		return &cobra.Command{
			Use: of.kind + " LABEL", Short: short, Example: example, Args: someArgs(1, 1, "the label of the "+of.kind),
			Long: paragraph(short + ". What no flag names stays as it is."),
			RunE: func(c *cobra.Command, args []string) error {
				said := false
				c.Flags().Visit(func(f *pflag.Flag) { said = said || f.Name != jobFlag })
				if !said {
					return usage(c, errors.New("say with a flag what is to be replaced"))
				}
				return changing(e, c, replaced, func(d *jobEdit) (string, error) {
					i, err := of.find(d.of, args[0])
					if err == nil {
						err = put(c, d, i)
					}
					return of.kind + " " + args[0], err
				})
			},
		}
	}
	var cab cabinetEntry
	var proof proofEntry
	var driver driverEntry
	cabinets := replacing(cabinetsOf, "Replace the measurement of a cabinet, or what is said of it", "  tapload job replace cabinet cab --record small.sweep.json",
		func(c *cobra.Command, d *jobEdit, i int) error {
			now, err := cab.on(c, d, d.of.Cabinets[i])
			d.ReplaceCabinet(i, d.of.Cabinets[i], now)
			return err
		})
	proofs := replacing(proofsOf, "Replace the measurement of a proof, or what is said of it", "  tapload job replace proof \"first try\" --seen box2.sweep.json",
		func(c *cobra.Command, d *jobEdit, i int) error {
			now, err := proof.on(c, d, d.of.Proofs[i])
			d.ReplaceProof(i, d.of.Proofs[i], now)
			return err
		})
	drivers := replacing(driversOf, "Replace a measurement of a driver, or what is said of it", "  tapload job replace driver twelve --after after.sweep.json",
		func(c *cobra.Command, d *jobEdit, i int) error {
			now, err := driver.on(e, c, d, d.of.Drivers[i])
			d.ReplaceDriver(i, d.of.Drivers[i], now)
			return err
		})
	cab.register(cabinets.Flags())
	proof.register(proofs.Flags())
	driver.register(drivers.Flags())
	c.AddCommand(cabinets, proofs, drivers)
	return c
}

func newJobRename(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "rename",
		Short: "Give a cabinet, proof or driver another label",
		Long: `Give a cabinet, proof or driver another label. A cabinet's is changed in the
formulas, too; its records keep the names of their files.`,
		Example: `  tapload job rename cabinet cab "top cab"`,
	}
	renaming := func(of repeated, example string, put func(d *jobEdit, i int, label string)) *cobra.Command {
		return &cobra.Command{
			Use: of.kind + " LABEL NEW", Short: "Give a " + of.kind + " another label", Args: someArgs(2, 2, "the label of the "+of.kind+" and the new one"),
			Long:    "Give a " + of.kind + " another label, wherever the job has it.",
			Example: "  tapload job rename " + of.kind + " " + screen.Word(example) + " new",
			RunE: func(c *cobra.Command, args []string) error {
				return changing(e, c, renamed, func(d *jobEdit) (string, error) {
					i, err := of.find(d.of, args[0])
					if err == nil {
						put(d, i, args[1])
					}
					return of.kind + " " + args[0] + " as " + args[1], err
				})
			},
		}
	}
	c.AddCommand(
		renaming(cabinetsOf, "cab", func(d *jobEdit, i int, label string) { d.RenameCabinet(d.of, i, label) }),
		renaming(proofsOf, "first try", func(d *jobEdit, i int, label string) {
			is := d.of.Proofs[i]
			is.Label = label
			d.ReplaceProof(i, d.of.Proofs[i], is)
		}),
		renaming(driversOf, "twelve", func(d *jobEdit, i int, label string) {
			is := d.of.Drivers[i]
			is.Label = label
			d.ReplaceDriver(i, d.of.Drivers[i], is)
		}))
	return c
}

func newJobRemove(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "remove",
		Short: "Take a cabinet, proof, driver, note or other part out of a job",
		Long: `Take a cabinet, a proof, a driver, a note, the hookup, the amplifier or the jig
out of a job. Measurements stay in the job's folder "records", and "tapload job
status --details" lists them.`,
		Example: `  tapload job remove cabinet cab
  tapload job remove hookup`,
	}
	removing := func(use, example string, args cobra.PositionalArgs, take func(d *jobEdit, args []string) (string, error)) *cobra.Command {
		return &cobra.Command{
			Use: use, Short: "Take it out of the job", Args: args, Example: example,
			Long: "Take it out of the job. Measurements stay in the job's folder \"records\".",
			RunE: func(c *cobra.Command, args []string) error {
				return changing(e, c, removed, func(d *jobEdit) (string, error) { return take(d, args) })
			},
		}
	}
	labelled := func(of repeated, example string, take func(d *jobEdit, i int) error) *cobra.Command {
		return removing(of.kind+" LABEL", "  tapload job remove "+of.kind+" "+screen.Word(example), someArgs(1, 1, "the label of the "+of.kind), func(d *jobEdit, args []string) (string, error) {
			i, err := of.find(d.of, args[0])
			if err == nil {
				err = take(d, i)
			}
			return of.kind + " " + args[0], err
		})
	}
	single := func(what string, has func(j *job.Job) bool, take func(d *jobEdit)) *cobra.Command {
		return removing(what, "  tapload job remove "+what, nil, func(d *jobEdit, _ []string) (string, error) {
			if !has(d.of) {
				return "", fmt.Errorf("%s names no %s, so there is nothing to remove", jobPath(d.of), what)
			}
			take(d)
			return "the " + what, nil
		})
	}
	c.AddCommand(
		labelled(cabinetsOf, "cab", func(d *jobEdit, i int) error {
			if err := unused(d.of, d.of.Cabinets[i].Label); err != nil {
				return err
			}
			d.RemoveCabinet(i)
			return d.keepOld(d.of.Cabinets[i].Record, d.of.Cabinets[i].Label)
		}),
		labelled(proofsOf, "first try", func(d *jobEdit, i int) error {
			d.RemoveProof(i)
			return d.keepOld(d.of.Proofs[i].Seen, d.of.Proofs[i].Label)
		}),
		labelled(driversOf, "twelve", func(d *jobEdit, i int) error {
			d.RemoveDriver(i)
			v := d.of.Drivers[i]
			return errors.Join(d.keepOld(v.Before, v.Label+" before"), d.keepOld(v.After, v.Label+" after"))
		}),
		single("hookup", func(j *job.Job) bool { return j.Hookup != nil }, func(d *jobEdit) { d.RemoveHookup() }),
		single("amplifier", func(j *job.Job) bool { return j.Amplifier != nil }, func(d *jobEdit) { d.RemoveAmplifier() }),
		single("jig", func(j *job.Job) bool { return j.Jig != "" }, func(d *jobEdit) { d.RemoveJig() }),
		removing("note NUMBER", "  tapload job remove note 1", someArgs(1, 1, "the number of the note, from 1, in the order of \"tapload job status\""), func(d *jobEdit, args []string) (string, error) {
			n, err := strconv.Atoi(args[0])
			if err != nil || n < 1 || n > len(d.of.Notes) {
				return "", fmt.Errorf("there is no note %s in %s, which has %d; count them from 1", args[0], jobPath(d.of), len(d.of.Notes))
			}
			d.RemoveNote(n - 1)
			return "note " + args[0] + " (" + d.of.Notes[n-1] + ")", nil
		}))
	return c
}

// unused holds a cabinet to be in no formula of the job.
func unused(j *job.Job, label string) error {
	has := func(formula string) bool {
		t, err := hookup.Parse(formula)
		return err == nil && slices.Contains(t.Leaves(), label)
	}
	if j.Hookup != nil && has(j.Hookup.Formula) {
		return fmt.Errorf("cabinet %s is in the hookup %s; choose another with \"tapload job add hookup\", or take that out first with \"tapload job remove hookup\"", label, j.Hookup.Formula)
	}
	for _, p := range j.Proofs {
		if _, warm := p.WarmerK[label]; has(p.Formula) || warm {
			return fmt.Errorf("cabinet %s is in the proof %s; take that out first with \"tapload job remove proof\"", label, p.Label)
		}
	}
	return nil
}
