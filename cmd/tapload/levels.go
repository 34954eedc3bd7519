package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"tapload/fit/recone"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot"
)

// checkSeries returns what is wrong with a series of levels.
func (o *sweepOptions) checkSeries() error {
	switch {
	case o.source.replay != "":
		return errors.New("--level: a recording was made at one level; record each level and replay them one by one")
	case o.signal.heard():
		return errors.New("--level: a series of levels needs a test signal: chirp, tones or multitone")
	case o.repeat > 1:
		return errors.New("--repeat and a series of levels are two uses; take one of them")
	case o.keep != "":
		return errors.New("--keep holds one recording; keep those of a series one by one")
	case o.budget:
		return errors.New("--budget is of one sweep; sweep at one level")
	}
	return nil
}

// at returns o for one level of the series: in a file and with a label of its
// own.
func (o sweepOptions) at(level decibel) sweepOptions {
	ending := recordSuffix
	if !strings.HasSuffix(o.out, ending) {
		ending = ".json"
	}
	dB := quantity.Plain(float64(level)) + "dB"
	if level == 0 {
		dB = "-" + dB // which looks like the others
	}
	o.out = strings.TrimSuffix(o.out, ending) + dB + ending
	o.label += " at " + quantity.Plain(float64(level)) + " dB"
	o.signal.levels = levels{level}
	return o
}

// series are sweeps of one load at several levels.
type series struct {
	levels  levels
	sweeps  []measure.Summary
	changes []recone.LevelChange // of all but the first

	warnings []impedance.Warning
}

// sweepSeries measures at each level, the quietest first. A record is written
// as soon as it is there: a louder level may well clip.
func sweepSeries(ctx context.Context, e env, o sweepOptions) (err error) {
	var each []sweepOptions
	for _, level := range o.signal.levels {
		one := o.at(level)
		if err := (file{path: one.out}).check(); err != nil {
			return err
		}
		each = append(each, one)
	}
	if err := o.pictures().place(); err != nil {
		return err
	}
	setup, end, err := o.open(e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()

	r := series{levels: o.signal.levels}
	var records []record.Record
	var written []string
	for i, one := range each {
		setup.Label, setup.Now = one.label, e.now().UTC()
		if setup.Signal, err = one.signal.make(); err != nil {
			return err
		}
		record, err := measure.Run(ctx, setup)
		if err != nil {
			err = fmt.Errorf("at %s dB: %w", quantity.Plain(float64(r.levels[i])), err)
			if len(written) > 0 {
				err = fmt.Errorf("%w (written before that: %s)", err, strings.Join(written, ", "))
			}
			return err
		}
		f := file{path: one.out, force: o.force, write: record.Write}
		e.sayEarlier(f)
		if err := writeFiles(f); err != nil {
			return err
		}
		records, written = append(records, record), append(written, one.out)
		r.sweeps = append(r.sweeps, measure.Summarize(record, one.out))
	}
	if err := o.drawSeries(records); err != nil {
		return err
	}
	var curves []impedance.Curve
	var about namedWarnings
	for i, record := range records {
		curves = append(curves, record.Curve)
		about.add(quantity.Plain(float64(r.levels[i]))+" dB", record.Warnings)
	}
	if r.changes, err = recone.Levels(curves); err != nil {
		return err
	}
	r.warnings = about.list()
	return show(e, o.json, r, r.warnings)
}

func (o sweepOptions) drawSeries(records []record.Record) error {
	return o.pictures().write(func(flag string) (chart, error) {
		curves := plot.ImpedanceChart{Title: o.label}
		harmonics := plot.DistortionChart{Title: "Harmonics of the current"}
		for i, r := range records {
			name := quantity.Plain(float64(o.signal.levels[i])) + " dB"
			curves.Traces = append(curves.Traces, plot.Trace{Label: name, Curve: r.Curve})
			if r.Distortion != nil {
				harmonics.Records = append(harmonics.Records, plot.Harmonics{Label: name, Short: name, Distortion: *r.Distortion})
			}
		}
		if flag == "--distortion-plot" {
			return harmonics, nil
		}
		return curves, nil
	})
}

// linear returns the index of the loudest level up to which nothing bends, or
// -1 where even the second does.
func (r series) linear() int {
	i := slices.IndexFunc(r.changes, func(c recone.LevelChange) bool { return c.Bends })
	switch {
	case i < 0:
		return len(r.changes)
	case i == 0:
		return -1
	}
	return i
}

// name is how level i is called.
func (r series) name(i int) string { return quantity.Plain(float64(r.levels[i])) + " dB" }

// changeText is a change of |Z| and where it is.
func changeText(c recone.LevelChange) string {
	return signedPercent(c.Percent) + " at " + quantity.Hz(c.Hz)
}

// words says up to where the load is linear, and what happens above.
func (r series) words() string {
	last := r.linear()
	if last == len(r.changes) {
		most := slices.MaxFunc(r.changes, func(a, b recone.LevelChange) int {
			return cmp.Compare(math.Abs(a.Percent.Value), math.Abs(b.Percent.Value))
		})
		if !slices.ContainsFunc(r.changes, func(c recone.LevelChange) bool { return c.Sure }) {
			return fmt.Sprintf("Linear from %s to %s: no change of |Z| stands clear of doubt, the largest being %s.", r.name(0), r.name(last), changeText(most))
		}
		return fmt.Sprintf("Linear from %s to %s: |Z| changes by %s at most.", r.name(0), r.name(last), changeText(most))
	}
	text := fmt.Sprintf("Linear to %s.", r.name(max(0, last)))
	if last < 0 {
		text = fmt.Sprintf("Not linear even between %s and %s; start quieter.", r.name(0), r.name(1))
	}
	next := max(0, last)
	c := r.changes[next]
	text += fmt.Sprintf(" At %s |Z| changes by %s", r.name(next+1), changeText(c))
	if c.WarmOhm > 0 {
		return text + fmt.Sprintf(", as if Re had risen by %s ohm: the coil warms; wait between sweeps, or play for less time.", quantity.Digits(c.WarmOhm, 2))
	}
	return text + ": suspension or force factor bend with the excursion."
}

func (r series) print(w io.Writer) error {
	p := page{w: w}
	p.words(r.words())
	p.line("")
	const format = "%-8s%-27s%-18s%s"
	p.line(fmt.Sprintf(format, "level", "peak", "lowest |Z|", "against "+r.name(0)))
	for i, s := range r.sweeps {
		peak := s.Max
		if peak.Edge && s.Peak != nil {
			peak = *s.Peak
		}
		change := ""
		if i > 0 {
			if change = changeText(r.changes[i-1]); !r.changes[i-1].Sure {
				change = "no change"
			}
		}
		p.line(strings.TrimRight(fmt.Sprintf(format, r.name(i), quantity.Of(peak.Ohm, peak.U).In("ohm")+" at "+quantity.Hz(peak.Hz), quantity.Of(s.Min.Ohm, s.Min.U).In("ohm"), change), " "))
	}
	if r.sweeps[0].Distortion != nil {
		p.line("")
		const format = "%-8s%-38s%s"
		p.line(fmt.Sprintf(format, "level", "harmonics of the current", "scrapes"))
		for i, s := range r.sweeps {
			loudest := "lost in noise"
			if o := s.Distortion.Loudest(); len(o) > 0 {
				loudest = fmt.Sprintf("order %d at most %.0f dB, at %s", o[0].Order, o[0].LevelDB, quantity.Hz(o[0].Hz))
			}
			scrapes := "no sign of it"
			if at := s.Distortion.Scrapes; at != nil {
				scrapes = fmt.Sprintf("%.0f dB at %s", at.LevelDB, quantity.Hz(at.Hz))
			}
			p.line(fmt.Sprintf(format, r.name(i), loudest, scrapes))
		}
	}
	p.line("")
	p.under(2, "-", fmt.Sprintf("± is k = 2; a change counts that is beyond doubt and more than %s %% (ours, no source)", quantity.Plain(recone.LeastBend)))
	p.under(2, "-", "records: "+r.sweeps[0].File+" and so on")
	return p.err
}

// seriesObject is what a series tells programs. Uncertainties are standard ones
// (k = 1).
type seriesObject struct {
	Levels    []levelObject      `json:"levels"`
	LinearTo  *float64           `json:"linear_to_db"` // null where the quietest two differ
	LeastBend float64            `json:"least_change_percent"`
	Warnings  impedance.Warnings `json:"warnings"`
}

type levelObject struct {
	LevelDB float64 `json:"level_db"`
	measure.Summary
	Change *levelChange `json:"change"` // against the first; null for that
}

type levelChange struct {
	Percent float64 `json:"percent"`
	U       float64 `json:"u_percent"` // twice it holds at all points and levels at once
	Hz      float64 `json:"hz"`
	Sure    bool    `json:"significant"`
	Bends   bool    `json:"bends"`
	WarmOhm float64 `json:"warm_ohm"` // 0 where warmth does not explain it
}

func (r series) object() seriesObject {
	o := seriesObject{LeastBend: recone.LeastBend, Warnings: impedance.Warnings(r.warnings)}
	for i, s := range r.sweeps {
		l := levelObject{LevelDB: float64(r.levels[i]), Summary: s}
		if i > 0 {
			c := r.changes[i-1]
			l.Change = &levelChange{c.Percent.Value, c.Percent.U, c.Hz, c.Sure, c.Bends, c.WarmOhm}
		}
		o.Levels = append(o.Levels, l)
	}
	if i := r.linear(); i >= 0 {
		dB := float64(r.levels[i])
		o.LinearTo = &dB
	}
	return o
}
