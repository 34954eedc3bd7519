package main

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
	"tapload/fixtures/loads"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

type boxVerifyOptions struct {
	cabs    []string
	hookup  string
	seen    string
	most    ohms
	warmer  kelvins
	plastic bool

	dc        meterOhms
	dcCabs    []string
	tolerance fraction

	json bool
	out  string
}

func newBoxVerify(e env) *cobra.Command {
	o := boxVerifyOptions{most: box.MaxContactOhm, tolerance: 0.01}
	c := &cobra.Command{
		Use:   "verify --cab [NAME=]RECORD... --seen RECORD",
		Short: "Prove that the boxes of a hookup are right",
		Long: `Prove that the jumper boxes of a hookup are right: what was measured through
them is held against what the cabinets' own records make, wired right and with
every fault that the boxes, cables and plugs can have. The verdict is pass, fail
or undecided, and the exit code 0, 3 or 4.

Measure each cabinet alone, then plug all into the boxes and measure at the plug
that goes to the amplifier, all with one jig and one set of flags. Cabinets are
called a, b, c in the order given, unless NAME= says otherwise; without --hookup
they are in series in that order. A rating is no record. With a job (see
"tapload job") its hookup and the records of its cabinets count where no flags
give any, and --seen may be the label of a proof.

With a DC meter alone, --dc-ohm is what it reads through the boxes and each
--dc-cab what it reads on a cabinet; it tells less.`,
		Example: `  tapload box verify --cab left.sweep.json --cab right.sweep.json \
    --seen box.sweep.json -o proof.png
  tapload box verify --hookup "(a + b) || c" --cab a=left.sweep.json \
    --cab b=right.sweep.json --cab c=small.sweep.json --seen box.sweep.json
  tapload box verify --dc-cab 14 --dc-cab 13.6 --dc-ohm 28`,
		Args: noArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := o.fromJob(e, c); err != nil {
				return err
			}
			p, err := o.check(c.Flags())
			if err != nil {
				return usage(c, err)
			}
			if p.meter {
				return o.runMeter(e, p)
			}
			return o.run(e, p)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	f.StringArrayVar(&o.cabs, "cab", nil, "record of a cabinet alone, as `[NAME=]RECORD`; once for each cabinet")
	f.StringVar(&o.hookup, "hookup", "", "`formula` of the hookup (default: all in series)")
	f.StringVar(&o.seen, "seen", "", "`record` of what was measured through the boxes")
	f.Var(&o.most, "max-contact-ohm", "most that the joints in one cabinet's current may have together")
	f.Var(&o.warmer, "warmer", "by how much coils were warmer behind the boxes than alone, such as 20 or a=20,b=15")
	f.BoolVar(&o.plastic, "plastic", false, "the case does not conduct (default: a metal chassis)")
	f.Var(&o.dc, "dc-ohm", "what a DC meter reads through the boxes; \"open\" where it shows no ohms")
	f.StringArrayVar(&o.dcCabs, "dc-cab", nil, "what it reads on a cabinet alone, as `[NAME=]OHM`; once for each cabinet")
	f.Var(&o.tolerance, "meter-tolerance", "tolerance of the DC meter")
	f.StringVarP(&o.out, "output", "o", "", "draw the proof into this .png, .svg or .pdf `file`")
	f.BoolVar(&o.json, "json", false, "print the result as JSON")
	return c
}

// namedCab is a cabinet of the command line.
type namedCab struct {
	name string
	path string  // of its record
	ohm  float64 // or what a DC meter reads on it
}

// provedSet is what a proof is of.
type provedSet struct {
	set   box.Set
	cabs  []namedCab
	meter bool // by a DC meter alone
}

// check makes sense of the command line.
func (o *boxVerifyOptions) check(f *pflag.FlagSet) (provedSet, error) {
	var p provedSet
	p.meter = f.Changed("dc-ohm") || f.Changed("dc-cab") || f.Changed("meter-tolerance")
	for _, flag := range []string{"cab", "seen", "warmer", "output"} {
		if p.meter && f.Changed(flag) {
			return p, fmt.Errorf("--%s is about records, and --dc-ohm, --dc-cab and --meter-tolerance are for a DC meter alone; give one kind", flag)
		}
	}
	flag, args := "--cab", o.cabs
	if p.meter {
		flag, args = "--dc-cab", o.dcCabs
	}
	for i, arg := range args {
		cab, err := o.cab(i, arg, p.meter)
		if err != nil {
			return p, fmt.Errorf("%s %s: %w", flag, arg, err)
		}
		if slices.ContainsFunc(p.cabs, func(b namedCab) bool { return b.name == cab.name }) {
			return p, fmt.Errorf("%s %s: cabinet %s is given twice; each needs a name of its own", flag, arg, cab.name)
		}
		p.cabs = append(p.cabs, cab)
	}
	switch {
	case len(p.cabs) < 2:
		return p, fmt.Errorf("a box joins two cabinets or more; give %s once for each of them", flag)
	case p.meter && !f.Changed("dc-ohm"):
		return p, errors.New("say what the meter reads through the boxes with --dc-ohm 28, or --dc-ohm open")
	case !p.meter && o.seen == "":
		return p, errors.New("name the record of what was measured through the boxes with --seen box.sweep.json")
	}
	for _, cab := range p.cabs {
		if !p.meter && fileKey(cab.path) == fileKey(o.seen) {
			return p, fmt.Errorf("--seen and cabinet %s are both %s; measure once more, through the boxes", cab.name, o.seen)
		}
	}
	if err := o.picture().check(); err != nil {
		return p, err
	}
	t, err := o.tree(p.cabs, flag)
	if err != nil {
		return p, err
	}
	for _, name := range slices.Sorted(maps.Keys(o.warmer.of)) {
		if !slices.Contains(t.Leaves(), name) {
			return p, fmt.Errorf("--warmer names %s, which is none of the cabinets", name)
		}
	}
	p.set, err = box.Build(t, !o.plastic)
	return p, err
}

// cab reads cabinet number i of the command line.
func (o *boxVerifyOptions) cab(i int, arg string, meter bool) (namedCab, error) {
	name, value, named := strings.Cut(arg, "=")
	if !named {
		value, name = arg, string(rune('a'+i))
		if i >= 26 {
			return namedCab{}, errors.New("after z a cabinet needs a name; write NAME= before it")
		}
	}
	switch {
	case name == "":
		return namedCab{}, errors.New("there is no name before the =")
	case value == "":
		return namedCab{}, errors.New("there is nothing after the =")
	}
	if meter {
		var ohm ohms
		if err := ohm.Set(value); err != nil {
			return namedCab{}, fmt.Errorf("what the meter reads on cabinet %s %w", name, err)
		}
		return namedCab{name: name, ohm: float64(ohm)}, nil
	}
	if _, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(value, "ohm")), 64); err == nil {
		return namedCab{}, fmt.Errorf("cabinet %s is given by its rating, which proves nothing; measure it alone, with \"tapload sweep\"", name)
	}
	return namedCab{name: name, path: value}, nil
}

// tree returns the hookup of cabs.
func (o *boxVerifyOptions) tree(cabs []namedCab, flag string) (hookup.Tree, error) {
	if o.hookup == "" {
		var parts []hookup.Tree
		for _, cab := range cabs {
			parts = append(parts, hookup.One(cab.name))
		}
		t := hookup.InSeries(parts...)
		return t, t.Check()
	}
	t, err := hookup.Parse(o.hookup)
	if err != nil {
		return t, err
	}
	leaves := t.Leaves()
	var names []string
	for _, cab := range cabs {
		if names = append(names, cab.name); !slices.Contains(leaves, cab.name) {
			return t, fmt.Errorf("cabinet %s is given, but is not in the hookup %s; change --hookup, or its name with %s NAME=", cab.name, t, flag)
		}
	}
	for _, name := range leaves {
		if !slices.Contains(names, name) {
			return t, fmt.Errorf("cabinet %s of the hookup is not given; add %s %s=", name, flag, name)
		}
	}
	return t, nil
}

// proved is a proof from records and what its page says besides.
type proved struct {
	box.Proof
	set      box.Set
	record   record.Record // of what was measured
	most     float64       // ohm, of the joints
	warnings []impedance.Warning
}

func (o *boxVerifyOptions) picture() pictures { return asked(picture{"-o", o.out}) }

func (o *boxVerifyOptions) run(e env, p provedSet) error {
	if err := o.picture().place(); err != nil {
		return err
	}
	r, err := o.prove(p)
	if err != nil {
		return err
	}
	if err := o.picture().write(func(string) (chart, error) { return r.chart(), nil }); err != nil {
		return err
	}
	if err := show(e, o.json, r, r.warnings); err != nil {
		return err
	}
	return verdictExit(r.Verdict == verdict.Pass, r.Verdict == verdict.Fail)
}

// prove holds the record of the boxes against those of the cabinets.
func (o *boxVerifyOptions) prove(p provedSet) (proved, error) {
	cabs, seen, err := o.records(p.cabs)
	if err != nil {
		return proved{}, err
	}
	opt := box.Options{MaxContactOhm: float64(o.most), WarmerK: o.warmer.forAll(p.set.Tree.Leaves())}
	r := proved{set: p.set, record: seen, most: float64(o.most)}
	if r.Proof, err = box.Verify(p.set, cabs.Loads, seen.Curve, opt); err != nil {
		return proved{}, err
	}
	r.warnings = slices.Concat(cabs.Warnings, r.Warnings)
	return r, nil
}

func (o *boxVerifyOptions) runMeter(e env, p provedSet) error {
	r := box.Readings{Cabs: map[string]float64{}, Seen: float64(o.dc), Tolerance: float64(o.tolerance)}
	for _, cab := range p.cabs {
		r.Cabs[cab.name] = cab.ohm
	}
	d, err := box.VerifyDC(p.set, r, float64(o.most))
	if err != nil {
		return err
	}
	m := metered{d, p.set, r, float64(o.most)}
	if err := show(e, o.json, m, nil); err != nil {
		return err
	}
	return verdictExit(d.Verdict == verdict.Pass, d.Verdict == verdict.Fail)
}

// records reads the records of the cabinets and of the boxes. Cabinets with
// one file share one curve.
func (o *boxVerifyOptions) records(given []namedCab) (loads.Set, record.Record, error) {
	var all loads.Set
	var about impedance.Named
	on := map[string]record.Record{}
	curves := map[string]*impedance.Curve{}
	sharing := map[string][]string{}
	for _, cab := range given {
		key := fileKey(cab.path)
		if curves[key] == nil {
			rec, err := measured(cab.path, "a proof")
			if err != nil {
				return loads.Set{}, record.Record{}, fmt.Errorf("cabinet %s: %w", cab.name, err)
			}
			on[key], curves[key] = rec, &rec.Curve
		}
		sharing[key] = append(sharing[key], cab.name)
		all.Loads = append(all.Loads, hookup.Load{Name: cab.name, Curve: curves[key]})
		about.Add(cab.name, on[key].Warnings)
	}
	for _, cab := range given {
		if names := sharing[fileKey(cab.path)]; len(names) > 1 && names[0] == cab.name {
			about.Say(impedance.Warning{Code: "one-record", Text: fmt.Sprintf("one record stands for %s; measure each, for no two cabinets are alike", strings.Join(names, " and "))})
		}
	}
	seen, err := measured(o.seen, "a proof")
	if err != nil {
		return loads.Set{}, record.Record{}, fmt.Errorf("what was measured through the boxes: %w", err)
	}
	about.Add("through the boxes", seen.Warnings)
	all.Warnings = about.List()
	return all, seen, nil
}

// kelvins is a flag for a difference of temperature of all cabinets, "20", or
// of each, "a=20,b=15".
type kelvins struct {
	all float64
	any bool // all was given
	of  map[string]float64
}

// mostKelvin is more than any coil survives.
const mostKelvin = 200

func (k *kelvins) Set(s string) error {
	read := func(s string) (float64, error) {
		v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), "K")), 64)
		if err != nil || !(math.Abs(v) <= mostKelvin) {
			return 0, fmt.Errorf("must be a difference of at most %d K, such as 20 or a=20,b=15", mostKelvin)
		}
		return v, nil
	}
	if !strings.Contains(s, "=") {
		v, err := read(s)
		if err == nil {
			k.all, k.any = v, true
		}
		return err
	}
	of, err := withNamed(k.of, s, "must be NAME=K for each cabinet, such as a=20,b=15", read)
	if err == nil {
		k.of = of
	}
	return err
}
func (k *kelvins) Type() string { return "K" }
func (k *kelvins) String() string {
	parts := listNamed(k.of)
	if k.any {
		parts = append([]string{quantity.Plain(k.all)}, parts...)
	}
	return strings.Join(parts, ",")
}

// forAll returns the warmth of each cabinet that something was said of.
func (k kelvins) forAll(names []string) map[string]float64 {
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
	t := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), "ohm"))
	if v, err := strconv.ParseFloat(t, 64); err == nil && v == 0 {
		*o = 0
		return nil
	}
	v, err := parseQuantity(t, "ohm")
	if err != nil {
		return errors.New("must be a number of ohm such as 28, 0 or 1.5k, or \"open\"")
	}
	*o = meterOhms(v)
	return nil
}
func (o *meterOhms) Type() string { return "ohm" }
func (o *meterOhms) String() string {
	if math.IsInf(float64(*o), 1) {
		return "open"
	}
	return quantity.Plain(float64(*o))
}
