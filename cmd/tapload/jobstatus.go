package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fit/rating"
	"tapload/fixtures/job"
	"tapload/measure/impedance"
)

func newJobStatus(e env) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "status",
		Short: "Say what a job has, what is missing, and what to do next",
		Long: `Say what a job has, what is missing, and which command comes next. It reads
every record that the job names and rates each cabinet.`,
		Example: `  tapload job status
  tapload job status --job lantern-hall --json`,
		Args: noArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			j, err := theJob(c)
			if err != nil {
				return err
			}
			s, err := statusOf(j)
			if err != nil {
				return err
			}
			return show(e, asJSON, s, s.warnings)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print the status as JSON")
	return c
}

// jobStatus is what a job has and has not.
type jobStatus struct {
	job      *job.Job
	cabinets []string // what each is, in words
	missing  []string
	next     string // command
	warnings []impedance.Warning
}

func statusOf(j *job.Job) (jobStatus, error) {
	s := jobStatus{job: j}
	var about namedWarnings
	unmeasured := ""
	for _, cab := range j.Cabinets {
		if cab.Record == "" {
			s.cabinets = append(s.cabinets, rating.Ohms(cab.RatedOhm)+" ohm by its label alone"+ofWatts(cab.Watts))
			if unmeasured == "" {
				unmeasured = cab.Label
			}
			continue
		}
		o := cabinetFlags{}
		src, err := o.source(j.Path(cab.Record), "", cab.RatedOhm == 0)
		if err != nil {
			return s, fmt.Errorf("cabinet %s: %w", cab.Label, err)
		}
		ohm := cab.RatedOhm
		text := "rated " + rating.Ohms(ohm) + " ohm by hand"
		if ohm == 0 {
			text = "rated " + rating.Ohms(src.ohm) + " ohm as measured"
		}
		s.cabinets = append(s.cabinets, text+ofWatts(cab.Watts)+"; "+cab.Record)
		about.add(cab.Label, src.warnings)
	}
	s.warnings = about.list()
	s.next = s.findMissing(unmeasured)
	return s, nil
}

func ofWatts(w float64) string {
	if w == 0 {
		return ""
	}
	return ", " + plain(w) + " W"
}

// findMissing lists what the job lacks and returns the command that comes next.
func (s *jobStatus) findMissing(unmeasured string) (next string) {
	j := s.job
	in := ""
	if j.Folder != "." {
		in = " --job " + shellWord(j.Folder)
	}
	lack := func(what, command string) {
		s.missing = append(s.missing, what)
		if next == "" {
			next = command
		}
	}
	if j.Amplifier == nil {
		lack("the amplifier", "tapload job add amplifier --tap 4,8,16 --watts 50"+in)
	}
	if j.Jig == "" {
		lack("the jig's calibration", "tapload jig open --card NAME -o jig.json")
	}
	if len(j.Cabinets) == 0 {
		lack("the cabinets", "tapload job add cabinet LABEL --record CAB"+recordSuffix+in)
	}
	if unmeasured != "" {
		lack("a measurement of "+unmeasured, "tapload sweep --card NAME --label "+shellWord(unmeasured))
	}
	switch {
	case j.Hookup == nil && len(j.Cabinets) > 0 && j.Amplifier != nil:
		lack("the hookup", "tapload plan"+in)
	case j.Hookup == nil:
		lack("the hookup", "")
	case len(j.Proofs) == 0 && len(j.Cabinets) > 1:
		lack("a proof of the boxes", "tapload job add proof \"first try\" --seen BOX"+recordSuffix+in)
	}
	if next == "" {
		next = "tapload report" + in
	}
	return next
}

func (s jobStatus) print(w io.Writer) error {
	const column = 11
	p := page{w: w}
	j := s.job
	title := "Job " + j.Reference
	if j.Asked != "" {
		title += ": " + j.Asked
	}
	p.words(title)
	p.line("")
	p.under(column, "file", filepath.Join(j.Folder, job.FileName))
	if a := j.Amplifier; a != nil {
		p.under(column, "amplifier", amplifierWords(*a))
	}
	if j.Jig != "" {
		p.under(column, "jig", j.Jig)
	}
	for i, cab := range j.Cabinets {
		p.under(column, "cabinet", cab.Label+": "+s.cabinets[i])
	}
	if h := j.Hookup; h != nil {
		text := h.Formula
		if h.TapOhm > 0 {
			text += " on the " + rating.Ohms(h.TapOhm) + " ohm tap"
		}
		p.under(column, "hookup", text)
	}
	for _, v := range j.Proofs {
		p.under(column, "proof", v.Label+": "+v.Seen)
	}
	for _, d := range j.Drivers {
		p.under(column, "driver", d.Label+": "+d.Before+", "+d.After)
	}
	for _, note := range j.Notes {
		p.under(column, "note", note)
	}
	p.line("")
	if len(s.missing) > 0 {
		p.under(column, "missing", inWords(s.missing))
	}
	p.line("next       " + s.next) // one line, to be copied
	return p.err
}

// amplifierWords says what an amplifier is.
func amplifierWords(a job.Amplifier) string {
	var parts []string
	if a.Name != "" {
		parts = append(parts, a.Name)
	}
	if len(a.TapsOhm) > 0 {
		var taps []string
		for _, t := range a.TapsOhm {
			taps = append(taps, rating.Ohms(t))
		}
		word := "taps "
		if len(taps) == 1 {
			word = "tap "
		}
		parts = append(parts, word+inWords(taps)+" ohm")
	} else {
		parts = append(parts, "solid state, for "+rating.Ohms(a.MinOhm)+" ohm or more")
	}
	if a.Watts > 0 {
		parts = append(parts, plain(a.Watts)+" W")
	}
	return strings.Join(parts, "; ")
}

type statusObject struct {
	Reference string         `json:"reference"`
	File      string         `json:"file"`
	Cabinets  []statusEntry  `json:"cabinets"`
	Hookup    string         `json:"hookup"` // empty where none is chosen
	Proofs    []string       `json:"proofs"`
	Drivers   []string       `json:"drivers"`
	Missing   []string       `json:"missing"`
	Next      string         `json:"next"`
	Warnings  []warningEntry `json:"warnings"`
}

type statusEntry struct {
	Label string `json:"label"`
	What  string `json:"what"`
}

func (s jobStatus) object() statusObject {
	o := statusObject{
		Reference: s.job.Reference, File: filepath.Join(s.job.Folder, job.FileName), Next: s.next,
		Cabinets: []statusEntry{}, Proofs: []string{}, Drivers: []string{}, Missing: append([]string{}, s.missing...), Warnings: warningEntries(s.warnings),
	}
	for i, cab := range s.job.Cabinets {
		o.Cabinets = append(o.Cabinets, statusEntry{cab.Label, s.cabinets[i]})
	}
	if s.job.Hookup != nil {
		o.Hookup = s.job.Hookup.Formula
	}
	for _, p := range s.job.Proofs {
		o.Proofs = append(o.Proofs, p.Label)
	}
	for _, d := range s.job.Drivers {
		o.Drivers = append(o.Drivers, d.Label)
	}
	return o
}
