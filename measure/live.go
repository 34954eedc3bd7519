package measure

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
	"tapload/measure/record"
	"tapload/measure/signal"
)

const (
	// Of the signal of a live view: lines in the bass 6 Hz apart, and a curve that
	// is whole again 1.5 s after a plug was changed.
	livePeriod  = 0.7 // s
	livePeriods = 2   // in a window

	liveEvery = 0.1 // s from one event to the next

	roundingHz = 1e-9 // of a frequency
)

// LiveOptions returns o for what a live view plays over and over. Only rate, band and
// level of o count.
func LiveOptions(o signal.MultitoneOptions) signal.MultitoneOptions {
	o.PeriodSeconds, o.Periods, o.PerOctave = livePeriod, livePeriods, 0
	return o
}

// LiveSignal returns what a live view plays. An error may be that of ctx.
func LiveSignal(ctx context.Context, o signal.MultitoneOptions) (signal.Multitone, error) {
	return signal.NewMultitone(ctx, LiveOptions(o))
}

// State is what a live view knows of the load.
type State int

// The states of a live view.
const (
	Settling State = iota // what is heard does not repeat yet, or a block was lost
	Steady                // the curve is that of one load
	Faulty                // nothing can be measured
)

var stateNames = [...]string{"settling", "steady", "fault"}

// String returns the word for s that people and programs read.
func (s State) String() string { return stateNames[s] }

// MarshalText returns String, so that JSON holds the word.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Event is what a live view shows at a moment. Its JSON keys are stable;
// uncertainties are standard ones (k = 1). What is only there while steady is null
// otherwise, as held and fault are where there is none.
type Event struct {
	Number   int                `json:"number"`     // from 1
	Seconds  float64            `json:"seconds"`    // of sound so far
	State    State              `json:"state"`      // "settling", "steady" or "fault"
	Restless float64            `json:"restless"`   // s for which it has been settling; 0 otherwise
	Fault    *Finding           `json:"fault"`      // its code is that of the card.Cause
	Inputs   [2]InputLevel      `json:"inputs"`     // V1, V2
	Noise    [2]float64         `json:"noise_rms"`  // of V1 and V2 without hum, fraction of full scale; 0 until a window was looked at
	Looks    *jig.End           `json:"looks_like"` // what is connected; null while settling
	Curve    *LiveCurve         `json:"curve"`      // while steady
	Lowest   *Extreme           `json:"lowest"`     // |Z| of the curve, anywhere in the band; while steady
	Held     *Extreme           `json:"held"`       // the lowest of all those so far
	Opened   Opened             `json:"opened"`
	Late     int                `json:"late_blocks"` // that the driver flagged so far
	Warnings impedance.Warnings `json:"warnings"`

	// Openings are the contacts of Opened that this event adds: the ohms that came
	// in series at the worst of each, as in Opened.WorstOhm.
	Openings []float64 `json:"-"`

	// Record is the measurement as a sweep would have it; nil unless Steady.
	Record *record.Record `json:"-"`
}

// InputLevel is how loud an input is.
type InputLevel struct {
	Peak    float64 `json:"peak"`    // largest magnitude since the event before, fraction of full scale
	Clipped bool    `json:"clipped"` // it is full scale
}

// LiveCurve is a curve as lists of equal length.
type LiveCurve struct {
	Hz          []float64 `json:"frequency_hz"`
	Resistance  []float64 `json:"resistance_ohm"`
	Reactance   []float64 `json:"reactance_ohm"`
	Uncertainty []float64 `json:"u_modulus_ohm"` // of |Z|, noise and shared sources together
}

func newLiveCurve(c impedance.Curve) *LiveCurve {
	l := &LiveCurve{Hz: c.Hz()}
	for i, p := range c.Points {
		_, u := c.Modulus(i)
		l.Resistance, l.Reactance, l.Uncertainty = append(l.Resistance, real(p.Z)), append(l.Reactance, imag(p.Z)), append(l.Uncertainty, u)
	}
	return l
}

// Live plays the signal of s, which LiveSignal made, over and over on a
// card.Streamer, and tells on of what it shows ten times a second, until ctx ends,
// which is no error. Events are left out where on is slower than that; it is
// called by one goroutine. A fault of jig or load is an event; one of the card is
// an error. The jig may have been calibrated with another signal of the same rate.
func Live(ctx context.Context, s Setup, on func(Event)) (err error) {
	l, err := newLive(s)
	if err != nil {
		return err
	}
	streamer, ok := s.Card.(card.Streamer)
	if !ok {
		return errors.New("a live view needs a card that plays without end; a recording cannot be followed")
	}
	cycle, err := l.signal.Cycle(ctx)
	if err == nil {
		l.stream, err = streamer.Stream(ctx, card.Loop{RateHz: l.signal.Rate(), Period: cycle})
	}
	if err == nil {
		defer func() { err = errors.Join(err, l.stream.Close()) }()
		err = l.follow(ctx, on)
	}
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// live is a live view that runs.
type live struct {
	Setup
	signal signal.Periodic
	law    json.RawMessage
	jig    jig.Jig   // fixed at inside
	inside []float64 // frequencies, Hz
	window *ratio.Window
	stream card.Stream
	way    *asking

	v      [2][]float64 // the window's samples
	quiet  quiet
	opened contact
	since  float64 // when settling began, s; below 0 while it is not
	held   *Extreme
	gain   *error // what gains says; nil until the first window without another fault
}

func newLive(s Setup) (*live, error) {
	sig, ok := s.Signal.(signal.Sparse)
	if !ok {
		return nil, fmt.Errorf("a live view plays a multitone, not a signal of type %T", s.Signal)
	}
	l := &live{Setup: s, signal: sig, way: askWhilePlaying(s.Card), since: -1}
	var err error
	if l.law, err = json.Marshal(sig); err != nil {
		return nil, fmt.Errorf("writing down the law of the signal: %w", err)
	}
	if l.window, err = ratio.NewWindow(sig, livePeriods); err != nil {
		return nil, err
	}
	var hz []float64
	for _, k := range sig.Lines() {
		hz = append(hz, float64(k)*float64(sig.Rate())/float64(sig.Frame().Period))
	}
	if l.jig, l.inside, err = s.Jig.Fixed(l.law, hz); err != nil {
		return nil, err
	}
	if len(l.inside) == 0 {
		return nil, fmt.Errorf("the jig was calibrated at none of the frequencies from %.4g to %.4g Hz that are played", hz[0], hz[len(hz)-1])
	}
	for i := range l.v {
		l.v[i] = make([]float64, l.window.Len())
	}
	l.opened = newContact(s.Jig.SenseOhm, sig.Frame().Period)
	return l, nil
}

// follow tells of the stream until it ends.
func (l *live) follow(ctx context.Context, on func(Event)) error {
	rate := float64(l.signal.Rate())
	step := int64(liveEvery * rate)
	ask := l.way.progress(ctx, l.signal.Rate(), func(card.Progress) {})
	number := 0
	for end := step; ; {
		if err := l.stream.Wait(ctx, end); err != nil {
			return err
		}
		end += (l.stream.Frames() - end) / step * step
		ask(card.Progress{})
		number++
		e := Event{Number: number, Seconds: float64(end) / rate}
		if err := l.look(ctx, end, &e); err != nil {
			return err
		}
		if e.State != Settling {
			l.since = -1
		} else {
			if l.since < 0 {
				l.since = e.Seconds
			}
			e.Restless = math.Round(1e3*(e.Seconds-l.since)) / 1e3
		}
		on(e)
		end += step
	}
}

// look fills in what the window that ends at frame end shows. An error is that of
// the stream or of ctx.
func (l *live) look(ctx context.Context, end int64, e *Event) error {
	for i, p := range l.stream.Peaks() {
		e.Inputs[i] = InputLevel{p, p >= card.FullScale}
	}
	e.Warnings, e.Held = impedance.Warnings{}, l.held
	from := end - int64(l.window.Len())
	if from < 0 {
		return nil
	}
	if err := l.stream.Read(from, l.v[0], l.v[1]); err != nil {
		return err
	}
	whole, late := l.stream.BadAt()
	e.Late = late
	e.Openings = l.opened.follow(from, whole, l.v)
	err := l.measure(ctx, from, from >= whole, e)
	e.Opened = l.opened.found
	var fault *card.Fault
	if errors.As(err, &fault) {
		errors.As(explained(err, l.way.known()), &fault)
		e.State, e.Fault = Faulty, &Finding{Code: fault.Cause.String(), Severity: Problem, Text: fault.Text, Advice: fault.Advice}
		return nil
	}
	return err
}

// measure fills in the curve of the window, from frame from on, where it is that
// of one load and no block of it was lost. A Fault says
// why there is none.
func (l *live) measure(ctx context.Context, from int64, whole bool, e *Event) error {
	rec := l.stream.About()
	rec.V1, rec.V2 = l.v[0], l.v[1]
	if err := rec.Check(ctx); err != nil {
		return err
	}
	if repeats := l.quiet.settled(l.window, l.v); !whole || !repeats {
		return nil
	}
	g, err := l.window.Ratio(ctx, rec.V1, rec.V2)
	if err != nil {
		return err
	}
	e.Noise = g.Seen.NoiseFloor
	low, high := l.inside[0]*(1-roundingHz), l.inside[len(l.inside)-1]*(1+roundingHz)
	g.Points = slices.DeleteFunc(g.Points, func(p ratio.Point) bool { return p.Hz < low || p.Hz > high })
	looks := l.jig.End(g.Points)
	e.Looks = &looks
	if err := l.fault(ctx, g, looks, rec); err != nil {
		return err
	}
	if l.gain == nil {
		err := l.gains(ctx, from+int64(len(rec.V1)), rec)
		l.gain = &err
	}
	if *l.gain != nil {
		return *l.gain
	}
	c, err := l.jig.Curve(g)
	if err != nil {
		return err
	}
	l.opened.learn(from, l.v)
	e.State, e.Curve = Steady, newLiveCurve(c)
	at, _ := c.Extremes()
	lowest := ExtremeAt(c, at)
	if e.Lowest = &lowest; l.held == nil || lowest.Ohm < l.held.Ohm {
		l.held = &lowest
	}
	e.Held = l.held
	now := l.Now.Add(time.Duration(e.Seconds * float64(time.Second)))
	// Of a delay nothing is said: its frequencies would come and go with the windows.
	e.Warnings = slices.Concat(impedance.Warnings{}, l.Jig.Doubts(conditions(l.Card, rec, l.law), now, jig.Late{}), altered(l.way.known()), warnings(g))
	e.Record = &record.Record{
		Label: l.Label, Simulated: l.Simulated, Taken: now, Signal: l.law, SenseOhm: l.jig.SenseOhm, Jig: l.Jig.Note(), Curve: c, Warnings: e.Warnings,
	}
	return nil
}
