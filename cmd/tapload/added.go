package main

import (
	"errors"
	"fmt"

	"github.com/spf13/pflag"

	"tapload/fit/recone"
	"tapload/measure/quantity"
)

// addedFlags say what was done to a driver for its mechanical constants: a mass
// fixed to its cone, or a closed box set on it.
type addedFlags struct {
	mass, box, diameter amount
}

// register adds the flags. with names the flag of the second record.
func (o *addedFlags) register(f *pflag.FlagSet, with string) {
	o.mass.unit, o.box.unit, o.diameter.unit = quantity.Gram, quantity.Litre, quantity.Millimetre
	f.Var(&o.mass, "added-mass-g", "mass on the cone in the sweep of "+with+", in grams")
	f.Var(&o.box, "box-l", "volume of the closed box in the sweep of "+with+", in litres")
	f.Var(&o.diameter, "diameter-mm", "diameter of the cone, middle of surround to middle of surround")
}

// any reports whether something was added.
func (o addedFlags) any() bool { return o.mass.value > 0 || o.box.value > 0 }

// check returns what is wrong with the flags. with is the flag of the second
// record, and given whether it is there.
func (o addedFlags) check(with string, given bool) error {
	switch {
	case o.mass.value > 0 && o.box.value > 0:
		return errors.New("--added-mass-g and --box-l are two methods; use one at a time")
	case o.any() && !given:
		return fmt.Errorf("name the sweep with the mass or on the box with %s RECORD%s", with, recordSuffix)
	case o.any() && o.diameter.value == 0:
		return errors.New("the driver's constants need the diameter of its cone; give --diameter-mm")
	case !o.any() && (given || o.diameter.value > 0):
		return fmt.Errorf("%s and --diameter-mm belong to --added-mass-g or --box-l; give one of those", with)
	}
	return nil
}

// Relative standard uncertainties of what is measured with scales and rulers:
// our estimates, told in the help of what uses them.
const (
	uMass     = 0.005
	uVolume   = 0.01
	uDiameter = 0.01
)

// added is what the flags say, in SI units.
func (o addedFlags) added() recone.Added {
	si := func(a amount, scale, u float64) quantity.Value {
		return quantity.Value{Value: a.value * scale, U: u * a.value * scale}
	}
	return recone.Added{Mass: si(o.mass, 1e-3, uMass), Volume: si(o.box, 1e-3, uVolume), Diameter: si(o.diameter, 1e-3, uDiameter)}
}
