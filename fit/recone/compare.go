package recone

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

// FamilyRate is how often one or more of all the changes of a comparison are
// called significant where nothing changed, at most (method of Holm, 1979).
const FamilyRate = 0.05

// Options steers a comparison. The zero value of a field takes its default.
type Options struct {
	Limits Limits // default DefaultLimits()
	Added  Added  // what was done to both sides that are Moved
}

// Compare holds the driver after against the driver before. What is said of their
// records goes before what is said of the comparison; what scrapes or is loose after
// and was not before fails, whatever the limits say.
//
// A change is worked out of the difference of the two curves: by how much the
// load that was fitted to one must be changed to make up for it. What that load
// lacks is in both curves and cancels, as does a source that both share by its
// ID, such as one sense resistor, as far as it moves them alike. Re and what
// depends on it is corrected to 20 C where the temperature of both sides is known
// (copper). Where no change of the load makes up for the difference, the two fits
// are subtracted, and a warning asks whether both are one driver.
//
// Where both sides were measured with one mass or box too, their mechanical
// constants are compared; that mass or box and the diameter cancel in a change.
//
// Where ctx ends, that is its error.
func Compare(ctx context.Context, before, after Side, o Options) (Comparison, error) {
	c := Comparison{Before: before.Label, After: after.Label, Invented: before.Invented() || after.Invented(), OwnLimits: o.Limits != nil}
	sides := [2]Side{before, after}
	for _, s := range sides {
		if err := s.checkAll(); err != nil {
			return Comparison{}, err
		}
	}
	limits := o.Limits
	if limits == nil {
		limits = DefaultLimits()
	}
	if o.Added.Any() {
		c.Added = o.Added
	}
	c.heard(sides)
	warm, warmer := c.warmth(&sides)
	curves, err := c.curves(sides, warm)
	if err != nil {
		return Comparison{}, err
	}
	found, err := c.outcomeOf(ctx, sides, curves, warm)
	if err != nil {
		return Comparison{}, err
	}

	now := found.read(found.changes())
	chances := c.list(found, now, limits)
	worst, chance := c.beside(sides, curves, found.scatter, limits["curve"])
	c.Worst = worst
	c.judge(append(chances, chance))

	all := explanation{without: now, hasLe: found.plain.hasLe, boxed: boxed(before.Load, after.Load), mechanical: found.mechanical != nil, warmer: warmer, beyondDoubt: c.beyondDoubt()}
	if found.loose != nil {
		all.without, all.with, all.part = found.read(found.plain), now, &found.part
	}
	c.Causes = all.list()
	if c.Verdict == verdict.Pass {
		c.Causes = within(c.Causes, c.Changes)
	}
	c.loosened(all.part)
	c.scraping(before, after)
	return c, nil
}

func (c *Comparison) warn(code, format string, args ...any) {
	c.Warnings = append(c.Warnings, impedance.Warning{Code: code, Text: fmt.Sprintf(format, args...)})
}

// heard takes what the records of both sides say, and whether they are likely to
// be exchanged.
func (c *Comparison) heard(sides [2]Side) {
	before, after := sides[0], sides[1]
	c.Warnings = append(before.warnings("before", c.Added), after.warnings("after", c.Added)...)
	if before.Record == nil || after.Record == nil {
		return
	}
	var w impedance.Warning
	if w, c.Exchanged = Exchanged(*before.Record, *after.Record); c.Exchanged {
		c.Warnings = append(c.Warnings, w)
	}
}

// warmth returns by how many kelvin the coil of each side is above the reference
// temperature, and that of after above that of before; 0 and nil where one of them
// is not known, which is then forgotten of the other.
func (c *Comparison) warmth(sides *[2]Side) (warm [2]float64, warmer *float64) {
	before, after := sides[0].Celsius, sides[1].Celsius
	switch {
	case before != nil && after != nil:
		warm = [2]float64{*before - reference, *after - reference}
		d := warm[1] - warm[0]
		return warm, &d
	case before != nil || after != nil:
		c.warn("temperature-of-one", "the temperature of one side alone is known, so Re is compared as it was measured: give both")
		sides[0].Celsius, sides[1].Celsius = nil, nil
	}
	return warm, nil
}

// curves returns both sides at the reference temperature and on one grid.
func (c *Comparison) curves(sides [2]Side, warm [2]float64) ([2]measured, error) {
	both, resampled, err := atOne(sides, warm)
	if err != nil {
		return both, fmt.Errorf("curves of %s and %s: %w", c.Before, c.After, err)
	}
	if resampled {
		c.warn("resampled", "the curves have different frequencies; %s was interpolated to those of %s: use one signal for both", c.After, c.Before)
	}
	return both, nil
}

// outcome is what has become of a driver.
type outcome struct {
	evolution
	sides      [2]logs
	mechanical *mechanical // nil where nothing was added to both
}

// outcomeOf works out how the driver of sides changed, whose curves are those on one
// grid. Where ctx ends, that is its error.
func (c *Comparison) outcomeOf(ctx context.Context, sides [2]Side, curves [2]measured, warm [2]float64) (outcome, error) {
	before, after := sides[0], sides[1]
	e, err := evolve(ctx, curves[0], curves[1])
	if ctx.Err() != nil {
		return outcome{}, ctx.Err()
	}
	if err != nil {
		return outcome{}, fmt.Errorf("%s and %s: %w", c.Before, c.After, err)
	}
	if before.Load.Pinned || after.Load.Pinned {
		e.pin(curves[0].load.Re.Value, curves[1].load.Re.Value, before.Load.Pinned && after.Load.Pinned)
	}
	bent := [2]fit.Result{before.Load, before.Load}
	switch {
	case e.apart:
		bent[1] = after.Load
		c.warn("not-alike", "nothing that changes in one driver makes one curve of the other, so each is as its own fit says: are both records of this driver, held the same way?")
	case e.fromAfter:
		bent = [2]fit.Result{after.Load, after.Load}
	}
	found := outcome{evolution: e}
	found.sides[0], found.sides[1] = e.complete(logsOf(before, warm[0]), logsOf(after, warm[1]))
	for i := range found.sides {
		putExtremes(&found.sides[i], curves[i].curve, bent[i], e.scatter)
	}
	found.mechanical, err = c.Added.mechanicalOf(ctx, sides, found.sides, warm)
	return found, err
}

// read returns the changes of all quantities where those of the curves are d.
func (o outcome) read(d logs) (r reading) {
	x, y := o.pair(d, o.sides[0], o.sides[1])
	if m := o.mechanical; m != nil {
		x, y = x.withMechanics(m.moved[0], m.added), y.withMechanics(m.moved[1], m.added)
	}
	r.d, r.cov = difference(x, y)
	for i := range r.own {
		r.own[i] = x.own.At(i, i) + y.own.At(i, i)
	}
	return r
}

// list takes the change of each quantity, now, each judged by itself, and returns
// how often chance alone makes one as large.
func (c *Comparison) list(found outcome, now reading, limits Limits) (chances []float64) {
	add := func(i int, name, unit string, x, y quantity.Value) {
		u := math.Sqrt(max(now.cov.At(i, i), 0))
		ratio := math.Exp(now.d[i])
		one := Change{Name: name, Unit: unit, Before: x, After: y, Percent: quantity.Value{Value: 100 * (ratio - 1), U: 100 * ratio * u}, Limit: limits[name], noise: 2*now.own[i] > now.cov.At(i, i)}
		one.Verdict = one.Limit.judge(one.Percent.Value, stated(one.Percent).U)
		c.Changes = append(c.Changes, one)
		chances = append(chances, twoSided(now.d[i], u))
	}
	for i := range qRes {
		if i != qLe || found.plain.hasLe {
			add(i, quantityNames[i], quantityUnits[i], found.sides[0].of(i), found.sides[1].of(i))
		}
	}
	if m := found.mechanical; m != nil {
		x, y := m.constants[0], m.constants[1]
		add(qMms, "mms", "kg", x.Mms, y.Mms)
		add(qCms, "cms", "m/N", x.Cms, y.Cms)
		add(qBl, "bl", "T m", x.Bl, y.Bl)
		add(qVas, "vas", "m^3", x.Vas, y.Vas)
	}
	return chances
}

// judge says which changes are significant, by how often chance alone makes each
// and that of the curves, and takes the verdict of all.
func (c *Comparison) judge(chances []float64) {
	significant := holm(chances, FamilyRate)
	c.Verdict = c.Worst.Verdict
	c.Worst.Significant = c.Worst.Significant && significant[len(c.Changes)]
	for i := range c.Changes {
		c.Changes[i].Significant = significant[i]
		c.Verdict = worse(c.Verdict, c.Changes[i].Verdict)
	}
}

// atOne returns both sides with their coils brought from warm kelvin above the
// reference temperature to it, and their curves on the frequencies of the first.
func atOne(sides [2]Side, warm [2]float64) (both [2]measured, resampled bool, err error) {
	for i, s := range sides {
		both[i] = measured{s.Load, atReference(s, warm[i], [...]string{"temperature before", "temperature after"}[i])}
		both[i].load.Re.Value /= 1 + quantity.CopperPerKelvin*warm[i]
	}
	resampled = impedance.SameGrid(both[0].curve, both[1].curve) != nil
	both[0].curve, both[1].curve, err = onOne(both[0].curve, both[1].curve)
	return both, resampled, err
}

// leastTold is by how many percent something must have changed before it cannot
// be that nothing has.
const leastTold = 1

// spoken are the quantities as a sentence names them, where that is not Symbol.
var spoken = map[string]string{"le_1khz": "the inductance", "z_min": "the lowest |Z|", "z_max": "the highest |Z|"}

// beyondDoubt says what has changed so and by more than leastTold, the most of
// it; empty where nothing has.
func (c Comparison) beyondDoubt() string {
	most, what := float64(leastTold), ""
	for _, ch := range c.Changes {
		if size := math.Abs(ch.Percent.Value); ch.Significant && size > most {
			most, what = size, fmt.Sprintf("%s changed by %s %%", cmp.Or(spoken[ch.Name], Symbol(ch.Name)), quantity.Digits(ch.Percent.Value, 2))
		}
	}
	if w := c.Worst; w.Significant && w.Percent.Value > most {
		what = fmt.Sprintf("the curves are %s %% apart at %.0f Hz", quantity.Digits(w.Percent.Value, 2), w.Hz)
	}
	return what
}

// warnings are those of the fits and records of s, which is called name, before
// or after a was done to it. What is said of both its records is said once.
func (s Side) warnings(name string, a Added) (all impedance.Warnings) {
	if s.Record == nil {
		return nil
	}
	add := func(how string, w impedance.Warning) {
		w.Text = name + ": " + how + w.Text
		all = append(all, w)
	}
	for _, w := range slices.Concat(s.Load.Warnings, s.said()) {
		add("", w)
	}
	if s.Moved == nil {
		return all
	}
	for _, w := range slices.Concat(s.Moved.Load.Warnings, s.Moved.said()) {
		if !slices.ContainsFunc(s.said(), w.Equal) {
			add(a.how()+": ", w)
		}
	}
	return all
}

// checkAll is check, of s and of what was measured with something added.
func (s Side) checkAll() error {
	if err := s.check(); err != nil || s.Moved == nil || s.Moved.Load.Status != fit.Converged {
		return err
	}
	return s.Moved.check()
}

// check returns an error where s is not what can be compared.
func (s *Side) check() error {
	if s.Load.Status != fit.Converged || len(s.Load.Resonances) == 0 {
		return fmt.Errorf("%s has no fitted load (%v): fit its curve first", s.Label, s.Load.Status)
	}
	if err := s.Curve.Check(); err != nil {
		return fmt.Errorf("curve of %s: %w", s.Label, err)
	}
	const coldest, hottest = -40, 300
	if t := s.Celsius; t != nil && !(*t >= coldest && *t <= hottest) {
		return fmt.Errorf("temperature of %s is %v C; it must be from %v to %v C", s.Label, *t, coldest, hottest)
	}
	return nil
}

// worse is the verdict of two together: one failure fails all.
func worse(a, b verdict.Verdict) verdict.Verdict {
	switch {
	case a == verdict.Fail || b == verdict.Fail:
		return verdict.Fail
	case a == verdict.Undecided || b == verdict.Undecided:
		return verdict.Undecided
	}
	return verdict.Pass
}

// twoSided is how often chance alone gives a normal deviate of x or more either
// way.
func twoSided(x, u float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Erfc(math.Abs(x) / u / math.Sqrt2)
}

// holm reports which of the tests with these probabilities under chance are
// significant, so that at most the rate of all families has one that is not.
// Source: S. Holm, Scandinavian Journal of Statistics 6(2), 65-70, 1979 (from
// memory).
func holm(p []float64, rate float64) []bool {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, k int) int { return cmp.Compare(p[i], p[k]) })
	out := make([]bool, len(p))
	for rank, i := range order {
		if p[i] > rate/float64(len(p)-rank) {
			break
		}
		out[i] = true
	}
	return out
}

// WarnExchanged is the code of the warning that Exchanged gives.
const WarnExchanged = "exchanged"

// Exchanged returns a warning where the record before was taken after the
// record after. A curve that was imported has the time of that, which says
// nothing, as has one without a time.
func Exchanged(before, after record.Record) (impedance.Warning, bool) {
	for _, r := range []record.Record{before, after} {
		if r.Taken.IsZero() || r.Signal == nil {
			return impedance.Warning{}, false
		}
	}
	if !before.Taken.After(after.Taken) {
		return impedance.Warning{}, false
	}
	return impedance.Warning{Code: WarnExchanged, Text: fmt.Sprintf(
		"before is younger than after: exchanged? before was taken %s, after %s; if they are, name them the other way round",
		before.Taken.UTC().Format(time.DateTime), after.Taken.UTC().Format(time.DateTime))}, true
}
