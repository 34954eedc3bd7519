package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fit/rating"
	"tapload/fixtures/hookup"
	"tapload/fixtures/loads"
	"tapload/measure/quantity"
)

// cabinetFlags are about the loads of a hookup that a command line names.
type cabinetFlags struct {
	rated, watts    pairs
	marked, drivers pairs // to find dead drivers
	resample        bool
	wantRe          bool // fit every record, whose rating is given too
}

func (o *cabinetFlags) register(f *pflag.FlagSet) {
	o.rated.unit, o.watts.unit, o.marked.unit = quantity.Ohm, quantity.Watt, quantity.Ohm
	f.Var(&o.rated, "rated", "ratings to use instead of those found, such as a=8,b=16")
	f.Var(&o.watts, "load-watts", "rated power of the loads, such as a=30,b=60")
	f.Var(&o.marked, "marked-ohm", "ratings marked on cabinets, to find a dead driver, such as a=8")
	f.Var(&o.drivers, "drivers", "numbers of drivers in cabinets, to find a dead one, such as a=4")
	f.BoolVar(&o.resample, "resample", false, "put curves of different frequencies on those of the first")
}

// cabinetsHelp is what the help of every command that takes loads says of them.
const cabinetsHelp = `A load is NAME=RECORD.sweep.json, NAME=FIT.json (as "tapload fit --json" prints
it), NAME=8 for a cabinet known by its rated ohms alone, or a record alone,
which is named by its label. A record may stand for several cabinets. With a job
(see "tapload job") the label of one of its cabinets is a load too.`

// checkDrivers holds x to be a number of drivers.
func checkDrivers(load string, x float64) error {
	if x != math.Trunc(x) || x < 1 || x > rating.MostDrivers {
		return fmt.Errorf("--drivers %s=%s: must be a whole number from 1 to %d, of those on one jack", load, quantity.Plain(x), rating.MostDrivers)
	}
	return nil
}

// options are what the flags say.
func (o cabinetFlags) options() (loads.Options, error) {
	drivers := map[string]int{}
	for _, name := range slices.Sorted(maps.Keys(o.drivers.of)) {
		if err := checkDrivers(name, o.drivers.of[name]); err != nil {
			return loads.Options{}, err
		}
		drivers[name] = int(o.drivers.of[name])
	}
	return loads.Options{
		RatedOhm: o.rated.of, Watts: o.watts.of, MarkedOhm: o.marked.of, Drivers: drivers,
		Fit: o.wantRe, Resample: o.resample, Key: fileKey,
	}, nil
}

// read reads what args name, or where they name none what the job does, on one
// grid. They must be the loads of the formula, if there is one.
func (o *cabinetFlags) read(e env, c *cobra.Command, args []string, formula *hookup.Tree) (loads.Set, error) {
	options, err := o.options()
	if err != nil {
		return loads.Set{}, usage(c, err)
	}
	args, err = loadsFromJob(e, c, args, formula, &options)
	if err != nil {
		return loads.Set{}, err
	}
	s, err := loads.Read(c.Context(), openFile, args, options)
	if err == nil && formula != nil {
		s, err = s.Of(*formula, true)
	}
	return s, misnamed(c, err)
}

// misnamed makes an error in how loads are named one of the command line.
func misnamed(c *cobra.Command, err error) error {
	if _, is := errors.AsType[*loads.Misnamed](err); is {
		return usage(c, err)
	}
	return err
}

// openFile opens a file for loads.
func openFile(path string) (io.ReadCloser, error) {
	data, err := readFile(path)
	return io.NopCloser(bytes.NewReader(data)), err
}

// fileKey is one for every name of a file.
func fileKey(path string) string {
	if path == "" {
		return ""
	}
	key, err := filepath.Abs(path)
	if err != nil {
		key = path
	}
	if real, err := filepath.EvalSymlinks(key); err == nil {
		key = real
	}
	return key
}
