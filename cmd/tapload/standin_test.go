package main

import (
	"context"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"

	"tapload/fixtures/bench"
	"tapload/fixtures/netlist"
	"tapload/measure/card"
	"tapload/measure/card/portaudio"
	"tapload/measure/record"
)

// The folder of benches and a list of sound cards, for the program that runs with a
// stand-in for the sound system.
const (
	benchesVariable = "TAPLOAD_TEST_BENCHES"
	listingVariable = "TAPLOAD_TEST_LISTING"
)

// onStandIn is main, with a stand-in for the sound system.
func onStandIn() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	context.AfterFunc(ctx, stop)
	e := systemEnv()
	e.sound = standIn{args: os.Args[1:], benches: os.Getenv(benchesVariable), listing: os.Getenv(listingVariable)}
	os.Exit(run(ctx, os.Args[1:], e))
}

// standIn is a sound system with one card, which is a virtual bench. Its load
// is what somebody would have connected for the command line of args.
type standIn struct {
	args    []string
	benches string
	listing string // file of what it lists; "" for itself alone
}

const standInName = "USB Audio"

// list returns the stand-in, or the cards of a listing of another system.
func (s standIn) list() ([]portaudio.Info, string, error) {
	if s.listing == "" {
		own := portaudio.Device{Name: standInName, API: "stand-in", Inputs: 4, Outputs: 2, DefaultRateHz: 48000, DefaultIn: true, DefaultOut: true}
		return portaudio.Group([]portaudio.Device{own}), "", nil
	}
	data, err := os.ReadFile(s.listing)
	if err != nil {
		return nil, "", err
	}
	var devices []portaudio.Device
	err = json.Unmarshal(data, &devices)
	return portaudio.Group(devices), "", err
}

func (s standIn) open(o portaudio.Options) (soundCard, error) {
	for _, name := range []string{o.Name, o.Output} {
		if name != "" && name != standInName {
			return nil, &card.Fault{Cause: card.Absent, Text: fmt.Sprintf("the stand-in is no sound card %q", name)}
		}
	}
	b, err := s.bench()
	if err != nil {
		return nil, err
	}
	return standInCard{bench.NewSeries(b)}, nil
}

// standInCard plays on a bench, each time with noise of its own.
type standInCard struct{ *bench.Series }

func (standInCard) Close() error { return nil }

func (standInCard) Note() string { return "" }

// value returns what follows the flag on the command line, or "".
func (s standIn) value(flag string) string {
	if i := slices.Index(s.args, flag); i >= 0 && i+1 < len(s.args) {
		return s.args[i+1]
	}
	return ""
}

// number is value as a number, 0 where it is none.
func (s standIn) number(flag string) float64 {
	var v float64
	fmt.Sscanf(s.value(flag), "%g", &v)
	return v
}

// bench returns one card and one jig, whatever is measured.
func (s standIn) bench() (*bench.Bench, error) {
	b, err := bench.Load(filepath.Join(s.benches, "unmarked-cabinet.toml"))
	if err != nil {
		return nil, err
	}
	if ohm := s.number("--sense-ohm"); ohm > 0 {
		b.SenseOhm = ohm
	}
	if slices.Contains(s.args, "--amplifier-connected") {
		b.Music = bench.Music{Level: bench.DB(-9), Seed: 4, Hiss: bench.DB(-70)}
		b.Source.Ohm = 0.5
	}
	h := fnv.New64a()
	h.Write([]byte(s.measured()))
	if s.args[0] == "jig" {
		h.Write([]byte(s.args[1]))
	}
	b.Seed = h.Sum64() // no two loads share their noise
	b.Load, err = s.load(b.Load)
	return b, err
}

// measured returns the name of what is measured, as the record's.
func (s standIn) measured() string {
	if out := s.value("-o"); out != "" {
		return strings.TrimSuffix(filepath.Base(out), recordSuffix)
	}
	return record.FileName(s.value("--label"))
}

// load returns what is to be measured: the standard of a jig, a known resistor,
// or the cabinet or driver that the name of the record speaks of.
func (s standIn) load(unmarked []netlist.Branch) ([]netlist.Branch, error) {
	one := func(part netlist.Element) ([]netlist.Branch, error) {
		return []netlist.Branch{{Name: "load", From: bench.In, To: bench.Ground, Element: part}}, nil
	}
	switch {
	case slices.Contains(s.args, "open"):
		return one(netlist.Open())
	case slices.Contains(s.args, "short"):
		return one(netlist.Wire)
	case s.number("--ohm") > 0:
		return one(netlist.Resistor(s.number("--ohm")))
	case s.number("--known-ohm") > 0:
		return one(netlist.Resistor(s.number("--known-ohm")))
	}
	name := s.measured()
	base, moved, _ := strings.Cut(name, "-with-")
	if base == "d" || strings.HasPrefix(base, "member") {
		base = "driver"
	}
	switch name {
	case boxOfThree: // (left + right) || small
		return s.besideSmall("box-right")
	case "pair": // cab || small
		return s.besideSmall("unmarked-cabinet")
	}
	for _, known := range []struct{ name, bench string }{
		{"left", "sixteen-ohm-cabinet"}, {"small", "sixteen-ohm-cabinet"}, {"right", "second-sixteen-cabinet"}, {"box", "box-right"},
		{"driver", "driver-before-recone"}, {"before", "driver-before-recone"}, {"after", "driver-after-recone"},
	} {
		if strings.HasPrefix(base, known.name) {
			load, err := s.loadOf(known.bench)
			return moveResonance(load, moved, name), err
		}
	}
	return unmarked, nil
}

func (s standIn) loadOf(name string) ([]netlist.Branch, error) {
	b, err := bench.Load(filepath.Join(s.benches, name+".toml"))
	if err != nil {
		return nil, err
	}
	return b.Load, nil
}

// boxOfThree is the record of what the cabinets left, right and small make as
// (a + b) || c.
const boxOfThree = "box-of-three"

// besideSmall returns the load of a bench with the cabinet small in parallel.
func (s standIn) besideSmall(name string) ([]netlist.Branch, error) {
	load, err := s.loadOf(name)
	if err != nil {
		return nil, err
	}
	small, err := s.loadOf("sixteen-ohm-cabinet")
	if err != nil {
		return nil, err
	}
	small[0].Name = "small"
	return append(load, small...), nil
}

// moveResonance puts a mass on the cone of a driver, or the driver on a closed box: its
// resonance moves, and Qms with the impedance of what resonates. The members of
// a group are alike, but not the same.
func moveResonance(load []netlist.Branch, moved, name string) []netlist.Branch {
	by := map[string]float64{"mass": 0.85, "box": 1.4}[moved]
	if by == 0 {
		by = 1
		if n := strings.TrimPrefix(name, "member"); n != name {
			by += 0.002 * float64(n[0]-'c')
		}
	}
	for i := range load {
		d, ok := load[i].Element.(netlist.Driver)
		if !ok {
			continue
		}
		d.Resonances = slices.Clone(d.Resonances)
		for k := range d.Resonances {
			d.Resonances[k].Hz *= by
			if moved == "mass" {
				d.Resonances[k].Qm /= by
			} else {
				d.Resonances[k].Qm *= by
			}
		}
		load[i].Element = d
	}
	return load
}
