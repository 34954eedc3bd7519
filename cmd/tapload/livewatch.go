package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"

	"tapload/cmd/tapload/internal/live"
	"tapload/fit/identify"
	"tapload/fixtures/amp"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/plot/report"
)

// pageSink takes what commands answer for a page.
type pageSink struct {
	pages []report.Document
	event func(identify.LiveEvent)
	at    func(live.At) // nil where nobody asks how far a sweep has come
}

// take keeps the page of an answer, with what to warn of. A nil sink takes nothing.
func (s *pageSink) take(page report.Document, warnings []impedance.Warning) {
	if s == nil {
		return
	}
	if len(warnings) > 0 {
		var said report.Points
		for _, w := range warnings {
			said = append(said, w.Text)
		}
		page.Sections = append([]report.Section{{Heading: "Warnings", Pieces: []report.Piece{said}}}, page.Sections...)
	}
	s.pages = append(s.pages, page)
}

// progress returns what tells the page how far playing has come; nil where there is
// nobody to be told.
func (s *pageSink) progress() func(card.Progress) {
	if s == nil || s.at == nil {
		return nil
	}
	return func(p card.Progress) {
		at := live.At{Says: "playing", Peaks: p.Peak}
		if p.Total > 0 {
			percent := int(100 * min(1, max(0, p.Done.Seconds()/p.Total.Seconds())))
			if at.Percent = &percent; percent == 100 {
				at = live.At{Says: "working it out"}
			}
		}
		s.at(at)
	}
}

// moment is an event with its words.
type moment struct {
	identify.LiveEvent
	Says   string `json:"says"`
	Detail string `json:"detail"`
	Doubt  bool   `json:"doubt"` // it must not be used so
	Cable  string `json:"cable"` // what was seen of the cable that is watched; "" where none is
}

// watch follows what is plugged in.
func (s *session) watch(ctx context.Context, tell func(any)) error {
	if bench, _ := s.bench(); bench == "" {
		s.failed.Store(true)
		return errors.New(s.nothingToMeasureWith())
	}
	j, _ := s.open() // what is wrong with it the page says
	on := amplifier(j)
	d := s.run(ctx, &pageSink{event: func(e identify.LiveEvent) {
		m := newMoment(e, on)
		m.Cable = s.cable.see(e)
		tell(m)
	}}, append([]string{"live", "--text"}, s.measures()...)...)
	failed := d.code != exitDone && ctx.Err() == nil
	if s.failed.Store(failed); failed {
		return errors.New(strings.TrimSuffix(d.fault(), ".") + ". It is tried again every two seconds.")
	}
	return nil
}

// nothingToMeasureWith says what to do where nobody said what to measure with.
func (s *session) nothingToMeasureWith() string {
	if len(s.cardNames()) == 1 {
		return "There is no sound card here that could measure. Connect one, which is seen within seconds, or choose the invented cabinet under \"What to measure with\"."
	}
	return "Say once which sound card and sense resistor there are, under \"What to measure with\"."
}

// newMoment says what e shows, and whether that is safe: on an amplifier, where one
// is known, which may have no such tap as the load suits.
func newMoment(e identify.LiveEvent, a *amp.Amplifier) moment {
	m := moment{LiveEvent: e, Says: strings.TrimSuffix(e.Line(), "; steady"), Detail: e.Beside()}
	if e.State == measure.Faulty {
		m.Detail = e.Fault.Advice
	}
	g := e.Load
	if g == nil {
		return m
	}
	doubted := g.Result.Dead != nil || g.Result.Fault != nil && g.Result.Fault.ChangesRating
	m.Doubt = doubted || g.TapOhm == 0
	if a == nil || g.RatedOhm == nil {
		return m
	}
	counts := amp.Counts(*g.RatedOhm, g.Min.Ohm)
	tap, safe := a.BestTap(counts)
	m.Detail += ". On the job's amplifier: " + a.Explain(counts, tap) + "."
	m.Doubt = doubted || !safe
	if doubted {
		return m
	}
	m.Says = quantity.Ohms(*g.RatedOhm) + " ohm, "
	switch {
	case !safe:
		m.Says += "NOT safe on this amplifier"
	case a.Kind == amp.SolidState:
		m.Says += "safe on this amplifier"
	default:
		m.Says += "safe on " + quantity.Ohms(tap)
	}
	return m
}

// cable is what was seen of one that is moved, since it is watched.
type cable struct {
	mu       sync.Mutex
	on       bool
	openings []float64 // ohms that came in series at the worst of each
	least    float64   // lowest |Z| above the resonance, ohm; 0 where none was seen
	leastHz  float64
}

// hold begins to watch a cable, anew, or ends it.
func (c *cable) hold(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.on, c.openings, c.least = on, nil, 0
}

// see takes in an event, and says what was seen so far; "" while no cable is watched.
func (c *cable) see(e identify.LiveEvent) string {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.on {
		return ""
	}
	c.openings = append(c.openings, e.Openings...)
	if g := e.Load; g != nil && (c.least == 0 || g.Min.Ohm < c.least) {
		c.least, c.leastHz = g.Min.Ohm, g.Min.Hz
	}
	said := "No contact opened so far"
	if n := len(c.openings); n > 0 {
		worst := 0.0
		for _, ohm := range c.openings {
			worst = max(worst, ohm)
		}
		said = "1 contact opened"
		if n > 1 {
			said = fmt.Sprintf("%d contacts opened, the worst", n)
		}
		if math.IsInf(worst, 1) {
			said += " wholly"
		} else {
			said += " by " + quantity.Digits(worst, 2) + " ohm in series"
		}
	}
	if c.least > 0 {
		said += fmt.Sprintf("; lowest %s ohm at %s", quantity.Digits(c.least, 3), quantity.Hz(c.leastHz))
	}
	return said + "."
}
