package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"tapload/cmd/tapload/internal/live"
	"tapload/fit/identify"
	"tapload/fixtures/jig"
	"tapload/fixtures/job"
	"tapload/measure/card/portaudio"
	"tapload/measure/record"
	"tapload/plot/report"
)

// noCard is chosen where no sound card is to be measured with.
const noCard = "none: an invented cabinet on a virtual bench"

// steps are what can be done, in the order of a job.
func (s *session) steps() []live.Step {
	j := s.open()
	noJob, noCabinet, noHookup, noAmplifier := "", "", "", ""
	if j == nil {
		noJob = "Begin or open a job first."
		noCabinet, noHookup = noJob, noJob
	} else {
		if len(j.Cabinets) == 0 {
			noCabinet = "Measure a cabinet first."
		}
		if j.Amplifier == nil {
			noAmplifier = "The job names no amplifier."
		}
		if j.Hookup == nil {
			noHookup = "Choose a hookup first."
		}
	}
	var all []live.Step
	if kept, err := s.readSetup(); len(s.source) == 0 && (err != nil || !kept.Measures()) {
		all = append(all, live.Step{Name: "bench", Title: "What to measure with", Button: "Keep it",
			Says: "Keeps sound card and sense resistor in your settings, so that nothing asks for them again.",
			Fields: []live.Field{{Name: "card", Says: "sound card", Choices: s.cardNames(), Required: true},
				{Name: "sense", Says: "sense resistor in ohm", Value: "10", Required: true}, {Name: "within", Says: "its tolerance", Value: "1%", Required: true}}})
	}
	if j == nil {
		all = append(all, live.Step{Name: "job", Title: "Begin a job", Says: "Makes a folder for what is measured and said for one customer.", Button: "Begin it",
			Fields: []live.Field{{Name: "name", Says: "name of the job", Required: true}, {Name: "asked", Says: "what is asked"},
				{Name: "taps", Says: "taps of a valve amplifier in ohm", Value: "4,8,16"}, {Name: "least", Says: "or lowest load of a solid-state amplifier in ohm"}, {Name: "watts", Says: "its power in W"}}})
	}
	if others := s.otherJobs(); len(others) > 0 {
		all = append(all, live.Step{Name: "open", Title: "Open another job", Says: "Goes on with a job below this folder.", Button: "Open it",
			Fields: []live.Field{{Name: "job", Says: "its folder", Choices: others, Required: true}}})
	}
	ticks := make([]live.Tick, len(s.standards))
	for k, d := range s.standards {
		ticks[k] = live.Tick{Says: jig.Kind(k).String() + ": " + report.Standards[k], Done: d}
	}
	return append(all,
		live.Step{Name: "calibrate", Title: "Calibrate", Button: "Begin", Ticks: ticks,
			Says:   "Takes the errors of card and leads out of all that follows. Connect the three in any order; each is measured when it is seen.",
			Fields: []live.Field{{Name: "known", Says: "known resistor in ohm", Value: "10", Required: true}, {Name: "within", Says: "its tolerance", Value: "1%", Required: true}}},
		live.Step{Name: "cabinet", Title: "Measure a cabinet", Says: "Sweeps what is plugged in, says what it is, and puts it into the job, if one is open.", Button: "Measure it",
			Fields: []live.Field{{Name: "label", Says: "its name", Required: true}, {Name: "marked", Says: "ohms marked on it"}, {Name: "watts", Says: "watts marked on it"}, {Name: "drivers", Says: "drivers in it"}}},
		live.Step{Name: "plan", Title: "Which hookup", Says: "Finds the hookups of the job's cabinets that suit its amplifier.", Button: "Find them", WhyNot: cmp.Or(noCabinet, noAmplifier)},
		live.Step{Name: "choose", Title: "Choose the hookup", Says: "Puts the hookup into the job, on the tap that suits it best.", Button: "Choose it", WhyNot: s.noChoice(noCabinet),
			Fields: []live.Field{{Name: "formula", Says: "hookup, best first", Choices: s.hookups, Required: true}}},
		live.Step{Name: "sheet", Title: "Boxes to build", Says: "Draws the boxes of the hookup, with a table for the meter.", Button: "Draw them", WhyNot: noHookup},
		live.Step{Name: "prove", Title: "Prove a box", Says: "Sweeps through the finished boxes, with all cabinets plugged in, and says whether they are right.", Button: "Prove it", WhyNot: noHookup,
			Fields: []live.Field{{Name: "label", Says: "name of this try"}}},
		live.Step{Name: "driver", Title: "Before and after a recone", Says: "Sweeps a driver, and compares it with itself once both are there.", Button: "Measure it", WhyNot: noJob,
			Fields: []live.Field{{Name: "label", Says: "name of the driver", Required: true}, {Name: "when", Says: "the work on it", Choices: []string{asBefore, asAfter}, Required: true}}},
		live.Step{Name: "report", Title: "Job sheet", Says: "Writes report.html and report.pdf into the job's folder.", Button: "Write it", WhyNot: noCabinet},
	)
}

func (s *session) noChoice(noCabinet string) string {
	if noCabinet == "" && len(s.hookups) == 0 {
		return "Find the hookups first."
	}
	return noCabinet
}

func (s *session) cardNames() (names []string) {
	if infos, _, err := s.sound.list(); err == nil {
		for _, c := range portaudio.Cards(infos).BestFirst() {
			if c.Measures() {
				names = append(names, c.Name)
			}
		}
	}
	return append(names, noCard)
}

// otherJobs are the folders of jobs below the current one, but for the open one.
func (s *session) otherJobs() []string {
	all, err := job.Below(".")
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(all, func(folder string) bool { return folder == s.job })
}

// do does a step.
func (s *session) do(ctx context.Context, step string, filled map[string]string, tell func(string)) live.Answer {
	command := func(args ...string) done { return s.run(ctx, &pageSink{}, append(args, "--json")...) }
	opt := func(flag, field string) []string {
		if filled[field] == "" {
			return nil
		}
		return []string{flag, filled[field]}
	}
	sweep := func(as, label string) done {
		tell("sweeping")
		args := []string{"sweep"}
		if s.job != "" {
			args = append(args, "--as", as)
		}
		if label != "" {
			args = append(args, "--label", label)
		}
		return command(append(args, s.measures()...)...)
	}
	switch step {
	case "bench":
		return s.keepBench(ctx, filled)
	case "job":
		return s.begin(ctx, filled)
	case "open":
		s.job, s.hookups, s.standards = filled["job"], nil, [3]bool{}
		return live.Answer{OK: true, Says: "opened " + s.job}
	case "calibrate":
		return s.calibrate(ctx, filled, tell)
	case "cabinet":
		d := sweep(asCabinet, filled["label"])
		about := slices.Concat(opt("--marked-ohm", "marked"), opt("--watts", "watts"), opt("--drivers", "drivers"))
		if !d.ok() || s.job == "" || about == nil {
			return d.answer("")
		}
		s.hookups = nil
		if said := s.run(ctx, &pageSink{}, slices.Concat([]string{"job", "replace", "cabinet", filled["label"]}, about)...); !said.ok() {
			return live.Answer{Says: "measured, but: " + said.fault(), Pages: d.pages}
		}
		return command("fit", filled["label"]).answer("")
	case "plan":
		d := command("plan")
		var found struct{ Hookups []struct{ Hookup string } }
		if d.ok() && json.Unmarshal([]byte(d.json), &found) == nil {
			s.hookups = nil
			for _, h := range found.Hookups {
				s.hookups = append(s.hookups, h.Hookup)
			}
		}
		return d.answer("")
	case "choose":
		if d := s.run(ctx, &pageSink{}, "job", "add", "hookup", filled["formula"]); !d.ok() {
			return d.answer("")
		}
		return command("hookup", filled["formula"]).answer("")
	case "sheet":
		return command("box", "sheet").answer("")
	case "prove":
		return sweep(asProof, filled["label"]).answer("")
	case "driver":
		return sweep(filled["when"], filled["label"]).answer("")
	case "report":
		return command("report", "--details").answer("")
	}
	return live.Answer{Says: "there is no such step"}
}

// keepBench keeps card and resistor in the user's settings.
func (s *session) keepBench(ctx context.Context, filled map[string]string) live.Answer {
	if filled["card"] == noCard {
		path, err := s.env.inventedBench()
		if err != nil {
			return live.Answer{Says: err.Error()}
		}
		s.source = []string{"--bench", path}
		return live.Answer{OK: true, Says: "an invented cabinet is plugged in; nothing of it was ever measured"}
	}
	return s.run(ctx, &pageSink{}, "setup", "--card", filled["card"], "--sense-ohm", filled["sense"], "--sense-tolerance", filled["within"]).answer("kept; plug in a load and look")
}

// begin makes a job and opens it.
func (s *session) begin(ctx context.Context, filled map[string]string) live.Answer {
	folder := record.FileName(filled["name"])
	if folder == "" {
		return live.Answer{Says: fmt.Sprintf("the name %q makes no folder; use letters or digits", filled["name"])}
	}
	args := []string{"job", "new", folder, "--reference", filled["name"]}
	for flag, field := range map[string]string{"--asked": "asked", "--watts": "watts", "--amp-min-ohm": "least"} {
		if filled[field] != "" {
			args = append(args, flag, filled[field])
		}
	}
	if filled["least"] == "" && filled["taps"] != "" {
		args = append(args, "--tap", filled["taps"])
	}
	d := s.run(ctx, &pageSink{}, args...)
	if d.ok() {
		s.job, s.hookups, s.standards = folder, nil, [3]bool{}
		if s.jig != "" {
			d = s.run(ctx, &pageSink{}, "job", "add", "jig", s.jig)
		}
	}
	return d.answer("begun: " + folder)
}

// seenFor is for how many moments a standard must look like itself.
const seenFor = 5

// calibrate measures the three standards, each as soon as it is seen.
func (s *session) calibrate(ctx context.Context, filled map[string]string, tell func(string)) live.Answer {
	known, err := parseQuantity(filled["known"], "ohm")
	if err != nil {
		return live.Answer{Says: "known resistor: " + err.Error()}
	}
	path := s.jigPath()
	s.standards = [3]bool{}
	virtual := slices.Contains(s.source, "--bench")
	if kept, err := s.readSetup(); err == nil && len(s.source) == 0 {
		virtual = kept.Bench != ""
	}
	for {
		left := slices.Index(s.standards[:], false)
		if left < 0 {
			break
		}
		kind := jig.Kind(left)
		if !virtual { // whose standards are connected by themselves
			if kind, err = s.seen(ctx, known, tell); err != nil {
				return live.Answer{Says: err.Error()}
			}
		}
		tell("measuring the " + kind.String() + " standard")
		args := slices.Concat([]string{"jig", kind.String(), "-o", path, "--json"}, s.uncalibrated())
		if kind == jig.Known {
			args = append(args, "--ohm", filled["known"], "--tolerance", filled["within"])
		}
		if d := s.run(ctx, &pageSink{}, args...); !d.ok() {
			return d.answer("")
		}
		s.standards[kind] = true
	}
	if s.job == "" {
		s.jig = path
	} else if d := s.run(ctx, &pageSink{}, "job", "add", "jig", path); !d.ok() {
		return d.answer("")
	}
	d := s.run(ctx, &pageSink{}, "jig", "show", path, "--json")
	return d.answer("calibrated; all that follows is corrected")
}

// uncalibrated are the flags of what is measured with, but for a calibration.
func (s *session) uncalibrated() (flags []string) {
	for i := 0; i+1 < len(s.source); i += 2 {
		if s.source[i] != "--jig" {
			flags = append(flags, s.source[i], s.source[i+1])
		}
	}
	return flags
}

// seen waits until one of the standards that are still to be measured is seen, and
// tells what is seen meanwhile.
func (s *session) seen(ctx context.Context, knownOhm float64, tell func(string)) (kind jig.Kind, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var missing []string
	for k, d := range s.standards {
		if !d {
			missing = append(missing, report.Standards[k])
		}
	}
	next := "connect one of: " + strings.Join(missing, "; ")
	tell(next)
	times, found := 0, false
	d := s.run(ctx, &pageSink{event: func(e identify.LiveEvent) {
		if e.Looks == nil || found {
			times = 0
			return
		}
		now, is := standardOf(*e.Looks, knownOhm)
		if !is || s.standards[now] || now != kind {
			times = 0
		}
		switch {
		case !is:
			tell(fmt.Sprintf("this looks like %s; %s", e.Looks, next))
		case s.standards[now]:
			tell(fmt.Sprintf("%s is measured; %s", now, next))
		default:
			if kind, times = now, times+1; times >= seenFor {
				found = true
				cancel()
			}
		}
	}}, slices.Concat([]string{"live", "--text", "--jig", ""}, s.uncalibrated())...)
	switch {
	case found:
		return kind, nil
	case ctx.Err() != nil:
		return kind, errors.New("stopped; the standards that are measured are kept")
	}
	return kind, errors.New(d.fault())
}

// standardOf is the standard that an end looks like.
func standardOf(e jig.End, knownOhm float64) (kind jig.Kind, is bool) {
	const near = 0.25 // of the known resistor, before anything is calibrated
	switch {
	case e.Kind == jig.OpenEnd:
		return jig.Open, true
	case e.Kind == jig.ShortEnd:
		return jig.Short, true
	case e.Kind == jig.ResistorEnd && math.Abs(e.Ohm/knownOhm-1) <= near:
		return jig.Known, true
	}
	return 0, false
}
