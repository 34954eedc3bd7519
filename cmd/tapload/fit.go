package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"sync"

	"github.com/spf13/cobra"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot"
)

type fitOptions struct {
	re, dc    ohms
	low, high hertz

	drivers int
	marked  ohms

	addedFlags
	with string

	json, explain bool
	plot          string
}

func newFit(e env) *cobra.Command {
	var o fitOptions
	c := &cobra.Command{
		Use:   "fit RECORD.sweep.json...",
		Short: "Say what a load is: rating, resonances, Re",
		Long: `Say what a measured load is: what it may be rated at, its resonances, its DC
resistance (Re) and its voice coil, each with its uncertainty (k = 2).

A load may be rated at 4, 8 or 16 ohm where its lowest |Z| in the rated
frequency range is not below 80 % of that (IEC 60268-5), and at 2, 2.67, 5.33
or 32 ohm as combinations of such loads are. The range starts at the lowest
resonance, since every driver falls to Re below it, and ends at 10 kHz.

With the sweep of the driver with a known mass on its cone, or on a closed box
of a known volume, its mechanical constants come too.`,
		Example: `  tapload fit cab.sweep.json
  tapload fit cab.sweep.json --dc-ohm 6.1 --plot fit.png
  tapload fit cab.sweep.json --drivers 4 --marked-ohm 8
  tapload fit d.sweep.json --added-mass-g 10 --with mass.sweep.json \
    --diameter-mm 200
  tapload fit d.sweep.json --box-l 28.3 --with box.sweep.json \
    --diameter-mm 200
  tapload fit *.sweep.json --json`,
		Args: someArgs(1, 1e6, "one or more RECORD.sweep.json"),
		RunE: func(c *cobra.Command, args []string) error {
			args = filesOf(args)
			if err := o.check(len(args)); err != nil {
				return usage(c, err)
			}
			args, err := labelled(e, c, args)
			if err != nil {
				return err
			}
			return fitRecords(c.Context(), e, args, o)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	f.Var(&o.re, "re-ohm", "take Re as this reading of a DC meter instead of fitting it")
	f.Var(&o.dc, "dc-ohm", "hold Re against this reading of a DC meter")
	f.Var(&o.low, "low", "lower end of the rated frequency range (default: the lowest resonance)")
	f.Var(&o.high, "high", "upper end of the rated frequency range (default 10000)")
	f.IntVar(&o.drivers, "drivers", 0, "`number` of drivers in the cabinet, to find a dead one")
	f.Var(&o.marked, "marked-ohm", "rating marked on the cabinet, to find a dead driver")
	o.addedFlags.register(f, "--with")
	f.StringVar(&o.with, "with", "", "`record` of the driver with the mass or on the box")
	f.StringVar(&o.plot, "plot", "", "draw curve, fit and what it leaves into this .png, .svg or .pdf `file`")
	f.BoolVar(&o.explain, "explain", false, "also show which models were tried and which cabinets might read so")
	f.BoolVar(&o.json, "json", false, "print the result as JSON, one object a line")
	return c
}

func (o fitOptions) check(records int) error {
	if records > 1 && o.plot != "" {
		return errors.New("--plot draws one record; name one, or draw several with \"tapload plot\"")
	}
	if o.plot != "" {
		if _, err := plot.ParseFormat(o.plot); err != nil {
			return fmt.Errorf("--plot: %w", err)
		}
	}
	if o.re > 0 && o.dc > 0 {
		return errors.New("--re-ohm and --dc-ohm are one reading put to two uses; give one of them")
	}
	if o.drivers < 0 || o.drivers > rating.MostDrivers {
		return fmt.Errorf("--drivers %d: must be from 1 to %d, those on one jack", o.drivers, rating.MostDrivers)
	}
	if o.low > 0 && o.high > 0 && o.high <= o.low {
		return fmt.Errorf("--high %s must be above --low %s", quantity.Hz(float64(o.high)), quantity.Hz(float64(o.low)))
	}
	if o.any() && records > 1 {
		return errors.New("--added-mass-g and --box-l are about one driver; name one record")
	}
	return o.addedFlags.check("--with", o.with != "")
}

// fitted is a load and all that is known of it.
type fitted struct {
	name     string
	record   record.Record
	load     fit.Result
	noFit    string        // why no model of a loudspeaker fits, else empty
	kk       *fit.KKResult // nil where the curve is too short for the test
	fault    *curveFault   // nil where none was found
	rating   rating.Rating
	wirings  []rating.Wiring // that make the rating
	could    []rating.Explanation
	dead     *rating.Explanation // the likeliest, where the cabinet's marking or its drivers are known and it is a dead one
	asWell   *rating.Explanation // a dead driver that explains the curve as well as a whole cabinet, where neither is known
	consts   []fit.Constants
	warnings []impedance.Warning
}

// fitRecords fits every record and prints the results in their order.
func fitRecords(ctx context.Context, e env, args []string, o fitOptions) error {
	picture := file{path: o.plot, force: true}
	if o.plot != "" {
		if err := picture.check(); err != nil {
			return err
		}
	}
	failed, printed := 0, 0
	err := inOrder(ctx, len(args), func(i int) (fitted, error) { return o.fit(args[i]) }, func(_ int, f fitted, err error) error {
		if err != nil {
			if len(args) == 1 {
				return err
			}
			failed++
			e.say("tapload: " + err.Error())
			return nil
		}
		if o.plot != "" {
			write, err := chartWriter(f.chart(), o.plot)
			if err != nil {
				return err
			}
			picture.write = write
			if err := writeFiles(picture); err != nil {
				return err
			}
		}
		printed++
		return f.report(e, o, len(args) > 1, printed == 1)
	})
	if err == nil && failed > 0 {
		return fmt.Errorf("%d of %d records gave no fit", failed, len(args))
	}
	return err
}

// chart is the curve with its fit, or alone where it has none.
func (f fitted) chart() chart {
	if !f.fits() {
		return plot.ImpedanceChart{Title: f.name, Traces: []plot.Trace{{Curve: f.record.Curve}}}
	}
	return plot.FitChart{Title: f.name, Curve: f.record.Curve, Load: f.load}
}

// report prints f and its warnings.
func (f fitted) report(e env, o fitOptions, several, first bool) (err error) {
	if o.json {
		err = writeJSON(e.stdout, f.object(o))
	} else {
		if !first {
			fmt.Fprintln(e.stdout)
		}
		err = f.print(e.stdout, o)
	}
	for _, w := range f.warnings {
		if several {
			e.warn(f.name + ": " + w.Text)
		} else {
			e.warn(w.Text)
		}
	}
	return err
}

// fit does all that the command does with one record, but for printing.
func (o fitOptions) fit(arg string) (fitted, error) {
	l, err := readLoad(arg)
	if err != nil {
		return fitted{}, err
	}
	f, err := o.of(l)
	if err != nil {
		return fitted{}, fmt.Errorf("%s: %w", arg, err)
	}
	return f, nil
}

// of does what fit does once the record is read.
func (o fitOptions) of(l load) (fitted, error) {
	f := fitted{name: l.name, record: l.record}
	var err error
	options := fit.Options{PinnedRe: float64(o.re), DCOhm: float64(o.dc)}
	if f.load, err = fit.Curve(l.record.Curve, options); err != nil {
		if f.load.Status == fit.BadInput || o.with != "" {
			return fitted{}, noLoad(l.record.Curve, err)
		}
		// Rating, minimum and peak are those of the curve all the same.
		f.noFit = err.Error()
		f.warnings = append(f.warnings, impedance.Warning{Code: "no-fit", Text: "no loudspeaker fits the curve, which counts as it stands: " + f.noFit})
	}
	if f.rating, err = rating.Of(l.record.Curve, f.load, rating.Options{LowHz: float64(o.low), HighHz: float64(o.high)}); err != nil {
		return fitted{}, err
	}
	o.test(&f)
	f.warnings = append(append(f.warnings, f.load.Warnings...), f.rating.Warnings...)
	if r := f.rating; o.marked > 0 && r.Ohm > 0 && math.Abs(float64(o.marked)/r.Ohm-1) > 0.01 {
		f.warnings = append(f.warnings, impedance.Warning{Code: "marked-differs", Text: fmt.Sprintf(
			"the cabinet is marked %s ohm and measures as %s ohm; it was rewired, got other drivers, or one is dead", quantity.Ohms(float64(o.marked)), quantity.Ohms(r.Ohm))})
	}
	f.warnings = append(f.warnings, l.record.Warnings...)
	if f.rating.Ohm > 0 {
		if f.wirings, err = rating.Wirings(f.rating.Ohm, o.drivers); err != nil {
			return fitted{}, err
		}
	}
	if !f.fits() {
		return f, nil
	}
	if f.could, err = rating.Explain(f.load, f.rating.MinOhm, o.drivers, float64(o.marked)); err != nil {
		return fitted{}, err
	}
	if o.drivers > 0 || o.marked > 0 {
		f.dead = rating.LikelyDead(f.could, float64(o.marked))
	} else if e, ok := rating.AsWell(f.could); ok {
		f.asWell = &e
	}
	if o.with != "" {
		if err := o.constants(&f); err != nil {
			return fitted{}, err
		}
	}
	return f, nil
}

// fits reports whether a model of a loudspeaker fits the curve.
func (f fitted) fits() bool { return f.noFit == "" }

// bends reports whether the record says that something bent while it was taken,
// which a curve may show as it shows a fault.
func (f fitted) bends() bool {
	return slices.ContainsFunc(f.record.Warnings, func(w impedance.Warning) bool { return w.Code == "bending" || w.Code == "distortion" })
}

// fitCurve fits a load to a curve.
func fitCurve(c impedance.Curve, o fit.Options) (fit.Result, error) {
	load, err := fit.Curve(c, o)
	if err != nil {
		return load, noLoad(c, err)
	}
	return load, nil
}

// noLoad is why c has no fit, which err says. That no load could give the curve
// is the better reason.
func noLoad(c impedance.Curve, err error) error {
	if kk, kkErr := fit.KK(c, fit.Result{}); kkErr == nil {
		if w, faulty := kk.Warning(); kk.Faulty() {
			return errors.New(w.Text)
		} else if faulty {
			return fmt.Errorf("%w; %s", err, w.Text)
		}
	}
	return err
}

// constants finds the driver's mechanical constants from a second record.
func (o fitOptions) constants(f *fitted) error {
	with, warnings, err := o.second(o.with, f.record, fit.Options{PinnedRe: float64(o.re)})
	if err != nil {
		return fmt.Errorf("--with: %w", err)
	}
	second := with.Load
	f.warnings = append(f.warnings, warnings...)
	added := o.added()
	free, err := driverOf(f.name, f.load)
	if err != nil {
		return err
	}
	moved, err := driverOf(o.with, second)
	if err != nil {
		return err
	}
	if o.mass.value > 0 {
		c, err := fit.ByAddedMass(free, moved.Hz, added.Mass, added.Diameter, fit.RoomAir)
		if err != nil {
			return fmt.Errorf("%s and %s: %w", f.name, o.with, err)
		}
		f.consts = []fit.Constants{c}
		return nil
	}
	for _, m := range []fit.Method{fit.KnownVolume, fit.KnownVolumeFrequency} {
		c, err := fit.ByKnownVolume(m, free, moved, added.Volume, added.Diameter, fit.RoomAir)
		if err != nil {
			return fmt.Errorf("%s and %s: %w", f.name, o.with, err)
		}
		f.consts = append(f.consts, c)
	}
	return nil
}

// driverOf returns the main resonance of a load, by the name of its record, as a
// driver: it must be the only one.
func driverOf(name string, load fit.Result) (fit.Free, error) {
	main := load.Main()
	if len(main) != 1 {
		var hz []string
		for _, r := range main {
			hz = append(hz, quantity.Hz(r.Hz.Value))
		}
		return fit.Free{}, fmt.Errorf("%s has %d main resonances, %s; a driver's constants need a driver in free air, with the mass or on a closed box, which has one", name, len(main), quantity.List(hz))
	}
	return load.Free(slices.Index(load.Resonances, main[0])), nil
}

// inOrder does n pieces of work on all cores and takes each result in its
// turn, as soon as those before it are taken. It ends with the first error of
// take, or when ctx does.
func inOrder[T any](ctx context.Context, n int, work func(int) (T, error), take func(int, T, error) error) error {
	type outcome struct {
		result T
		err    error
	}
	ctx, stop := context.WithCancel(ctx)
	workers := min(runtime.GOMAXPROCS(0), n)
	// A result waits in its place; room bounds how many do.
	places := make([]chan outcome, n)
	for i := range places {
		places[i] = make(chan outcome, 1)
	}
	room := make(chan struct{}, 8*workers)
	next := make(chan int)
	var running sync.WaitGroup
	defer running.Wait()
	defer stop()
	running.Go(func() {
		defer close(next)
		for i := range n {
			select {
			case room <- struct{}{}:
			case <-ctx.Done():
				return
			}
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	})
	for range workers {
		running.Go(func() {
			for i := range next {
				r, err := work(i)
				places[i] <- outcome{r, err}
			}
		})
	}
	for i, place := range places {
		select {
		case o := <-place:
			<-room
			if err := take(i, o.result, o.err); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// print writes what a technician reads: what the load is in words, then the
// numbers.
func (f fitted) print(w io.Writer, o fitOptions) error {
	p := page{w: w}
	p.words(f.headline())
	p.line("")
	f.table(&p)
	f.mechanics(&p)
	if o.explain {
		f.models(&p)
	}
	if f.fits() && (o.explain || o.drivers > 0 || o.marked > 0 || f.odd()) {
		f.explanations(&p)
	}
	return p.err
}
