package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"tapload/fit/recone"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// checkMatch is check for --match.
func (o *compareOptions) checkMatch(f *pflag.FlagSet, args []string) error {
	switch {
	case len(args) > 0:
		return fmt.Errorf("%q: --match takes the records from its pattern, and no others", args[0])
	case o.per != 2 && o.per != 4:
		return fmt.Errorf("--per %d: drivers are matched in pairs (2) or quads (4)", o.per)
	}
	return o.only(f, "--match", "limits", "before-celsius", "after-celsius", "added-mass-g", "box-l", "diameter-mm", "before-with", "after-with", "output", "changes-plot", "ratio-plot", "distortion-plot")
}

// nameOf is how a driver of many is called: by its file.
func nameOf(path string) string { return strings.TrimSuffix(filepath.Base(path), recordSuffix) }

// matched is a matching and the names of its drivers.
type matched struct {
	recone.Matching
	names    []string
	warnings []impedance.Warning
}

func (o *compareOptions) runMatch(ctx context.Context, e env) error {
	sides, warnings, err := recordsOf(ctx, "--match", o.match, o.per, false, "")
	if err != nil {
		return err
	}
	r := matched{warnings: warnings}
	for _, s := range sides {
		r.names = append(r.names, s.Label)
	}
	if r.Matching, err = recone.Match(sides, o.per); err != nil {
		return err
	}
	r.warnings = append(r.warnings, r.Warnings...)
	return show(e, o.json, r, r.warnings)
}

func (r matched) group(members []int) []string {
	names := []string{}
	for _, i := range members {
		names = append(names, r.names[i])
	}
	return names
}

func (r matched) print(w io.Writer) error {
	p := page{w: w}
	what := "pairs"
	if r.Per == 4 {
		what = "quads"
	}
	how := fmt.Sprintf("no other choice has a lower sum than these %s %%", quantity.Digits(r.Total, 3))
	if !r.Optimal {
		how = fmt.Sprintf("their sum is %s %%, and no choice has less than %s %%", quantity.Digits(r.Total, 3), quantity.Digits(r.AtLeast, 3))
	}
	p.words(fmt.Sprintf("%d %s of %d drivers; %s", len(r.Groups), what, len(r.names), how))
	p.line("")
	p.line("apart    drivers")
	for _, g := range r.Groups {
		p.under(9, fmt.Sprintf("%.2f %%", g.Widest), strings.Join(r.group(g.Members), ", "))
	}
	if len(r.Left) > 0 {
		p.under(9, "left", strings.Join(r.group(r.Left), ", "))
	}
	p.line("")
	p.under(2, "-", "apart: rms difference of the two curves over log frequency, modulus and phase; of a quad the widest of its six")
	if r.Noise > 0 {
		p.under(2, "-", fmt.Sprintf("noise alone puts %s %% between two drivers", quantity.Digits(r.Noise, 2)))
	}
	return p.err
}

// matchObject is what a matching tells programs.
type matchObject struct {
	Per      int                `json:"per"`
	Groups   []groupObject      `json:"groups"` // closest first
	Left     []string           `json:"left"`
	Total    float64            `json:"total_percent"`
	AtLeast  float64            `json:"at_least_percent"`
	Optimal  bool               `json:"optimal"`
	Noise    float64            `json:"noise_percent"`
	Warnings impedance.Warnings `json:"warnings"`
}

type groupObject struct {
	Drivers []string `json:"drivers"`
	Percent float64  `json:"sum_percent"`
	Widest  float64  `json:"widest_percent"`
}

func (r matched) object() matchObject {
	o := matchObject{r.Per, []groupObject{}, r.group(r.Left), r.Total, r.AtLeast, r.Optimal, r.Noise, impedance.Warnings(r.warnings)}
	for _, g := range r.Groups {
		o.Groups = append(o.Groups, groupObject{r.group(g.Members), g.Percent, g.Widest})
	}
	return o
}
