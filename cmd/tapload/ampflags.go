package main

import (
	"errors"
	"fmt"
	"slices"

	"github.com/spf13/pflag"

	"tapload/fixtures/amp"
	"tapload/measure/impedance"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
)

// ampFlags describe the amplifier, the cables to the cabinets and the band that
// counts, for every command that puts loads on an amplifier.
type ampFlags struct {
	taps            taps
	kind            string
	min             ohms
	watts           amount
	wattsAt         ohms
	allowLow        amount
	allowHigh       amount
	bridged         bool
	jacks           int
	primary, output ohms
	damping         amount
	awg             int
	cable           amount
	low, high       hertz
}

func (o *ampFlags) register(f *pflag.FlagSet) {
	o.cable.unit, o.damping.kind = quantity.Metre, "number"
	o.registerAmplifier(f)
	f.Var(&o.damping, "damping", "damping factor at the tap in use, instead of --output-ohm")
	f.IntVar(&o.awg, "cable-awg", 0, "wire `gauge` of the cable to each cabinet")
	f.Var(&o.cable, "cable-m", "length of the cable to each cabinet, in metres")
	f.Var(&o.low, "low", "lower end of the band that counts (default 80, or where a curve begins)")
	f.Var(&o.high, "high", "upper end of the band that counts (default 5000, or where a curve ends)")
}

// registerAmplifier registers the flags of the amplifier itself.
func (o *ampFlags) registerAmplifier(f *pflag.FlagSet) {
	o.watts.unit, o.allowLow.kind, o.allowHigh.kind = quantity.Watt, "ratio", "ratio"
	f.Var(&o.taps, "tap", "taps of a valve amplifier, such as 4,8,16")
	f.StringVar(&o.kind, "amp", "", "`kind` of output: valve or solid-state (default valve; solid-state with --amp-min-ohm)")
	f.Var(&o.min, "amp-min-ohm", "lowest load that a solid-state amplifier may drive")
	f.Var(&o.watts, "watts", "rated power of the amplifier")
	f.Var(&o.wattsAt, "watts-at-ohm", "load that a solid-state amplifier's power is rated into (default: its lowest load)")
	f.Var(&o.allowLow, "allow-low", "lowest load that the maker of a valve amplifier allows, as a ratio of the tap, such as 0.5")
	f.Var(&o.allowHigh, "allow-high", "highest load that its maker allows, as a ratio of the tap, such as 2")
	f.BoolVar(&o.bridged, "bridged", false, "the output of a solid-state amplifier is bridged: neither side is grounded")
	f.IntVar(&o.jacks, "jacks", 1, "`number` of output jacks in parallel")
	f.Var(&o.primary, "primary-ohm", "load that a valve amplifier's primary is made for, plate to plate")
	f.Var(&o.output, "output-ohm", "output resistance at the tap in use")
}

// amplifier returns what the flags describe, and what to warn of.
func (o ampFlags) amplifier() (a amp.Amplifier, warnings []impedance.Warning, err error) {
	a = amp.Amplifier{
		Watts: o.watts.value, WattsAtOhm: float64(o.wattsAt), PrimaryOhm: float64(o.primary), Jacks: o.jacks, MinOhm: float64(o.min),
		Damping: o.damping.value, Bridged: o.bridged, AllowLow: o.allowLow.value, AllowHigh: o.allowHigh.value,
	}
	switch o.kind {
	case "":
		if o.min > 0 {
			a.Kind = amp.SolidState
		}
	case amp.Valve.String():
		if o.min > 0 {
			return a, nil, errors.New("--amp-min-ohm is for a solid-state amplifier; a valve amplifier has --tap")
		}
	case amp.SolidState.String():
		a.Kind = amp.SolidState
		if o.min == 0 {
			return a, nil, errors.New("a solid-state amplifier needs the lowest load its maker allows; give --amp-min-ohm, which is marked at its output")
		}
	default:
		return a, nil, fmt.Errorf("--amp %s: must be valve or solid-state", oneline.Quote(o.kind))
	}
	if a.Kind == amp.Valve {
		if len(o.taps) == 0 {
			return a, nil, errors.New("name the amplifier's taps with --tap, such as --tap 4,8,16; they are marked at its output jacks or selector (a solid-state amplifier has --amp-min-ohm instead)")
		}
		a.TapOhm = slices.Clone(o.taps)
	} else {
		if len(o.taps) > 0 {
			warnings = append(warnings, impedance.Warning{Code: "taps-unused", Text: "--tap is not used: a solid-state amplifier has no taps, it has a lowest load"})
		}
		if o.primary > 0 {
			return a, nil, errors.New("--primary-ohm is of an output transformer, which a solid-state amplifier has not")
		}
	}
	switch {
	case o.wattsAt > 0 && o.watts.value == 0:
		return a, nil, errors.New("--watts-at-ohm says into which load --watts is rated; give both")
	case o.jacks < 1:
		return a, nil, fmt.Errorf("--jacks %d: an amplifier has 1 or more", o.jacks)
	case o.output > 0 && o.damping.value > 0:
		return a, nil, errors.New("--output-ohm and --damping are one thing; give one of them")
	case (o.awg != 0) != (o.cable.value > 0):
		return a, nil, errors.New("--cable-awg and --cable-m belong together; give both")
	case o.low > 0 && o.high > 0 && o.high <= o.low:
		return a, nil, fmt.Errorf("--high %s must be above --low %s", quantity.Hz(float64(o.high)), quantity.Hz(float64(o.low)))
	}
	if o.output > 0 {
		ohm := float64(o.output)
		a.OutputOhm = &ohm
	}
	if o.awg != 0 {
		if err := o.wire().Check(); err != nil {
			return a, nil, fmt.Errorf("--cable-awg, --cable-m: %w", err)
		}
	}
	return a, warnings, a.Check()
}

// wire is the cable to each cabinet, of no length where none is given.
func (o ampFlags) wire() amp.Wire { return amp.Wire{AWG: o.awg, Metre: o.cable.value} }

// band is where minima are sought and shares are averaged.
func (o ampFlags) band() amp.Options {
	return amp.Options{LowHz: float64(o.low), HighHz: float64(o.high), AWG: o.awg}
}

// amplifierOn is amplifier, kept to one tap unless only is 0.
func (o ampFlags) amplifierOn(only ohms) (amp.Amplifier, []impedance.Warning, error) {
	a, warnings, err := o.amplifier()
	if err == nil {
		if err = a.OnlyTap(float64(only)); err != nil {
			err = fmt.Errorf("--only-tap: %w", err)
		}
	}
	return a, warnings, err
}
