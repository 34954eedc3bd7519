package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"github.com/spf13/pflag"

	"tapload/fit/recone"
	"tapload/measure/cores"
	"tapload/measure/impedance"
	"tapload/measure/verdict"
)

// checkGroup is check for --group.
func (o *compareOptions) checkGroup(f *pflag.FlagSet, args []string) error {
	if len(args) != 1 {
		return errors.New("--group holds one record against a group; name that one, such as after.sweep.json")
	}
	return o.only(f, "--group", "match", "per", "limits", "before-celsius", "after-celsius", "added-mass-g", "box-l", "diameter-mm", "before-with", "after-with", "output", "changes-plot", "ratio-plot", "distortion-plot")
}

// only refuses the flags that are for another use of the command.
func (o *compareOptions) only(f *pflag.FlagSet, use string, others ...string) error {
	for _, flag := range others {
		if f.Changed(flag) {
			return fmt.Errorf("--%s does not go with %s", flag, use)
		}
	}
	return nil
}

// recordsOf reads the records that a pattern names, fitted or not; one record
// can be left out. Each kind of warning is given for one record only.
func recordsOf(ctx context.Context, flag, pattern string, least int, fitted bool, but string) (sides []recone.Side, warnings []impedance.Warning, err error) {
	paths, err := filepath.Glob(pattern)
	if err != nil {
		return nil, nil, fmt.Errorf("%s %s is no pattern of file names: %w", flag, pattern, err)
	}
	paths = slices.DeleteFunc(paths, func(p string) bool { return but != "" && fileKey(p) == fileKey(but) })
	if len(paths) < least {
		return nil, nil, fmt.Errorf("%s %s finds %d records; %d are needed", flag, pattern, len(paths), least)
	}
	type read struct {
		side     recone.Side
		warnings []impedance.Warning
	}
	err = cores.InOrder(ctx, len(paths), func(i int) (read, error) {
		if fitted {
			side, rec, err := readSide(paths[i])
			return read{side, rec.Warnings}, err
		}
		rec, err := measured(paths[i], "a comparison")
		return read{recone.Side{Curve: rec.Curve}, rec.Warnings}, err
	}, func(i int, one read, err error) error {
		if err != nil {
			return err
		}
		one.side.Label = nameOf(paths[i])
		sides = append(sides, one.side)
		for _, w := range one.warnings {
			if !slices.ContainsFunc(warnings, func(have impedance.Warning) bool { return have.Code == w.Code }) {
				warnings = append(warnings, impedance.Warning{Code: w.Code, Text: one.side.Label + ", for one: " + w.Text})
			}
		}
		return nil
	})
	if err == nil {
		err = ctx.Err()
	}
	return sides, warnings, err
}

// stood is where a driver stands in a group.
type stood struct {
	recone.Standing
	label    string
	warnings []impedance.Warning
}

func (o *compareOptions) runGroup(ctx context.Context, e env, path string) error {
	const fewest = 4
	group, warnings, err := recordsOf(ctx, "--group", o.group, fewest, true, path)
	if err != nil {
		return err
	}
	one, rec, err := readSide(path)
	if err != nil {
		return err
	}
	one.Label = nameOf(path)
	r := stood{label: one.Label, warnings: warnings}
	for _, w := range rec.Warnings {
		if !slices.ContainsFunc(warnings, func(have impedance.Warning) bool { return have.Code == w.Code }) {
			r.warnings = append(r.warnings, w)
		}
	}
	if r.Standing, err = recone.Group(group, one); err != nil {
		return err
	}
	r.warnings = append(r.warnings, r.Warnings...)
	if err := show(e, o.json, r, r.warnings); err != nil {
		return err
	}
	return verdictExit(r.Verdict == verdict.Pass, r.Verdict == verdict.Fail)
}
