// Package identify says what an unmarked load is: what it may be rated at, its
// resonances and its DC resistance, what cabinets would read so, whether one of
// its drivers is likely dead, and whether to believe the curve at all.
//
// Units are SI; uncertainties are standard ones (k = 1).
package identify

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/fit/recone"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

// Options are what is known of a load beside its record. The zero value is
// nothing.
type Options struct {
	Known

	ReOhm         float64 // Re is taken as this instead of being fitted
	LowHz, HighHz float64 // of the rated frequency range; 0 for those of rating.Options
	Second        *Second // the driver swept once more, for its mechanical constants
}

// Known is what somebody read off a load or found in it, 0 for what nobody did.
type Known struct {
	MarkedOhm float64 // rating marked on the cabinet
	DCOhm     float64 // reading of a DC meter, which Re is held against
	Drivers   int     // on one jack
}

// asked tells whether k leaves fewer cabinets than there are.
func (k Known) asked() bool { return k.MarkedOhm > 0 || k.Drivers > 0 }

// Second is a driver with a mass on its cone or on a closed box.
type Second struct {
	Name   string // of the record, for errors
	Record record.Record
	Added  recone.Added
}

// Result is what a load is.
type Result struct {
	Name   string        // that the load is called by; the label of its record unless somebody gave it another
	Record record.Record // of a kept fit only its label
	Known  Known

	Load   fit.Result    // without Re where no model of a loudspeaker fits
	NoFit  string        // why none does, else empty
	KK     *fit.KKResult // nil where the curve is too short for the test
	Fault  *Fault        // nil where none was found
	Rating rating.Rating // by the fit, or by the curve where there is none

	Wirings []rating.Wiring      // of equal drivers that make the rating
	Could   []rating.Explanation // what would read so, likeliest first; nil without a fit, or without the lowest |Z|
	Dead    *rating.Explanation  // the likeliest, where the marking or the drivers are known and it is a dead driver
	AsWell  *rating.Explanation  // a dead driver that explains the curve as well as a whole cabinet, where neither is known

	Constants []fit.Constants // of the driver, by Options.Second
	Added     recone.Added    // of Options.Second

	Warnings []impedance.Warning

	// Explain has the JSON tell which models were tried and which cabinets would
	// read so.
	Explain bool

	doubts, second []impedance.Warning // of the curve, and of Options.Second
}

// Record says what the load of a record is. It fails where the curve is none of
// a load, and with Options.Second where the driver's constants cannot be found.
// Where only no loudspeaker fits, rating, minimum and peak are those of the
// curve. Where ctx ends, that is its error.
func Record(ctx context.Context, rec record.Record, o Options) (Result, error) {
	r := Result{Name: rec.Label, Record: rec}
	var err error
	if r.Load, err = fit.Curve(ctx, rec.Curve, fit.Options{PinnedRe: o.ReOhm}); ctx.Err() != nil {
		return Result{}, ctx.Err()
	}
	if err != nil {
		if r.Load.Status == fit.BadInput || o.Second != nil {
			return Result{}, noLoad(ctx, rec.Curve, err)
		}
		r.NoFit = err.Error()
		r.doubts = append(r.doubts, impedance.Warning{Code: "no-fit", Text: "no loudspeaker fits the curve, which counts as it stands: " + r.NoFit})
	}
	band := rating.Options{LowHz: o.LowHz, HighHz: o.HighHz}
	if r.Rating, err = rating.Of(rec.Curve, r.Load, band); err != nil {
		return Result{}, err
	}
	if err := r.test(ctx, o.ReOhm, band); err != nil {
		return Result{}, err
	}
	if o.Second != nil {
		if err := r.constants(ctx, o); err != nil {
			return Result{}, err
		}
	}
	return r.With(o.Known)
}

// Curve fits a load to a curve. Its error says, where that is so, that no load
// could give the curve; where ctx ends, it is that of ctx.
func Curve(ctx context.Context, c impedance.Curve, o fit.Options) (fit.Result, error) {
	load, err := fit.Curve(ctx, c, o)
	if err != nil && ctx.Err() == nil {
		err = noLoad(ctx, c, err)
	}
	return load, err
}

// noLoad is why c has no fit, which err says. That no load could give the curve
// is the better reason.
func noLoad(ctx context.Context, c impedance.Curve, err error) error {
	if kk, kkErr := fit.KK(ctx, c, fit.Result{}); kkErr == nil {
		if w, faulty := kk.Warning(); kk.Faulty() {
			return errors.New(w.Text)
		} else if faulty {
			return fmt.Errorf("%w; %s", err, w.Text)
		}
	}
	return err
}

// With returns r with what is known of the load, which decides what it could be.
// Nothing is fitted again.
func (r Result) With(k Known) (Result, error) {
	r.Known = k
	var said []impedance.Warning
	if k.DCOhm > 0 && r.Fits() && !r.Load.Pinned {
		if w, differs := r.Load.AgainstDC(k.DCOhm); differs {
			said = append(said, w)
		}
	}
	said = append(said, r.Rating.Warnings...)
	if ohm := r.Rating.Ohm; k.MarkedOhm > 0 && ohm > 0 && math.Abs(k.MarkedOhm/ohm-1) > 0.01 {
		said = append(said, impedance.Warning{Code: "marked-differs", Text: fmt.Sprintf(
			"the cabinet is marked %s ohm and measures as %s ohm; it was rewired, got other drivers, or one is dead", quantity.Ohms(k.MarkedOhm), quantity.Ohms(ohm))})
	}
	r.Warnings = slices.Concat(r.doubts, r.Load.Warnings, said, r.Record.Warnings, r.second)

	r.Wirings, r.Could, r.Dead, r.AsWell = nil, nil, nil, nil
	var err error
	if r.Rating.Ohm > 0 {
		if r.Wirings, err = rating.Wirings(r.Rating.Ohm, k.Drivers); err != nil {
			return Result{}, err
		}
	}
	if !r.Fits() || r.Rating.AtMost() {
		return r, nil
	}
	if r.Could, err = rating.Explain(r.Load, r.Rating.MinOhm, k.Drivers, k.MarkedOhm); err != nil {
		return Result{}, err
	}
	if k.asked() {
		r.Dead = rating.LikelyDead(r.Could, k.MarkedOhm)
	} else if e, ok := rating.AsWell(r.Could); ok {
		r.AsWell = &e
	}
	return r, nil
}

// Fits reports whether a model of a loudspeaker fits the curve.
func (r Result) Fits() bool { return r.NoFit == "" }

// bends reports whether something bent while the record was taken, which a curve
// may show as it shows a fault.
func (r Result) bends() bool { return r.Record.Bends() }

// Odd reports whether a dead driver should be thought of unasked: Re and rating
// disagree.
func (r Result) Odd() bool {
	return slices.ContainsFunc(r.Rating.Warnings, func(w impedance.Warning) bool { return w.Code == "re-disagrees" })
}

// Tap returns the highest tap in ohm that the load may be called safe on, 0 for
// none. Nothing is called safe with a driver that is likely dead, or by a curve
// whose fault may decide the rating.
func (r Result) Tap() float64 {
	if r.Dead != nil || r.Fault != nil && r.Fault.ChangesRating {
		return 0
	}
	return r.Rating.Tap()
}

// Headline says in one line what the load is, and what could change that.
func (r Result) Headline() string {
	var parts []string
	if doubt := r.doubt(); doubt != "" {
		parts = append(parts, doubt)
	}
	if r.Dead != nil {
		parts = append(parts, fmt.Sprintf("MOST LIKELY A DEAD DRIVER, %s (%s)", r.Dead, quantity.Probability(r.Dead.Probability)))
	}
	last := "no loudspeaker fits the curve"
	if r.Fits() {
		last = r.resonances()
	}
	return r.Name + ": " + strings.Join(append(parts, rated(r.Rating), r.safety(), last), "; ")
}

// Title says in the fewest words what the load is, or what puts that in doubt.
func (r Result) Title() string {
	var parts []string
	if doubt, _, _ := strings.Cut(r.doubt(), ", see"); doubt != "" {
		parts = append(parts, doubt)
	} else if r.bends() {
		parts = append(parts, "bends at this level")
	}
	if r.Dead != nil {
		parts = append(parts, "MOST LIKELY A DEAD DRIVER")
	}
	if r.Fault == nil || !r.Fault.ChangesRating {
		parts = append(parts, rated(r.Rating))
	}
	return r.Name + ": " + strings.Join(parts, "; ")
}

func rated(r rating.Rating) string {
	switch {
	case r.TooHigh():
		return "too high for any rating"
	case r.Verdict == verdict.Fail:
		return "too low for any rating"
	case r.AtMost():
		return fmt.Sprintf("rated %s ohm at most, undecided", quantity.Ohms(r.Candidates[len(r.Candidates)-1]))
	case r.Verdict == verdict.Pass:
		return fmt.Sprintf("rated %s ohm", quantity.Ohms(r.Ohm))
	case len(r.Candidates) == 2:
		return fmt.Sprintf("rated %s or %s ohm, undecided", quantity.Ohms(r.Candidates[0]), quantity.Ohms(r.Candidates[1]))
	}
	return fmt.Sprintf("rated %s ohm or too low for any rating, undecided", quantity.Ohms(r.Candidates[0]))
}

func (r Result) safety() string {
	switch tap := r.Tap(); {
	case r.Dead != nil:
		return "not called safe before every driver is checked"
	case r.Fault != nil && r.Fault.ChangesRating:
		return "not called safe before it is measured again"
	case r.Rating.AtMost():
		return fmt.Sprintf("not called safe before it is swept from %s to %s too", quantity.LimitHz(r.Rating.Unseen.Low), quantity.LimitHz(r.Rating.Unseen.High))
	case tap == 8:
		return "safe on an 8 ohm tap"
	case tap > 0:
		return fmt.Sprintf("safe on a %g ohm tap", tap)
	}
	return "safe on no usual tap"
}

// inHz writes the frequencies of resonances.
func inHz(resonances []fit.Resonance) (hz []string) {
	for _, r := range resonances {
		hz = append(hz, quantity.Hz(r.Hz.Value))
	}
	return hz
}

func (r Result) resonances() string {
	hz := inHz(r.Load.Main())
	if len(hz) == 1 {
		return "resonance " + hz[0]
	}
	for i := range hz[:len(hz)-1] {
		hz[i] = strings.TrimSuffix(hz[i], " Hz")
	}
	return "resonances " + quantity.List(hz)
}

// constants finds the driver's mechanical constants from the second record.
func (r *Result) constants(ctx context.Context, o Options) error {
	s := o.Second
	load, warnings, err := s.Fit(ctx, r.Record, fit.Options{PinnedRe: o.ReOhm})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return fmt.Errorf("%s: %w", s.Name, err)
	}
	r.second, r.Added = warnings, s.Added
	free, err := driver(r.Name, r.Load)
	if err != nil {
		return err
	}
	moved, err := driver(s.Name, load)
	if err != nil {
		return err
	}
	find := func(c fit.Constants, err error) error {
		if err != nil {
			return fmt.Errorf("%s and %s: %w", r.Name, s.Name, err)
		}
		r.Constants = append(r.Constants, c)
		return nil
	}
	if s.Added.Mass.Value > 0 {
		return find(fit.ByAddedMass(free, moved.Hz, s.Added.Mass, s.Added.Diameter, fit.RoomAir))
	}
	for _, m := range []fit.Method{fit.KnownVolume, fit.KnownVolumeFrequency} {
		if err := find(fit.ByKnownVolume(m, free, moved, s.Added.Volume, s.Added.Diameter, fit.RoomAir)); err != nil {
			return err
		}
	}
	return nil
}

// Fit fits the second sweep. Its warnings say that they are of it; those that
// alone, the record of the driver by itself, has too are left out.
func (s Second) Fit(ctx context.Context, alone record.Record, o fit.Options) (fit.Result, []impedance.Warning, error) {
	load, err := Curve(ctx, s.Record.Curve, o)
	if err != nil {
		return load, nil, err
	}
	how := "on the box"
	if s.Added.Mass.Value > 0 {
		how = "with the mass"
	}
	var warnings []impedance.Warning
	for _, w := range slices.Concat(load.Warnings, s.Record.Warnings) {
		if !slices.ContainsFunc(alone.Warnings, w.Equal) {
			w.Text = how + ": " + w.Text
			warnings = append(warnings, w)
		}
	}
	return load, warnings, nil
}

// driver returns the main resonance of a load, by the name of its record, as a
// driver: it must be the only one.
func driver(name string, load fit.Result) (fit.Free, error) {
	main := load.Main()
	if len(main) != 1 {
		return fit.Free{}, fmt.Errorf("%s has %d main resonances, %s; a driver's constants need a driver in free air, with the mass or on a closed box, which has one", name, len(main), quantity.List(inHz(main)))
	}
	return load.Free(slices.Index(load.Resonances, main[0])), nil
}
