package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fixtures/box"
	"tapload/fixtures/box/proof"
	"tapload/fixtures/hookup"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot/report"
)

type boxVerifyOptions struct {
	cabs     []string
	hookup   string
	seen     string
	most     ohms
	warmer   perCabinet
	cable    perCabinet
	ampCable cableOhm
	plastic  bool

	dc        meterOhms
	dcCabs    []string
	tolerance fraction

	answer
	out string
}

func newBoxVerify(e env) *cobra.Command {
	o := boxVerifyOptions{most: proof.MaxContactOhm, warmer: kelvins(), cable: cableOhms(), tolerance: 0.01}
	c := &cobra.Command{
		Use:   "verify --cab [NAME=]RECORD... --seen RECORD",
		Short: "Prove that the boxes of a hookup are right",
		Long: `Prove that the jumper boxes of a hookup are right: what was measured through
them is held against what the cabinets' own records make, wired right and with
every fault that the boxes, cables and plugs can have. The verdict is pass, fail
or undecided, and the exit code 0, 3 or 4. It passes where the joints, and what
is not known of them, keep within --max-contact-ohm, and fails where even coils
that are 5 K warmer would not explain them.

Measure each cabinet alone, then plug all into the boxes and measure at the plug
that goes to the amplifier, all with one jig and one set of flags. A rating is
no record. In --hookup a cabinet has the label of its record, or the name of its
file, or is a, b, c in the order given, unless NAME= says otherwise; without
--hookup they are in series in that order. Cables that the cabinets were
measured without count as joints, unless --cable-ohm and --amp-cable-ohm say
what they have. With a job (see "tapload job") its hookup, its cable and the
records of its cabinets count where no flags give any, and --seen may be the
label of a proof.

With a DC meter alone, --dc-ohm is what it reads through the boxes and each
--dc-cab what it reads on a cabinet; it tells less.`,
		Example: `  tapload box verify --cab left.sweep.json --cab right.sweep.json \
    --seen box.sweep.json -o proof.png
  tapload box verify --hookup "(a + b) || c" --cab a=left.sweep.json \
    --cab b=right.sweep.json --cab c=small.sweep.json --seen box.sweep.json
  tapload box verify --dc-cab 14 --dc-cab 13.6 --dc-ohm 28`,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := o.fromJob(e, c); err != nil {
				return err
			}
			p, err := o.check(c)
			if err != nil {
				return err
			}
			return o.run(c.Context(), e, p)
		},
	}
	f := c.Flags()
	f.StringArrayVar(&o.cabs, "cab", nil, "record of a cabinet alone, as `[NAME=]RECORD`; once for each cabinet")
	f.StringVar(&o.hookup, "hookup", "", "`formula` of the hookup (default: all in series)")
	f.StringVar(&o.seen, "seen", "", "`record` of what was measured through the boxes")
	f.Var(&o.most, "max-contact-ohm", "most that the joints in one cabinet's current may have together")
	f.Var(&o.warmer, "warmer", "by how much coils were warmer behind the boxes than alone, such as 20 or a=20,b=15")
	f.Var(&o.cable, "cable-ohm", "ohms of the cable from a box to a cabinet, both conductors, where the cabinet was measured without it, such as 0.2 or a=0.2,b=0.1")
	f.Var(&o.ampCable, "amp-cable-ohm", "ohms of the cable from the boxes to the amplifier's plug, both conductors")
	f.BoolVar(&o.plastic, "plastic", false, "the case does not conduct (default: a metal chassis)")
	f.Var(&o.dc, "dc-ohm", "what a DC meter reads through the boxes; \"open\" where it shows no ohms")
	f.StringArrayVar(&o.dcCabs, "dc-cab", nil, "what it reads on a cabinet alone, as `[NAME=]OHM`; once for each cabinet")
	f.Var(&o.tolerance, "meter-tolerance", "tolerance of the DC meter")
	f.StringVarP(&o.out, "output", "o", "", "draw the proof into this .png, .svg or .pdf `file`")
	alsoPlot(f, "output")
	o.answer.register(f)
	return c
}

// namedCab is a cabinet of the command line.
type namedCab struct {
	name   string // "" for one that its record names
	path   string
	record *record.Record // at path; those with one file share one
	ohm    float64        // or what a DC meter reads on it
}

// provedSet is what a proof is of.
type provedSet struct {
	set   box.Set
	cabs  []namedCab
	meter bool // by a DC meter alone
}

// check makes sense of the command line, and reads the records of its cabinets.
func (o *boxVerifyOptions) check(c *cobra.Command) (p provedSet, err error) {
	changed := c.Flags().Changed
	bad := func(format string, about ...any) (provedSet, error) { return p, usage(c, fmt.Errorf(format, about...)) }
	p.meter = changed("dc-ohm") || changed("dc-cab") || changed("meter-tolerance")
	for _, flag := range []string{"cab", "seen", "warmer", "output", "plot"} {
		if p.meter && changed(flag) {
			return bad("--%s is about records, and --dc-ohm, --dc-cab and --meter-tolerance are for a DC meter alone; give one kind", flag)
		}
	}
	flag, args := "--cab", o.cabs
	if p.meter {
		flag, args = "--dc-cab", o.dcCabs
	}
	for i, arg := range args {
		cab, err := o.cab(i, arg, p.meter)
		if err != nil {
			return bad("%s %s: %w", flag, arg, err)
		}
		p.cabs = append(p.cabs, cab)
	}
	switch {
	case len(p.cabs) < 2:
		return bad("a box joins two cabinets or more; give %s once for each of them", flag)
	case p.meter && !changed("dc-ohm"):
		return bad("say what the meter reads through the boxes with --dc-ohm 28, or --dc-ohm open")
	case !p.meter && o.seen == "":
		return bad("name the record of what was measured through the boxes with --seen box.sweep.json")
	}
	for i, cab := range p.cabs {
		if !p.meter && fileKey(cab.path) == fileKey(o.seen) {
			return bad("--seen and %s %s are both %s; measure once more, through the boxes", flag, args[i], o.seen)
		}
	}
	if err := o.picture().check(); err != nil {
		return bad("%w", err)
	}
	var t hookup.Tree
	var leaves []string
	if o.hookup != "" {
		if t, err = hookup.Parse(o.hookup); err != nil {
			return bad("%w", err)
		}
		leaves = t.Leaves()
	}
	if !p.meter {
		if err := readCabs(p.cabs); err != nil {
			return p, err
		}
	}
	nameCabs(p.cabs, leaves)
	if t, err = treeOf(p.cabs, t, flag); err != nil {
		return bad("%w", err)
	}
	for _, flag := range []string{"warmer", "cable-ohm"} {
		for _, name := range slices.Sorted(maps.Keys(map[string]perCabinet{"warmer": o.warmer, "cable-ohm": o.cable}[flag].of)) {
			if !slices.Contains(t.Leaves(), name) {
				return bad("--%s names %s, which is none of the cabinets; there are %s", flag, name, quantity.List(t.Leaves()))
			}
		}
	}
	if p.set, err = box.Build(t, !o.plastic); err != nil {
		return bad("%w", err)
	}
	return p, nil
}

// cab reads cabinet number i of the command line.
func (o *boxVerifyOptions) cab(i int, arg string, meter bool) (namedCab, error) {
	name, value, named := strings.Cut(arg, "=")
	if !named {
		value, name = arg, ""
	}
	switch {
	case named && name == "":
		return namedCab{}, errors.New("there is no name before the =")
	case value == "":
		return namedCab{}, errors.New("there is nothing after the =")
	}
	if meter {
		var ohm ohms
		if err := ohm.Set(value); err != nil {
			return namedCab{}, fmt.Errorf("what the meter reads on cabinet %s %w", cmp.Or(name, letter(i)), err)
		}
		return namedCab{name: name, ohm: float64(ohm)}, nil
	}
	if _, err := quantity.Ohm.Read(value); err == nil {
		return namedCab{}, fmt.Errorf("cabinet %s is given by its rating, which proves nothing; measure it alone, with \"tapload sweep\"", cmp.Or(name, letter(i)))
	}
	return namedCab{name: name, path: value}, nil
}

// letter is what cabinet i is called where nothing names it.
func letter(i int) string { return string(rune('a' + i%26)) }

// readCabs reads the records of cabinets, each file once.
func readCabs(cabs []namedCab) error {
	on := map[string]*record.Record{}
	for i, cab := range cabs {
		key := fileKey(cab.path)
		if on[key] == nil {
			rec, err := measured(cab.path, "a proof")
			if err != nil {
				return fmt.Errorf("cabinet %s: %w", cmp.Or(cab.name, letter(i)), err)
			}
			on[key] = &rec
		}
		cabs[i].record = on[key]
	}
	return nil
}

// nameCabs names those cabinets that the command line has not: with a hookup, by
// which of its leaves is the label of the record, with or without "(invented)",
// the name of its file or a letter; else by the label. Letters are for what has no
// name that is its own.
func nameCabs(cabs []namedCab, leaves []string) {
	taken := func(name string, before []namedCab) bool {
		return slices.ContainsFunc(before, func(b namedCab) bool { return b.name == name })
	}
	for i := range cabs {
		cab := &cabs[i]
		if cab.name != "" {
			continue
		}
		var all []string
		if cab.record != nil {
			label := cab.record.Label
			all = append(all, label, strings.TrimSpace(strings.ReplaceAll(label, "(invented)", "")), nameOf(cab.path))
		}
		all = append(all, letter(i))
		fits := func(name string) bool {
			return name != "" && !taken(name, cabs) && (len(leaves) == 0 || slices.Contains(leaves, name))
		}
		if at := slices.IndexFunc(all, fits); at >= 0 {
			cab.name = all[at]
		} else {
			cab.name = cmp.Or(all[0], letter(i))
		}
	}
}

// treeOf returns the hookup of cabs: t, or all in series where t is none.
func treeOf(cabs []namedCab, t hookup.Tree, flag string) (hookup.Tree, error) {
	var names []string
	for _, cab := range cabs {
		if slices.Contains(names, cab.name) {
			return t, fmt.Errorf("cabinet %s is given twice; each needs a name of its own, as in %s NAME=", cab.name, flag)
		}
		names = append(names, cab.name)
	}
	if len(t.Parts) == 0 && t.Load == "" {
		var parts []hookup.Tree
		for _, name := range names {
			parts = append(parts, hookup.One(name))
		}
		t = hookup.InSeries(parts...)
		return t, t.Check()
	}
	leaves := t.Leaves()
	for _, name := range names {
		if !slices.Contains(leaves, name) {
			return t, fmt.Errorf("cabinet %s is given, but is not in the hookup %s; change --hookup, or its name with %s NAME=", name, t, flag)
		}
	}
	for _, name := range leaves {
		if !slices.Contains(names, name) {
			return t, fmt.Errorf("cabinet %s of the hookup is not given; add %s %s=", name, flag, name)
		}
	}
	return t, nil
}

func (o *boxVerifyOptions) picture() pictures { return asked(picture{"-o", o.out}) }

func (o *boxVerifyOptions) run(ctx context.Context, e env, p provedSet) error {
	if err := o.picture().place(); err != nil {
		return err
	}
	r, err := o.prove(ctx, p)
	if err != nil {
		return err
	}
	if err := o.picture().write(e, func(string) (chart, error) {
		return report.ProofChart(r), nil
	}); err != nil {
		return err
	}
	return o.judge(e, r, report.BoxProof(r), r.Warnings, r.Verdict)
}

// prove works a proof out.
func (o *boxVerifyOptions) prove(ctx context.Context, p provedSet) (proof.Proof, error) {
	names := p.set.Tree.Leaves()
	about := proof.Options{MaxContactOhm: float64(o.most), WarmerK: o.warmer.forAll(names), CableOhm: o.cable.forAll(names), AmpCableOhm: float64(o.ampCable)}
	if p.meter {
		read := proof.Readings{Cabs: map[string]float64{}, Seen: float64(o.dc), Tolerance: float64(o.tolerance)}
		for _, cab := range p.cabs {
			read.Cabs[cab.name] = cab.ohm
		}
		return proof.Ohmmeter(ctx, p.set, read, about)
	}
	seen, err := measured(o.seen, "a proof")
	if err != nil {
		return proof.Proof{}, fmt.Errorf("what was measured through the boxes: %w", err)
	}
	var cabs []proof.Cabinet
	for _, cab := range p.cabs {
		cabs = append(cabs, proof.Cabinet{Name: cab.name, Record: cab.record})
	}
	return proof.Records(ctx, p.set, cabs, seen, about)
}

// perCabinet is a flag for a number of all cabinets, "20", or of each,
// "a=20,b=15".
type perCabinet struct {
	unit quantity.Unit
	must string
	good func(float64) bool

	all float64
	any bool // all was given
	of  map[string]float64
}

// kelvins is a difference of temperature of coils.
func kelvins() perCabinet {
	const most = 200 // more than any coil survives
	return perCabinet{unit: quantity.Kelvin, must: fmt.Sprintf("must be a difference of at most %d K, such as 20 or a=20,b=15", most), good: func(v float64) bool { return math.Abs(v) <= most }}
}

// cableOhms is the resistance of cables.
func cableOhms() perCabinet {
	return perCabinet{unit: quantity.Ohm, must: fmt.Sprintf("must be a number of ohm from 0 to %d, such as 0.2 or a=0.2,b=0.1", hookup.MostCableOhm), good: isCable}
}

func isCable(ohm float64) bool { return hookup.CheckCable(ohm) == nil }

// cableOhm is a flag for the resistance of one cable: "0.1".
type cableOhm float64

func (o *cableOhm) Set(s string) error {
	return setNumber((*float64)(o), s, quantity.Ohm, isCable, fmt.Sprintf("must be a number of ohm from 0 to %d, such as 0.2", hookup.MostCableOhm))
}
func (o *cableOhm) Type() string   { return "ohm" }
func (o *cableOhm) String() string { return quantity.Plain(float64(*o)) }

func (k *perCabinet) Set(s string) error {
	read := func(s string) (v float64, err error) {
		err = setNumber(&v, s, k.unit, k.good, k.must)
		return v, err
	}
	if !strings.Contains(s, "=") {
		v, err := read(s)
		if err == nil {
			k.all, k.any = v, true
		}
		return err
	}
	of, err := withNamed(k.of, s, k.must, read)
	if err == nil {
		k.of = of
	}
	return err
}
func (k *perCabinet) Type() string { return k.unit.String() }
func (k *perCabinet) String() string {
	parts := listNamed(k.of)
	if k.any {
		parts = append([]string{quantity.Plain(k.all)}, parts...)
	}
	return strings.Join(parts, ",")
}

// forAll returns the number of each cabinet that something was said of.
func (k perCabinet) forAll(names []string) map[string]float64 {
	of := map[string]float64{}
	if k.any {
		for _, name := range names {
			of[name] = k.all
		}
	}
	maps.Copy(of, k.of)
	return of
}

// meterOhms is a flag for what a DC meter reads: "28", "0", "open", "OL".
type meterOhms float64

func (o *meterOhms) Set(s string) error {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "open", "ol", "o.l", "o.l.", "inf":
		*o = meterOhms(math.Inf(1))
		return nil
	}
	return setNumber((*float64)(o), s, quantity.Ohm, func(v float64) bool { return v == 0 || v >= leastQuantity && v <= mostQuantity },
		"must be a number of ohm such as 28, 0 or 1.5k, or \"open\"")
}
func (o *meterOhms) Type() string { return "ohm" }
func (o *meterOhms) String() string {
	if math.IsInf(float64(*o), 1) {
		return "open"
	}
	return quantity.Plain(float64(*o))
}
