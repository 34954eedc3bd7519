package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"tapload/cmd/tapload/internal/live"
	"tapload/fixtures/job"
	"tapload/measure/card/portaudio"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// noCard is chosen where no sound card is to be measured with.
const noCard = "none: an invented cabinet on a virtual bench"

// stepTitles are what the steps are called, by their names.
var stepTitles = map[string]string{
	"bench":     "What to measure with",
	"job":       "Begin a job",
	"amplifier": "Which amplifier",
	"open":      "Open another job",
	"calibrate": "Calibrate",
	"cabinet":   "Measure a cabinet",
	"plan":      "Which hookup",
	"choose":    "Choose the hookup",
	"sheet":     "Boxes to build",
	"prove":     "Prove a box",
	"driver":    "Before and after a recone",
	"report":    "Job sheet",
}

// steps are what can be done, in the order of a job, which may be nil or spoilt;
// measures tells whether anybody said what to measure with.
func (s *session) steps(ctx context.Context, j *job.Job, spoilt error, measures bool) []live.Step {
	unread, noJob, noCabinet, noHookup, noAmplifier := "", "", "", "", ""
	switch {
	case spoilt != nil:
		unread = "The job's file cannot be read. Mend it, or put back the copy beside it whose name ends in ~; it is read again within a second."
		noJob, noCabinet, noHookup = unread, unread, unread
	case j == nil:
		noJob = "Begin or open a job first."
		noCabinet, noHookup = noJob, noJob
	default:
		if len(j.Cabinets) == 0 {
			noCabinet = "Measure a cabinet first."
		}
		if j.Amplifier == nil {
			noAmplifier = "Say which amplifier it is first."
		}
		if j.Hookup == nil {
			noHookup = "Choose a hookup first."
		}
	}
	var all []live.Step
	if !measures || s.failed.Load() {
		all = append(all, live.Step{Name: "bench", Title: stepTitles["bench"], Button: "Keep it",
			Says: "Keeps sound card and sense resistor in your settings, so that nothing asks for them again.", Fields: s.benchFields()})
	}
	amplifier := []live.Field{{Name: "taps", Says: "taps of a valve amplifier in ohm", Value: "4,8,16"}, {Name: "least", Says: "or lowest load of a solid-state amplifier in ohm"}, {Name: "watts", Says: "its power in W"}}
	if s.job == "" {
		all = append(all, live.Step{Name: "job", Title: stepTitles["job"], Says: "Makes a folder for what is measured and said for one customer.", Button: "Begin it",
			Fields: append([]live.Field{{Name: "name", Says: "name of the job", Required: true}, {Name: "asked", Says: "what is asked"}}, amplifier...)})
	}
	if j != nil && j.Amplifier == nil {
		all = append(all, live.Step{Name: "amplifier", Title: stepTitles["amplifier"], Says: "Puts the amplifier into the job, as its maker marks it.", Button: "Keep it", Fields: amplifier})
	}
	if others := s.otherJobs(ctx); len(others) > 0 {
		all = append(all, live.Step{Name: "open", Title: stepTitles["open"], Says: "Goes on with a job below this folder.", Button: "Open it",
			Fields: []live.Field{{Name: "job", Says: "its folder", Choices: others, Required: true}}})
	}
	about := []live.Field{{Name: "label", Says: "its name", Required: true}, {Name: "marked", Says: "ohms marked on it"}, {Name: "drivers", Says: "drivers in it"}}
	if s.job != "" { // which alone keeps them
		about = slices.Insert(about, 2, live.Field{Name: "watts", Says: "watts marked on it"})
	}
	return append(all,
		live.Step{Name: "calibrate", Title: stepTitles["calibrate"], Button: "Begin", Ticks: s.ticks(),
			Says:   "Takes the errors of card and leads out of all that follows. Connect the three in any order; each is measured when it is seen.",
			Fields: []live.Field{{Name: "known", Says: "known resistor in ohm", Value: "10", Required: true}, {Name: "within", Says: "its tolerance", Value: "1%", Required: true}}},
		live.Step{Name: "cabinet", Title: stepTitles["cabinet"], Says: "Sweeps what is plugged in, says what it is, and puts it into the job, if one is open. A name that the job has gets the new measurement, and the earlier one is kept.", Button: "Measure it", WhyNot: unread, Fields: about},
		live.Step{Name: "plan", Title: stepTitles["plan"], Says: "Finds the hookups of the job's cabinets that suit its amplifier.", Button: "Find them", WhyNot: cmp.Or(noCabinet, noAmplifier)},
		live.Step{Name: "choose", Title: stepTitles["choose"], Says: "Puts the hookup into the job, on the tap that suits it best.", Button: "Choose it", WhyNot: s.noChoice(noCabinet),
			Fields: []live.Field{{Name: "formula", Says: "hookup, best first", Choices: s.hookups, Required: true}}},
		live.Step{Name: "sheet", Title: stepTitles["sheet"], Says: "Draws the boxes of the hookup, with a table for the meter.", Button: "Draw them", WhyNot: noHookup},
		live.Step{Name: "prove", Title: stepTitles["prove"], Says: "Sweeps through the finished boxes, with all cabinets plugged in, and says whether they are right.", Button: "Prove it", WhyNot: noHookup,
			Fields: []live.Field{{Name: "label", Says: "name of this try"}}},
		live.Step{Name: "driver", Title: stepTitles["driver"], Says: "Sweeps a driver, and compares it with itself once both are there.", Button: "Measure it", WhyNot: noJob,
			Fields: []live.Field{{Name: "label", Says: "name of the driver", Required: true}, {Name: "when", Says: "the work on it", Choices: []string{asBefore, asAfter}, Required: true}}},
		live.Step{Name: "report", Title: stepTitles["report"], Says: "Writes report.html and report.pdf into the job's folder.", Button: "Write it", WhyNot: noCabinet},
	)
}

func (s *session) noChoice(noCabinet string) string {
	if noCabinet == "" && len(s.hookups) == 0 {
		return "Find the hookups first."
	}
	return noCabinet
}

// benchFields ask what to measure with. What the command line, the user's settings
// or the machine leave no doubt of is filled in.
func (s *session) benchFields() []live.Field {
	cards := s.cardNames()
	card, sense, within := "", "10", "1%"
	if len(cards) == 2 { // one, and none
		card = cards[0]
	}
	if kept, err := s.readSetup(); err == nil { // what is wrong with it the next command says
		if kept.Card != nil {
			card = *kept.Card
		}
		if kept.SenseOhm > 0 {
			sense = quantity.Plain(kept.SenseOhm)
		}
		if p := kept.SenseTolerancePercent; p != nil {
			within = quantity.Plain(*p) + "%"
		}
	}
	for i := 0; i+1 < len(s.source); i += 2 {
		switch value := s.source[i+1]; s.source[i] {
		case "--card":
			card = value
		case "--sense-ohm":
			sense = value
		case "--sense-tolerance":
			within = value
		}
	}
	if !slices.Contains(cards, card) {
		card = ""
	}
	return []live.Field{
		{Name: "card", Says: "sound card", Value: card, Choices: cards, Required: true},
		{Name: "sense", Says: "sense resistor in ohm", Value: sense, Required: true},
		{Name: "within", Says: "its tolerance", Value: within, Required: true},
	}
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
func (s *session) otherJobs(ctx context.Context) []string {
	all, err := job.Below(ctx, ".")
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(all, func(folder string) bool { return folder == s.job })
}

// do does a step, and keeps what it says.
func (s *session) do(ctx context.Context, step string, filled map[string]string, tell func(live.At)) live.Answer {
	a := s.doing(ctx, step, filled, tell)
	s.log(step, a)
	return a
}

func (s *session) doing(ctx context.Context, step string, filled map[string]string, tell func(live.At)) live.Answer {
	command := func(args ...string) done { return s.run(ctx, &pageSink{at: tell}, append(args, "--json")...) }
	opt := func(flag, field string) []string {
		if filled[field] == "" {
			return nil
		}
		return []string{flag, filled[field]}
	}
	sweep := func(as, label string) done {
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
	case "amplifier":
		return s.run(ctx, &pageSink{}, append([]string{"job", "add", "amplifier"}, amplifierFlags(filled)...)...).answer("kept; the bands on the chart are its taps")
	case "open":
		s.job, s.hookups, s.standards = filled["job"], nil, [3]bool{}
		return live.Answer{OK: true, Says: "opened " + s.job}
	case "calibrate":
		return s.calibrate(ctx, filled, tell)
	case "cabinet":
		d := sweep(asCabinet, filled["label"])
		about := slices.Concat(opt("--marked-ohm", "marked"), opt("--drivers", "drivers"))
		watts := opt("--watts", "watts")
		if !d.ok() || about == nil && watts == nil {
			return d.answer("")
		}
		ctx = context.WithoutCancel(ctx) // what is measured is entered whole
		entered, fit := done{}, []string{"fit", filled["label"]}
		if s.job == "" { // nothing keeps what was filled in, and the answer heeds it all the same
			var swept struct{ File string }
			if err := json.Unmarshal([]byte(d.json), &swept); err != nil {
				return live.Answer{Says: "measured, but: " + err.Error(), Pages: d.pages}
			}
			fit = append([]string{"fit", swept.File}, about...)
		} else {
			s.hookups = nil
			entered = s.run(ctx, &pageSink{}, slices.Concat([]string{"job", "replace", "cabinet", filled["label"]}, about, watts)...)
		}
		if entered.ok() {
			if entered = command(fit...); entered.ok() {
				return entered.answer("")
			}
		}
		return live.Answer{Says: "measured, but: " + entered.fault(), Pages: d.pages}
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
		ctx = context.WithoutCancel(ctx) // it is chosen, and only shown here
		return command("hookup", filled["formula"]).answer("")
	case "sheet":
		j, err := s.open()
		if err != nil {
			return live.Answer{Says: err.Error()}
		}
		return command("box", "sheet", j.Hookup.Formula).answer("")
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
		s.failed.Store(false)
		return live.Answer{OK: true, Says: "an invented cabinet is plugged in; nothing of it was ever measured"}
	}
	d := s.run(ctx, &pageSink{}, "setup", "--card", filled["card"], "--sense-ohm", filled["sense"], "--sense-tolerance", filled["within"])
	if d.ok() {
		s.source = nil
		s.failed.Store(false) // until it is tried
	}
	return d.answer("kept; plug in a load and look")
}

// begin makes a job and opens it.
func (s *session) begin(ctx context.Context, filled map[string]string) live.Answer {
	folder := record.FileName(filled["name"])
	if folder == "" {
		return live.Answer{Says: fmt.Sprintf("the name %q makes no folder; use letters or digits", filled["name"])}
	}
	args := append([]string{"job", "new", folder, "--reference", filled["name"]}, amplifierFlags(filled)...)
	if filled["asked"] != "" {
		args = append(args, "--asked", filled["asked"])
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

// amplifierFlags are what was filled in of an amplifier.
func amplifierFlags(filled map[string]string) (flags []string) {
	if filled["watts"] != "" {
		flags = append(flags, "--watts", filled["watts"])
	}
	switch {
	case filled["least"] != "":
		flags = append(flags, "--amp-min-ohm", filled["least"])
	case filled["taps"] != "":
		flags = append(flags, "--tap", filled["taps"])
	}
	return flags
}
