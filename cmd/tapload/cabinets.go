package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/fixtures/hookup"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

// cabinetFlags are about the loads of a hookup that a command line names.
type cabinetFlags struct {
	rated, watts    pairs
	marked, drivers pairs // to find dead drivers
	resample        bool
	wantRe          bool // fit every record, whose rating is given too
}

func (o *cabinetFlags) register(f *pflag.FlagSet) {
	o.rated.unit, o.watts.unit, o.marked.unit, o.drivers.unit = "ohm", "w", "ohm", "n"
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

// cabinets are the loads of a command line.
type cabinets struct {
	loads    []hookup.Load
	re       map[string]quantity.Value // of the loads that a loudspeaker was fitted to, ohm
	dead     suspects
	warnings []impedance.Warning
}

// cabinetArg is one load of a command line.
type cabinetArg struct {
	name string // empty for a record alone
	path string // of a record or a fit; empty for a rating
	ohm  float64
}

func parseCabinet(arg string) (cabinetArg, error) {
	name, value, named := strings.Cut(arg, "=")
	if !named {
		if _, err := strconv.ParseFloat(arg, 64); err == nil {
			return cabinetArg{}, fmt.Errorf("load %q is a rating without a name; write a=%s", arg, arg)
		}
		return cabinetArg{path: arg}, nil
	}
	switch {
	case name == "":
		return cabinetArg{}, fmt.Errorf("%q: there is no name before the =", arg)
	case value == "":
		return cabinetArg{}, fmt.Errorf("%q: there is neither a file nor a rating after the =", arg)
	}
	ohm, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(value, "ohm")), 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return cabinetArg{name: name, path: value}, nil
	}
	if !(ohm > 0) || math.IsInf(ohm, 0) {
		return cabinetArg{}, fmt.Errorf("load %s: a rating of %s ohm must be a number above 0", name, value)
	}
	return cabinetArg{name: name, ohm: ohm}, nil
}

// source is a file that one or more loads stand on.
type source struct {
	path     string
	label    string
	taken    time.Time // zero where that is not known
	curve    *impedance.Curve
	fit      *keptFit       // instead of a curve, until there are frequencies for one
	ohm      float64        // rating; 0 where none was asked for
	load     fit.Result     // without Re where no loudspeaker was fitted
	min      quantity.Value // lowest |Z|, ohm; 0 as load.Re
	warnings []impedance.Warning
}

// read reads what args name. Each file is read once, so that loads with the
// same file share one curve.
func (o cabinetFlags) read(ctx context.Context, c *cobra.Command, args []string) (cabinets, error) {
	var parsed []cabinetArg
	for _, arg := range args {
		a, err := parseCabinet(arg)
		if err != nil {
			return cabinets{}, usage(c, err)
		}
		for _, b := range parsed {
			if a.name != "" && a.name == b.name {
				return cabinets{}, usage(c, fmt.Errorf("load %s is given twice; each cabinet needs a name of its own", a.name))
			}
		}
		parsed = append(parsed, a)
	}
	sources, err := o.sources(ctx, parsed)
	if err != nil {
		return cabinets{}, err
	}
	all := cabinets{re: map[string]quantity.Value{}}
	var on []*source // of each load
	for _, a := range parsed {
		l := hookup.Load{Name: a.name, RatedOhm: a.ohm}
		s := sources[fileKey(a.path)]
		if s != nil && l.Name == "" {
			if l.Name = s.label; l.Name == "" {
				return cabinets{}, usage(c, fmt.Errorf("%s has no label; write NAME=%s", a.path, a.path))
			}
		}
		if slices.ContainsFunc(all.loads, func(b hookup.Load) bool { return b.Name == l.Name }) {
			return cabinets{}, usage(c, fmt.Errorf("load %s is given twice; each cabinet needs a name of its own", l.Name))
		}
		all.loads, on = append(all.loads, l), append(on, s)
	}
	for _, given := range []struct {
		flag string
		of   map[string]float64
	}{{"--rated", o.rated.of}, {"--load-watts", o.watts.of}, {"--marked-ohm", o.marked.of}, {"--drivers", o.drivers.of}} {
		for _, name := range slices.Sorted(maps.Keys(given.of)) {
			if !slices.ContainsFunc(all.loads, func(l hookup.Load) bool { return l.Name == name }) {
				return cabinets{}, usage(c, fmt.Errorf("%s names %s, which is none of the loads", given.flag, name))
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(o.drivers.of)) {
		if err := checkDrivers(name, o.drivers.of[name]); err != nil {
			return cabinets{}, usage(c, err)
		}
	}
	if err := o.curves(all.loads, on); err != nil {
		return cabinets{}, err
	}
	var about namedWarnings
	for i := range all.loads {
		l := &all.loads[i]
		l.Watts = o.watts.of[l.Name]
		if s := on[i]; s != nil {
			l.Curve, l.RatedOhm = s.curve, s.ohm
			if s.load.Re.Value > 0 {
				all.re[l.Name] = s.load.Re
			}
			dead, err := s.deadDriver(o.marked.of[l.Name], o.drivers.of[l.Name])
			if err != nil {
				return cabinets{}, fmt.Errorf("load %s: %w", l.Name, err)
			}
			if dead != nil {
				all.dead = append(all.dead, suspect{l.Name, *dead})
			}
			about.add(l.Name, s.warnings)
		}
		if ohm := o.rated.of[l.Name]; ohm > 0 {
			l.RatedOhm = ohm
		}
	}
	all.warnings = about.list()
	return all, nil
}

// namedWarnings are warnings about loads. One that several have is said once,
// with all their names before it.
type namedWarnings []struct {
	names []string // none for one that speaks for itself
	impedance.Warning
}

func (n *namedWarnings) say(w impedance.Warning) {
	*n = append(*n, struct {
		names []string
		impedance.Warning
	}{nil, w})
}

func (n *namedWarnings) add(name string, warnings []impedance.Warning) {
	for _, w := range warnings {
		at := -1
		for i, o := range *n {
			if len(o.names) > 0 && o.Warning.Equal(w) {
				at = i
			}
		}
		if at < 0 {
			at = len(*n)
			n.say(w)
		}
		(*n)[at].names = append((*n)[at].names, name)
	}
}

func (n namedWarnings) list() []impedance.Warning {
	var all []impedance.Warning
	for _, w := range n {
		if len(w.names) > 0 {
			w.Text = strings.Join(w.names, ", ") + ": " + w.Text
		}
		all = append(all, w.Warning)
	}
	return all
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

// sources reads every file that args name, on all cores, and rates those whose
// rating was not given for every load that stands on them.
func (o cabinetFlags) sources(ctx context.Context, args []cabinetArg) (map[string]*source, error) {
	type job struct {
		key, path string
		rate, fit bool
	}
	var jobs []job
	for _, a := range args {
		if a.path == "" {
			continue
		}
		key := fileKey(a.path)
		rate := a.name == "" || o.rated.of[a.name] == 0
		fit := o.wantRe || o.marked.of[a.name] > 0 || o.drivers.of[a.name] > 0
		if i := slices.IndexFunc(jobs, func(j job) bool { return j.key == key }); i >= 0 {
			jobs[i].rate, jobs[i].fit = jobs[i].rate || rate, jobs[i].fit || fit
			continue
		}
		jobs = append(jobs, job{key, a.path, rate, fit})
	}
	all := map[string]*source{}
	err := inOrder(ctx, len(jobs), func(i int) (*source, error) { return readSource(jobs[i].path, jobs[i].key, jobs[i].rate, jobs[i].fit) },
		func(i int, s *source, err error) error {
			all[jobs[i].key] = s
			return err
		})
	return all, err
}

// readSource reads a file. A record is rated where that is wanted, and fitted
// where that is; what a fit is of is known.
func readSource(path, key string, rate, fitted bool) (*source, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	s := &source{path: path}
	if isFit(data) {
		k, err := readFit(data, "fit:"+key)
		if err != nil {
			return nil, fmt.Errorf("cannot read %s: %w", path, err)
		}
		s.fit, s.label, s.load, s.min = &k, k.object.Label, k.load, quantity.Value{Value: k.object.Min.Ohm, U: k.object.Min.U}
		s.warnings = append(s.warnings, k.object.Warnings...)
		var doubt *impedance.Warning
		if s.ohm, doubt = k.ratedOhm(); doubt != nil && rate {
			s.warnings = append(s.warnings, *doubt)
		}
		return s, nil
	}
	rec, err := readRecord(path)
	if err != nil {
		return nil, err
	}
	s.label, s.taken, s.curve, s.warnings = rec.Label, rec.Taken, &rec.Curve, rec.Warnings
	switch {
	case rate:
		if err := s.rate(rec); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
	case fitted:
		if f, err := (fitOptions{}).of(load{s.label, rec}); err == nil && f.fits() {
			s.load, s.min = f.load, f.rating.MinOhm
		}
	}
	return s, nil
}

// rate finds the rating of a record by what the fit command does.
func (s *source) rate(rec record.Record) error {
	f, err := fitOptions{}.of(load{s.label, rec})
	r := f.rating
	switch {
	case err != nil:
		s.warnings = append(s.warnings, impedance.Warning{Code: "no-fit", Text: "no loudspeaker fits the curve, which counts as it stands: " + err.Error()})
		if r, err = rating.Of(rec.Curve, fit.Result{}, rating.Options{}); err != nil {
			return fmt.Errorf("%w; give its rating with --rated", err)
		}
	case !f.fits():
		// A dummy load has no resonance to fit, and a rating all the same.
		s.warnings = f.warnings
	default:
		s.load, s.min = f.load, r.MinOhm
		// What the fit has to say of Re and Q does not matter here.
		s.warnings = nil
		if f.kk != nil {
			if w, ok := f.kk.Warning(); ok {
				s.warnings = append(s.warnings, w)
			}
		}
		s.warnings = slices.Concat(s.warnings, r.Warnings, rec.Warnings)
	}
	if s.ohm = r.Ohm; s.ohm == 0 {
		var doubt *impedance.Warning
		s.ohm, doubt = doubtfulRating(r.Candidates, r.Verdict == verdict.Undecided, r.MinOhm.Value)
		s.warnings = append(s.warnings, *doubt)
	}
	return nil
}

// deadDriver returns the likeliest explanation of s where that is a dead driver,
// by the rating that is marked on the cabinet and the number of its drivers, of
// which either may be 0 where nobody knows it, or both.
func (s *source) deadDriver(marked, drivers float64) (*rating.Explanation, error) {
	if marked == 0 && drivers == 0 || s.load.Re.Value == 0 {
		return nil, nil
	}
	could, err := rating.Explain(s.load, s.min, int(drivers), marked)
	return rating.LikelyDead(could, marked), err
}

// doubtfulRating is what a load counts as whose rating is not decided.
func doubtfulRating(candidates []float64, undecided bool, minOhm float64) (float64, *impedance.Warning) {
	least := minOhm / rating.Floor
	if undecided && len(candidates) == 2 {
		return candidates[0], &impedance.Warning{Code: "rating-undecided", Text: fmt.Sprintf(
			"may be rated %s or %s ohm, which the curve does not decide; taken as %s ohm (--rated says otherwise)",
			quantity.Ohms(candidates[0]), quantity.Ohms(candidates[1]), quantity.Ohms(candidates[0]))}
	}
	return least, &impedance.Warning{Code: "rating-too-low", Text: fmt.Sprintf(
		"too low for any usual rating; taken as %s ohm, its lowest |Z| over %g (--rated says otherwise)", quantity.Digits(least, 3), rating.Floor)}
}

// curves brings all curves onto one grid: fits onto that of the first measured
// one, and where asked for, measured ones too.
func (o cabinetFlags) curves(loads []hookup.Load, on []*source) error {
	var first *source
	var firstName string
	var grid []float64
	var measured []*source
	for i, s := range on {
		if s == nil || s.curve == nil || slices.Contains(measured, s) {
			continue
		}
		if first == nil {
			first, firstName = s, loads[i].Name
		} else if err := impedance.SameGrid(*first.curve, *s.curve); err != nil && !o.resample {
			return fmt.Errorf("loads %s and %s were measured at different frequencies: %w; --resample puts them on those of %s", firstName, loads[i].Name, err, firstName)
		}
		measured = append(measured, s)
	}
	switch {
	case first == nil:
		grid = fitGrid()
	case o.resample:
		var all []impedance.Curve
		for _, s := range measured {
			all = append(all, *s.curve)
		}
		low, high := impedance.Common(all...)
		if grid = first.curve.Within(low, high).Hz(); len(grid) == 0 {
			return fmt.Errorf("the curves have no frequency in common: one ends at %s, another begins at %s", quantity.Hz(high), quantity.Hz(low))
		}
		for _, s := range measured {
			c, err := s.curve.Resample(grid)
			if err != nil {
				return fmt.Errorf("%s: %w", s.path, err)
			}
			s.curve = &c
		}
	default:
		grid = first.curve.Hz()
	}
	for _, s := range on {
		if s == nil || s.fit == nil || s.curve != nil {
			continue
		}
		c, err := s.fit.curve(grid)
		if err != nil {
			return fmt.Errorf("%s: %w", s.path, err)
		}
		s.curve = &c
	}
	return nil
}
