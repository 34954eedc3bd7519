package main

import (
	"context"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
	"tapload/fixtures/loads"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
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
			s, err := statusOf(c.Context(), j)
			if err != nil {
				return err
			}
			return show(e, asJSON, s, s.cabinets.Warnings)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print the status as JSON")
	return c
}

// jobStatus is what a job has and has not.
type jobStatus struct {
	job      *job.Job
	cabinets loads.Set // without curves
	missing  []string
	next     string // command
}

func statusOf(ctx context.Context, j *job.Job) (jobStatus, error) {
	s := jobStatus{job: j}
	args, options, err := cabinetFlags{}.ofJob(j)
	if err != nil {
		return s, err
	}
	if s.cabinets, err = loads.Open(ctx, openFile, args, options); err != nil {
		return s, err
	}
	s.findMissing()
	return s, nil
}

// ofJob returns all cabinets of a job as a command line names them.
func (o cabinetFlags) ofJob(j *job.Job) (args []string, options loads.Options, err error) {
	for _, cab := range j.Cabinets {
		args = append(args, o.cabinet(j, cab))
	}
	options, err = o.options()
	return args, options, err
}

// taken is when cabinet number i was measured; zero where that is not known.
func (s *jobStatus) taken(i int) time.Time {
	if on := s.cabinets.On[i]; on != nil && on.Record != nil {
		return on.Record.Taken
	}
	return time.Time{}
}

// cabinet says what cabinet number i is.
func (s *jobStatus) cabinet(i int) string {
	cab := s.job.Cabinets[i]
	text := cab.Label + ": " + quantity.Ohms(s.cabinets.Loads[i].RatedOhm) + " ohm"
	switch {
	case cab.Record == "":
		text += " as marked, not measured"
	case cab.RatedOhm > 0:
		text += " as marked"
	default:
		text += " as measured"
	}
	text += ofWatts(cab.Watts)
	if cab.Record != "" {
		text += "; " + cab.Record + ofDay(s.taken(i))
	}
	return text
}

func ofDay(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return " of " + t.Format(time.DateOnly)
}

func ofWatts(w float64) string {
	if w == 0 {
		return ""
	}
	return ", " + quantity.Plain(w) + " W"
}

// findMissing lists what the job lacks, and finds the command that comes next.
func (s *jobStatus) findMissing() {
	j := s.job
	in := ""
	if j.Folder != "." {
		in = " --job " + shellWord(j.Folder)
	}
	lack := func(what, command string) {
		s.missing = append(s.missing, what)
		if s.next == "" {
			s.next = command
		}
	}
	measured := 0
	var unmeasured []string
	for _, cab := range j.Cabinets {
		if cab.Record != "" {
			measured++
		} else {
			unmeasured = append(unmeasured, cab.Label)
		}
	}
	if j.Amplifier == nil {
		lack("the amplifier", "tapload job add amplifier --tap 4,8,16 --watts 50"+in)
	}
	if j.Jig == "" {
		if measured == 0 {
			lack("the jig's calibration", "tapload jig open --card NAME -o jig.json")
		} else {
			lack("the jig's calibration", "") // the records are there without it
		}
	}
	switch {
	case len(j.Cabinets) == 0:
		lack("the cabinets", "tapload job add cabinet LABEL --record CAB"+recordSuffix+in)
	case measured == 0:
		lack("a measurement of "+quantity.List(unmeasured), "tapload sweep --card NAME --label "+shellWord(unmeasured[0]))
	case len(unmeasured) > 0: // a rating may have to do
		lack("a measurement of "+quantity.List(unmeasured), "")
	}
	switch {
	case j.Hookup == nil:
		lack("the hookup", "tapload plan"+in)
	case len(j.Proofs) == 0 && len(j.Cabinets) > 1:
		lack("a proof of the boxes", "tapload job add proof \"first try\" --seen BOX"+recordSuffix+in)
	}
	if s.next == "" {
		s.next = "tapload report" + in
	}
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
	if dead := hookup.Suspected(s.cabinets.Loads).Words(); dead != "" {
		p.words(dead)
	}
	p.line("")
	p.under(column, "file", jobPath(j))
	if a := j.Amplifier; a != nil {
		p.under(column, "amplifier", amplifierWords(*a))
	}
	if j.Jig != "" {
		p.under(column, "jig", j.Jig)
	}
	for i, cab := range j.Cabinets {
		p.under(column, "cabinet", s.cabinet(i))
		if cab.Notes != "" {
			p.under(column, "", cab.Notes)
		}
	}
	if h := j.Hookup; h != nil {
		text := h.Formula
		if h.TapOhm > 0 {
			text += " on the " + quantity.Ohms(h.TapOhm) + " ohm tap"
		}
		p.under(column, "hookup", text)
		if h.Why != "" {
			p.under(column, "", h.Why)
		}
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
		p.under(column, "missing", quantity.List(s.missing))
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
			taps = append(taps, quantity.Ohms(t))
		}
		word := "taps "
		if len(taps) == 1 {
			word = "tap "
		}
		parts = append(parts, word+quantity.List(taps)+" ohm")
	} else {
		parts = append(parts, "solid state, for "+quantity.Ohms(a.MinOhm)+" ohm or more")
	}
	if a.Watts > 0 {
		parts = append(parts, quantity.Plain(a.Watts)+" W")
	}
	return strings.Join(parts, "; ")
}

type statusObject struct {
	Reference string               `json:"reference"`
	Asked     string               `json:"asked"`
	File      string               `json:"file"`
	Jig       string               `json:"jig"`       // empty where none is named
	Amplifier *statusAmplifier     `json:"amplifier"` // null where none is known
	Cabinets  []statusCabinetEntry `json:"cabinets"`
	Hookup    *statusHookup        `json:"hookup"` // null where none is chosen
	Proofs    []statusProofEntry   `json:"proofs"`
	Drivers   []statusDriverEntry  `json:"drivers"`
	Notes     []string             `json:"notes"`
	Missing   []string             `json:"missing"`
	Next      string               `json:"next"`
	Warnings  impedance.Warnings   `json:"warnings"`
}

type statusAmplifier struct {
	Name    string    `json:"name"`
	TapsOhm []float64 `json:"taps_ohm"` // empty for a solid-state one
	MinOhm  *float64  `json:"min_ohm"`  // null for a valve one
	Watts   *float64  `json:"watts"`
}

type statusCabinetEntry struct {
	Label    string   `json:"label"`
	Record   string   `json:"record"` // empty for a rating alone
	Taken    *string  `json:"taken"`
	RatedOhm float64  `json:"rated_ohm"`
	Marked   bool     `json:"marked"` // the rating is the job's, not the record's
	Watts    *float64 `json:"watts"`
}

type statusHookup struct {
	Formula string   `json:"formula"`
	TapOhm  *float64 `json:"tap_ohm"` // null for the best
	Why     string   `json:"why"`
}

type statusProofEntry struct {
	Label string `json:"label"`
	Seen  string `json:"seen"`
}

type statusDriverEntry struct {
	Label  string `json:"label"`
	Before string `json:"before"`
	After  string `json:"after"`
}

func (s jobStatus) object() statusObject {
	j := s.job
	given := func(x float64) *float64 {
		if x == 0 {
			return nil
		}
		return &x
	}
	o := statusObject{
		Reference: j.Reference, Asked: j.Asked, File: jobPath(j), Jig: j.Jig, Next: s.next,
		Cabinets: []statusCabinetEntry{}, Proofs: []statusProofEntry{}, Drivers: []statusDriverEntry{},
		Notes: append([]string{}, j.Notes...), Missing: append([]string{}, s.missing...), Warnings: s.cabinets.Warnings,
	}
	if a := j.Amplifier; a != nil {
		o.Amplifier = &statusAmplifier{a.Name, append([]float64{}, a.TapsOhm...), given(a.MinOhm), given(a.Watts)}
	}
	for i, cab := range j.Cabinets {
		c := statusCabinetEntry{Label: cab.Label, Record: cab.Record, RatedOhm: s.cabinets.Loads[i].RatedOhm, Marked: cab.RatedOhm > 0, Watts: given(cab.Watts)}
		if at := s.taken(i); !at.IsZero() {
			taken := at.Format(time.RFC3339)
			c.Taken = &taken
		}
		o.Cabinets = append(o.Cabinets, c)
	}
	if h := j.Hookup; h != nil {
		o.Hookup = &statusHookup{h.Formula, given(h.TapOhm), h.Why}
	}
	for _, p := range j.Proofs {
		o.Proofs = append(o.Proofs, statusProofEntry{p.Label, p.Seen})
	}
	for _, d := range j.Drivers {
		o.Drivers = append(o.Drivers, statusDriverEntry{d.Label, d.Before, d.After})
	}
	return o
}
