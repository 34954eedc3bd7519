package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fit/identify"
	"tapload/fit/rating"
	"tapload/fit/recone"
	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/fixtures/box/proof"
	"tapload/fixtures/hookup"
	"tapload/fixtures/jig"
	"tapload/fixtures/job"
	"tapload/fixtures/loads"
	"tapload/fixtures/plan"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
	"tapload/plot/report"
)

type reportOptions struct {
	out      []string
	paper    string
	resample bool
	json     bool
}

func newReport(e env) *cobra.Command {
	o := reportOptions{paper: report.A4.String()}
	c := &cobra.Command{
		Use:   "report",
		Short: "Write the job sheet: a page for the customer, and the bench record",
		Long: `Write the job sheet of a job's folder: a first page for the customer in plain
words, and the bench record with each load, the chosen hookup and why, the power
shared, what a pulled plug does, the boxes, their proof and reconed drivers.
Every number is worked out anew from the records in the folder.

It is one HTML file that needs no other and no network, and the same as PDF;
without -o they are report.html and report.pdf in the job's folder.`,
		Example: `  tapload report
  tapload report --job lantern-hall --paper letter
  tapload report -o hall.pdf -o hall.txt`,
		Args: noArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			paper, err := report.ParsePaper(o.paper)
			if err != nil {
				return usage(c, fmt.Errorf("--paper: %w", err))
			}
			for _, path := range o.out {
				if reportFormat(path) == "" {
					return usage(c, fmt.Errorf("-o %q: must end in .html, .pdf or .txt", path))
				}
			}
			j, err := theJob(c)
			if err != nil {
				return err
			}
			return o.run(c.Context(), e, j, paper)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	f.StringArrayVarP(&o.out, "output", "o", nil, "`file` to write, .html, .pdf or .txt; once for each")
	f.StringVar(&o.paper, "paper", o.paper, "`size` to print on: a4 or letter")
	f.BoolVar(&o.resample, "resample", false, "put curves of different frequencies on those of the first")
	f.BoolVar(&o.json, "json", false, "print what was written, and the verdicts, as JSON")
	return c
}

// reportFormat is the ending that says what a report is written as; "" for none.
func reportFormat(path string) string {
	if strings.EqualFold(filepath.Ext(path), ".txt") {
		return ".txt"
	}
	return sheetFormat(path)
}

// jobFindings are all that a report says, worked out of a job's records.
type jobFindings struct {
	job      *job.Job
	cabinets []cabinetFinding
	amp      *amp.Amplifier  // nil where the job has none
	whole    *amp.Assessment // nil without a hookup or an amplifier
	others   *plan.Result    // the hookups that there are; nil with more than the search can do
	sheet    *box.Sheet      // nil without a hookup
	proofs   []proofFinding
	drivers  []driverFinding
	jig      *jig.Calibration // nil where the job names none
	warnings []impedance.Warning
}

type cabinetFinding struct {
	job.Cabinet
	ohm  float64             // what it counts as
	dead *rating.Explanation // nil where it most likely has none
	fit  *identify.Result    // nil where it is not measured, or no loudspeaker fits
	rec  *record.Record
}

type proofFinding struct {
	job.Proof
	found  proof.Proof
	record record.Record // of what was measured
}

type driverFinding struct {
	job.Driver
	recone.Comparison
	sides [2]recone.Side
}

// findings works everything out by what the commands themselves do.
func (o reportOptions) findings(ctx context.Context, j *job.Job) (jobFindings, error) {
	r := jobFindings{job: j}
	cabs, err := o.loads(ctx, j, &r)
	if err != nil {
		return r, err
	}
	r.warnings = slices.Clone(cabs.Warnings)
	flags := ampFlags{jacks: 1}
	if j.Amplifier != nil {
		flags.amplifierOf(*j.Amplifier, func(string) bool { return false })
		a, warnings, err := flags.amplifier()
		if err != nil {
			return r, fmt.Errorf("amplifier of %s: %w", job.FileName, err)
		}
		r.amp, r.warnings = &a, append(r.warnings, warnings...)
	}
	if j.Hookup != nil {
		if err := r.hookup(ctx, flags, cabs); err != nil {
			return r, err
		}
	}
	for _, p := range j.Proofs {
		found, err := proofOf(j, p)
		if err != nil {
			return r, fmt.Errorf("proof %s: %w", p.Label, err)
		}
		r.proofs = append(r.proofs, found)
	}
	for _, d := range j.Drivers {
		var own compareOptions
		own.driverOf(j, d, func(string) bool { return false })
		v, sides, err := own.compare(func(string) bool { return false }, []string{j.Path(d.Before), j.Path(d.After)})
		if err != nil {
			return r, fmt.Errorf("driver %s: %w", d.Label, err)
		}
		r.drivers = append(r.drivers, driverFinding{d, v, sides})
	}
	if j.Jig != "" {
		k, err := readJig(j.Path(j.Jig))
		if err != nil {
			return r, err
		}
		r.jig = &k
	}
	return r, nil
}

// loads reads and fits the cabinets.
func (o reportOptions) loads(ctx context.Context, j *job.Job, r *jobFindings) (cabs loads.Set, err error) {
	args, options, err := cabinetFlags{resample: o.resample, wantRe: true}.ofJob(j)
	if err != nil {
		return cabs, err
	}
	if cabs, err = loads.Read(ctx, openFile, args, options); err != nil {
		return cabs, err
	}
	for i, cab := range j.Cabinets {
		l := cabs.Loads[i]
		f := cabinetFinding{Cabinet: cab, ohm: l.RatedOhm, dead: l.Dead}
		if on := cabs.On[i]; on != nil && on.Record != nil {
			f.rec, f.fit = on.Record, cabs.Found[i]
		}
		r.cabinets = append(r.cabinets, f)
	}
	return cabs, nil
}

// hookup puts the chosen hookup on the amplifier and makes its boxes.
func (r *jobFindings) hookup(ctx context.Context, flags ampFlags, cabs loads.Set) error {
	h := r.job.Hookup
	t, err := hookup.Parse(h.Formula)
	if err != nil {
		return err
	}
	flags.awg, flags.cable.value = h.CableAWG, h.CableM
	used, err := cabs.Of(t, false)
	if err != nil {
		return err
	}
	wired := flags.wire().To(used.Loads)
	if r.amp != nil {
		s, err := amp.Assess(*r.amp, t, wired, h.TapOhm, flags.band())
		if err != nil {
			return err
		}
		r.whole = &s
		r.warnings = append(r.warnings, s.Warnings...)
		if len(used.Loads) <= mostReported {
			found, err := plan.Find(ctx, *r.amp, wired, plan.Options{Top: mostAlternatives})
			if err != nil {
				return err
			}
			r.others = &found
		}
	}
	set, err := box.Build(t, !h.Plastic)
	if err != nil {
		return err
	}
	own := boxSheetOptions{ampFlags: flags, awg: defaultInnerAWG, only: ohms(h.TapOhm)}
	own.plug, own.washer = defaultPlug, defaultWasher
	if h.PlugMM > 0 {
		own.plug.value = h.PlugMM
	}
	s, err := own.sheet(r.amp, set, used)
	if err != nil {
		return err
	}
	r.sheet = &s
	return nil
}

const (
	mostReported     = 6 // loads for which all hookups are searched
	mostAlternatives = 4 // of those on the page
)

func proofOf(j *job.Job, p job.Proof) (proofFinding, error) {
	formula := p.Formula
	if formula == "" {
		formula = j.Hookup.Formula
	}
	t, err := hookup.Parse(formula)
	if err != nil {
		return proofFinding{}, err
	}
	o := boxVerifyOptions{hookup: formula, seen: j.Path(p.Seen), most: proof.MaxContactOhm, warmer: kelvins{of: p.WarmerK}}
	o.plastic = j.Hookup != nil && j.Hookup.Plastic
	if err := o.cabinetsOf(j, t); err != nil {
		return proofFinding{}, err
	}
	set, _, err := o.check(func(string) bool { return false })
	if err != nil {
		return proofFinding{}, err
	}
	found, seen, err := o.prove(set)
	return proofFinding{p, found, seen}, err
}

func (o reportOptions) run(ctx context.Context, e env, j *job.Job, paper report.Paper) error {
	out := o.out
	if len(out) == 0 {
		out = []string{filepath.Join(j.Folder, "report.html"), filepath.Join(j.Folder, "report.pdf")}
	}
	for _, path := range out {
		if err := (file{path: path, force: true}).check(); err != nil {
			return err
		}
	}
	r, err := o.findings(ctx, j)
	if err != nil {
		return err
	}
	d, err := r.document(e.now())
	if err != nil {
		return err
	}
	var files []file
	for _, path := range out {
		write := func(w io.Writer) error { return d.HTML(w, paper) }
		switch reportFormat(path) {
		case ".pdf":
			write = func(w io.Writer) error { return d.PDF(w, paper) }
		case ".txt":
			write = func(w io.Writer) error { return d.Text(w, pageColumns) }
		}
		files = append(files, file{path: path, force: true, write: write})
	}
	if err := writeFiles(files...); err != nil {
		return err
	}
	return show(e, o.json, reported{r, out}, r.warnings)
}

// reported is a report that was written.
type reported struct {
	jobFindings
	files []string
}

func (r reported) print(w io.Writer) error {
	p := page{w: w}
	p.words(r.answer())
	p.line("")
	p.under(9, "written", strings.Join(r.files, ", "))
	return p.err
}

type reportObject struct {
	Reference string             `json:"reference"`
	Files     []string           `json:"files"`
	Answer    string             `json:"answer"`
	Grade     string             `json:"grade"` // of the hookup; empty where none is chosen
	Safe      bool               `json:"safe"`
	Proofs    map[string]string  `json:"proofs"`       // verdicts by label
	Drivers   map[string]string  `json:"drivers"`      // verdicts by label
	Dead      []string           `json:"dead_drivers"` // cabinets that most likely have one
	Warnings  impedance.Warnings `json:"warnings"`
}

func (r reported) object() reportObject {
	o := reportObject{Reference: r.job.Reference, Files: r.files, Answer: r.answer(), Proofs: map[string]string{}, Drivers: map[string]string{}, Dead: []string{}, Warnings: impedance.Warnings(r.warnings)}
	if r.whole != nil {
		o.Grade, o.Safe = r.whole.Grade.String(), r.whole.Safe
	}
	for _, c := range r.cabinets {
		if c.dead != nil {
			o.Dead = append(o.Dead, c.Label)
		}
	}
	for _, p := range r.proofs {
		o.Proofs[p.Label] = p.found.Verdict.String()
	}
	for _, d := range r.drivers {
		o.Drivers[d.Label] = d.Verdict.String()
	}
	return o
}

// passed tells whether a proof of the chosen hookup passed, the last of them.
func (r jobFindings) passed() (passed, any bool) {
	for _, p := range r.proofs {
		if r.job.Hookup != nil && p.found.Set.Tree.String() == r.sheet.Tree.String() {
			passed, any = p.found.Verdict == verdict.Pass, true
		}
	}
	return passed, any
}

// treeWords says a hookup without its notation.
func treeWords(t hookup.Tree) string {
	if t.Kind == hookup.Leaf {
		return t.Load
	}
	var parts []string
	for _, p := range t.Parts {
		words := treeWords(p)
		if p.Kind != hookup.Leaf {
			words = "(" + words + ")"
		}
		parts = append(parts, words)
	}
	how := " in series"
	if t.Kind == hookup.Parallel {
		how = " in parallel"
	}
	return quantity.List(parts) + how
}

// answer is the whole job in a sentence or two.
func (r jobFindings) answer() string {
	dead := ""
	for _, c := range r.cabinets {
		if c.dead != nil {
			dead += "MOST LIKELY A DEAD DRIVER in " + c.Label + ": check that before anything is played. "
		}
	}
	if r.job.Hookup == nil {
		return dead + "No hookup is chosen yet."
	}
	text := dead + "Chosen: " + treeWords(r.sheet.Tree)
	if r.whole != nil {
		text += ", " + r.whole.OnTap() + ": " + r.whole.Verdict() + "."
		for _, p := range r.whole.Parts {
			if p.Overdriven() {
				text += " At full power " + p.Load.Name + " gets more than it is rated for."
			}
		}
	} else {
		text += ": no amplifier is named, so nothing is said of its taps."
	}
	switch passed, any := r.passed(); {
	case passed:
		text += " The finished boxes were measured and are right."
	case any:
		text += " The boxes as last measured are NOT right: do not use them."
	case len(r.sheet.Parts) > 0:
		text += " The boxes are not proved yet."
	}
	for _, d := range r.drivers {
		text += " Driver " + d.Label + ": " + map[verdict.Verdict]string{verdict.Pass: "as it was.", verdict.Fail: "NOT as it was.", verdict.Undecided: "undecided."}[d.Verdict]
	}
	return text
}
