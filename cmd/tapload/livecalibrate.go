package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"tapload/cmd/tapload/internal/live"
	"tapload/fit/identify"
	"tapload/fixtures/jig"
	"tapload/measure/quantity"
	"tapload/plot/report"
)

// jigPath is a new file to calibrate to: what was measured with an earlier
// calibration keeps it, and that may be of another card or resistor.
func (s *session) jigPath() string {
	path := filepath.Join(cmp.Or(s.job, "."), "jig.json")
	for n := 2; exists(path); n++ {
		path = filepath.Join(cmp.Or(s.job, "."), fmt.Sprintf("jig-%d.json", n))
	}
	return path
}

// ticks are the standards, and which are measured.
func (s *session) ticks() []live.Tick {
	ticks := make([]live.Tick, len(s.standards))
	for k, d := range s.standards {
		ticks[k] = live.Tick{Says: jig.Kind(k).String() + ": " + report.Standards[k], Done: d}
	}
	return ticks
}

// calibrate measures the three standards, each as soon as it is seen.
func (s *session) calibrate(ctx context.Context, filled map[string]string, tell func(live.At)) live.Answer {
	known, err := parseQuantity(filled["known"], quantity.Ohm)
	if err != nil {
		return live.Answer{Says: "known resistor: " + err.Error()}
	}
	path := s.jigPath()
	_, virtual := s.bench()
	s.standards = [3]bool{}
	told := func(at live.At) {
		at.Ticks = s.ticks()
		tell(at)
	}
	for {
		left := slices.Index(s.standards[:], false)
		if left < 0 {
			break
		}
		kind := jig.Kind(left)
		if !virtual { // whose standards are connected by themselves
			if kind, err = s.seen(ctx, known, told); ctx.Err() != nil {
				return live.Answer{Says: s.stoppedCalibrating(path)}
			} else if err != nil {
				return live.Answer{Says: err.Error()}
			}
		}
		of := kind.String() + " standard, leave it connected: "
		told(live.At{Says: of + "begun"})
		args := slices.Concat([]string{"jig", kind.String(), "-o", path, "--json"}, s.uncalibrated())
		if kind == jig.Known {
			args = append(args, "--ohm", filled["known"], "--tolerance", filled["within"])
		}
		d := s.run(ctx, &pageSink{at: func(at live.At) { at.Says = of + at.Says; told(at) }}, args...)
		switch {
		case ctx.Err() != nil && !d.ok():
			return live.Answer{Says: s.stoppedCalibrating(path)}
		case !d.ok():
			return d.answer("")
		}
		s.standards[kind] = true
	}
	ctx = context.WithoutCancel(ctx) // all is measured
	s.source = s.uncalibrated()      // a calibration that was named at the start is over
	if s.job == "" {
		s.jig = path
	} else if d := s.run(ctx, &pageSink{}, "job", "add", "jig", path); !d.ok() {
		return d.answer("")
	}
	d := s.run(ctx, &pageSink{}, "jig", "show", path, "--json")
	return d.answer("calibrated; all that follows is corrected")
}

// stoppedCalibrating says what was kept.
func (s *session) stoppedCalibrating(path string) string {
	var have []string
	for k, d := range s.standards {
		if d {
			have = append(have, jig.Kind(k).String())
		}
	}
	if have == nil {
		return "Stopped. No standard was measured; what was calibrated before still holds."
	}
	return "Stopped. Measured and kept in " + path + ": " + quantity.List(have) + ". It corrects nothing before all three are there; what was calibrated before still holds."
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

// seenFor is for how many moments a standard must look like itself.
const seenFor = 5

// seen waits until one of the standards that are still to be measured is seen, and
// tells what is seen meanwhile.
func (s *session) seen(ctx context.Context, knownOhm float64, tell func(live.At)) (kind jig.Kind, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var missing []string
	for k, d := range s.standards {
		if !d {
			missing = append(missing, report.Standards[k])
		}
	}
	next := "connect " + strings.Join(missing, "; or ")
	last := ""
	say := func(says string, peaks [2]float64) {
		if says != last { // a level that moves is no news
			last = says
			tell(live.At{Says: says, Peaks: peaks})
		}
	}
	say(next, [2]float64{})
	times, found := 0, false
	d := s.run(ctx, &pageSink{event: func(e identify.LiveEvent) {
		peaks := [2]float64{e.Inputs[0].Peak, e.Inputs[1].Peak}
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
			say(fmt.Sprintf("this looks like %s; %s", e.Looks, next), peaks)
		case s.standards[now]:
			say(fmt.Sprintf("%s is measured; %s", now, next), peaks)
		default:
			if kind, times = now, times+1; times >= seenFor {
				found = true
				cancel()
			}
		}
	}}, slices.Concat([]string{"live", "--text", "--jig", ""}, s.uncalibrated())...)
	if found {
		return kind, nil
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
