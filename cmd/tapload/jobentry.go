package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fit/recone"
	"tapload/fixtures/job"
	"tapload/fixtures/keyfile"
	"tapload/measure/impedance"
	"tapload/measure/infile"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// cabinetEntry are the flags of a job's cabinet.
type cabinetEntry struct {
	record, why, serial, photo, note string
	rated, dc, marked, decided       ohms
	drivers                          int
	watts                            amount
}

func (o *cabinetEntry) register(f *pflag.FlagSet) {
	o.watts.unit = quantity.Watt
	f.StringVar(&o.record, "record", "", "`record` of the cabinet, of \"tapload sweep\"")
	f.Var(&o.rated, "rated-ohm", "its rating, where it is not measured")
	f.Var(&o.decided, "decided-ohm", "rating in place of the one that is measured")
	f.StringVar(&o.why, "why", "", "reason for --decided-ohm, in the workshop's own `words`")
	f.Var(&o.watts, "watts", "its rated power, as marked")
	f.Var(&o.dc, "dc-ohm", "what a DC meter read at its plug")
	f.Var(&o.marked, "marked-ohm", "rating marked on it, to find a dead driver; overrides nothing")
	f.IntVar(&o.drivers, "drivers", 0, "`number` of drivers in it, to find a dead one")
	f.StringVar(&o.serial, "serial", "", "`number` on it, as it is written there")
	f.StringVar(&o.photo, "photo", "", "picture of it, PNG or JPEG, a `file`")
	f.StringVar(&o.note, "note", "", "`text` about it")
}

// on returns what a cabinet is with the flags that are given, and has its files
// brought into the job.
func (o *cabinetEntry) on(c *cobra.Command, d *jobEdit, cab job.Cabinet) (job.Cabinet, error) {
	changed := c.Flags().Changed
	if changed("drivers") {
		if err := checkDrivers(cab.Label, float64(o.drivers)); err != nil {
			return cab, usage(c, err)
		}
		cab.Drivers = o.drivers
	}
	if changed("record") {
		cab = cab.Measured(cab.Record)
	}
	for _, f := range []struct {
		flag  string
		value float64
		to    *float64
	}{
		{"rated-ohm", float64(o.rated), &cab.RatedOhm}, {"decided-ohm", float64(o.decided), &cab.DecidedOhm}, {"watts", o.watts.value, &cab.Watts},
		{"dc-ohm", float64(o.dc), &cab.DCOhm}, {"marked-ohm", float64(o.marked), &cab.MarkedOhm},
	} {
		if changed(f.flag) {
			*f.to = f.value
		}
	}
	for _, f := range []struct {
		flag, value string
		to          *string
	}{{"why", o.why, &cab.DecidedWhy}, {"serial", o.serial, &cab.Serial}, {"note", o.note, &cab.Notes}} {
		if changed(f.flag) {
			*f.to = f.value
		}
	}
	hasRecord := cab.Record != "" || o.record != ""
	switch {
	case !hasRecord && cab.RatedOhm == 0:
		return cab, usage(c, errors.New("give its --record, or at least what it is marked with, --rated-ohm"))
	case (cab.MarkedOhm > 0 || cab.Drivers > 0) && !hasRecord:
		return cab, usage(c, errors.New("--marked-ohm and --drivers are held against a --record; a cabinet that is not measured has --rated-ohm alone"))
	case cab.DecidedOhm > 0 && (!hasRecord || cab.RatedOhm > 0):
		return cab, usage(c, errors.New("--decided-ohm overrules a --record, alone; a cabinet that is not measured has --rated-ohm"))
	case (cab.DecidedOhm > 0) != (strings.TrimSpace(cab.DecidedWhy) != ""):
		return cab, usage(c, errors.New("--decided-ohm and --why belong together: a decision against a measurement needs its reason"))
	}
	if changed("photo") {
		var err error
		if cab.Photo, err = d.bringPhoto(o.photo); err != nil {
			return cab, err
		}
	}
	return cab, d.retake(&cab.Record, cab.Label, o.record, true)
}

// retake puts the record at path in the place of one that the job has under a
// label, which is kept; with no path it does nothing.
func (d *jobEdit) retake(of *string, label, path string, orFit bool) error {
	if path == "" {
		return nil
	}
	in, err := d.bringRecord(path, label, orFit)
	if err != nil {
		return err
	}
	if in != *of {
		err = d.keepOld(*of, label)
	}
	*of = in
	return err
}

func (d *jobEdit) bringPhoto(path string) (string, error) {
	in, err := infile.Open(path)
	if err != nil {
		return "", fmt.Errorf("cannot read the photo %s: %w", path, plainPath(err))
	}
	defer in.Close()
	photo, err := job.ReadPhoto(in)
	if err != nil {
		return "", fmt.Errorf("--photo %s: %w", path, err)
	}
	return d.bring(path, photo.Data)
}

// proofEntry are the flags of a job's proof.
type proofEntry struct {
	seen, formula, note string
	warmer              perCabinet
}

func (o *proofEntry) register(f *pflag.FlagSet) {
	o.warmer = kelvins()
	f.StringVar(&o.seen, "seen", "", "`record` of what was measured through the boxes")
	f.StringVar(&o.formula, "hookup", "", "`formula` that the boxes are to make (default: the job's hookup)")
	f.Var(&o.warmer, "warmer", "by how much coils were warmer behind the boxes, such as cab=5")
	f.StringVar(&o.note, "note", "", "`text` about it")
}

// on is cabinetEntry.on for a proof.
func (o *proofEntry) on(c *cobra.Command, d *jobEdit, p job.Proof) (job.Proof, error) {
	if o.seen == "" && p.Seen == "" {
		return p, usage(c, errors.New("name the record of what was measured through the boxes with --seen"))
	}
	if o.warmer.any {
		return p, usage(c, fmt.Errorf("--warmer %s: name each cabinet here, such as cab=%s", o.warmer.String(), quantity.Plain(o.warmer.all)))
	}
	changed := c.Flags().Changed
	if changed("hookup") {
		p.Formula = o.formula
	}
	if changed("warmer") {
		p.WarmerK = o.warmer.of
	} else if o.seen != "" {
		p.WarmerK = nil // which was of the earlier measurement
	}
	if changed("note") {
		p.Notes = o.note
	}
	return p, d.retake(&p.Seen, p.Label, o.seen, false)
}

// driverEntry are the flags of a job's driver.
type driverEntry struct {
	before, after, limits, note string
	celsius                     [2]float64
}

func (o *driverEntry) register(f *pflag.FlagSet) {
	f.StringVar(&o.before, "before", "", "`record` before the work")
	f.StringVar(&o.after, "after", "", "`record` after the work")
	f.Float64Var(&o.celsius[0], "before-celsius", 20, "temperature of coil and room before, in `C`")
	f.Float64Var(&o.celsius[1], "after-celsius", 20, "temperature of coil and room after, in `C`")
	f.StringVar(&o.limits, "limits", "", "`file` of limits, TOML")
	f.StringVar(&o.note, "note", "", "`text` about it")
}

// on is cabinetEntry.on for a driver.
func (o *driverEntry) on(e env, c *cobra.Command, d *jobEdit, v job.Driver) (job.Driver, error) {
	if o.before == "" && v.Before == "" {
		return v, usage(c, errors.New("name its record with --before, and the one after the work with --after"))
	}
	if o.before != "" && fileKey(o.before) == fileKey(o.after) {
		return v, usage(c, fmt.Errorf("before and after are both %s; measure the driver again, after the work", o.before))
	}
	changed := c.Flags().Changed
	if changed("before-celsius") || changed("after-celsius") {
		if !changed("before-celsius") || !changed("after-celsius") {
			return v, usage(c, errors.New("give both --before-celsius and --after-celsius; one alone says nothing of the change"))
		}
		v.BeforeCelsius, v.AfterCelsius = &o.celsius[0], &o.celsius[1]
	} else if o.before != "" || o.after != "" {
		v.BeforeCelsius, v.AfterCelsius = nil, nil // which were of the earlier measurement
	}
	if changed("note") {
		v.Notes = o.note
	}
	sides := [2]string{cmp.Or(o.before, d.of.Path(v.Before)), cmp.Or(o.after, d.of.Path(v.After))}
	errs := []error{d.retake(&v.Before, v.Label+" before", o.before, false), d.retake(&v.After, v.Label+" after", o.after, false)}
	if changed("limits") {
		var err error
		v.Limits, err = d.bringLimits(o.limits)
		errs = append(errs, err)
	}
	if err := cmp.Or(errs...); err != nil {
		return v, err
	}
	if sides[1] != "" {
		if w, exchanged, err := exchanged(sides[0], sides[1]); err != nil {
			return v, err
		} else if exchanged {
			e.warn(w.Text)
		}
	}
	return v, nil
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
	data, err := infile.ReadFile(path, keyfile.MostBytes)
	if err != nil {
		return "", fmt.Errorf("cannot read limits %s: %w", path, plainPath(err))
	}
	if _, err := recone.ReadLimits(bytes.NewReader(data)); err != nil {
		return "", fmt.Errorf("%s: %w", path, err)
	}
	return d.bring(path, data)
}
