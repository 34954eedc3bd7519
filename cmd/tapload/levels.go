package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"tapload/fit/recone"
	"tapload/measure"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot/report"
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

// sweepSeries measures at each level, the quietest first. A record is written
// as soon as it is there: a louder level may well clip.
func sweepSeries(ctx context.Context, e env, o sweepOptions) (err error) {
	var each []sweepOptions
	for _, level := range o.signal.levels {
		one := o.at(level)
		if err := (file{Path: one.out, Force: o.force, Measured: true}).Check(); err != nil {
			return err
		}
		each = append(each, one)
	}
	if err := o.pictures().place(); err != nil {
		return err
	}
	setup, end, err := o.open(ctx, e)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()

	var levelDB []float64
	var records []record.Record
	var written []string
	for i, one := range each {
		levelDB = append(levelDB, float64(o.signal.levels[i]))
		setup.Label, setup.Now = one.label, e.now().UTC()
		if setup.Signal, err = one.signal.make(ctx); err != nil {
			return err
		}
		record, err := measure.Run(ctx, setup)
		if err != nil {
			err = fmt.Errorf("at %s dB: %w", quantity.Plain(levelDB[i]), err)
			if len(written) > 0 {
				err = fmt.Errorf("%w (written before that: %s)", err, strings.Join(written, ", "))
			}
			return err
		}
		if err := e.save(file{Path: one.out, Force: o.force, Measured: true, Write: record.Write}); err != nil {
			return err
		}
		records, written = append(records, record), append(written, one.out)
	}
	r, err := recone.LevelSeries(levelDB, records, written)
	if err != nil {
		return err
	}
	if err := o.pictures().write(e, func(flag string) (chart, error) {
		if flag == "--distortion-plot" {
			return report.LevelHarmonics(r), nil
		}
		return report.LevelCurves(r, o.label), nil
	}); err != nil {
		return err
	}
	return o.show(e, r, report.Levels(r), r.Warnings)
}
