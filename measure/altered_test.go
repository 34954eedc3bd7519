package measure_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/netlist"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

// desktop is a virtual bench behind a sound server that says what it does.
type desktop struct {
	card.Card
	says  []card.Alteration
	hangs bool

	playing atomic.Bool
	asked   atomic.Int32
	idle    atomic.Int32 // asked while nothing played
}

func (d *desktop) Play(ctx context.Context, out card.Output) (card.Recording, error) {
	d.playing.Store(true)
	defer d.playing.Store(false)
	r, err := d.Card.Play(ctx, out)
	for range 1000 { // a real card plays on
		if d.asked.Load() > 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	return r, err
}

func (d *desktop) Alterations(ctx context.Context, rateHz int) ([]card.Alteration, error) {
	if !d.playing.Load() {
		d.idle.Add(1)
	}
	d.asked.Add(1)
	if d.hangs {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	if rateHz == 44100 {
		return nil, nil
	}
	return d.says, nil
}

func (d *desktop) Remedy(code string) string { return "the place to turn off " + code }

var (
	resampled = card.Alteration{Code: card.Resampled, Text: "the server resamples", Advice: "choose another rate"}
	cancelled = card.Alteration{Code: card.EchoCancel, Spoils: true, Text: "the server cancels echoes", Advice: "unload it"}
)

func behind(says ...card.Alteration) *desktop {
	return &desktop{Card: bench.NewSeries(idealBench(netlist.Resistor(8), -90, 1)), says: says}
}

// What the server says rides in the record, once, and in that of a series.
func TestAlterationsRideInTheRecord(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40})
	d := behind(resampled)
	s := measure.Setup{Card: d, Signal: sig, Jig: exactJig(t, 33)}
	want := impedance.Warning{Code: card.Resampled, Text: "the server resamples; choose another rate"}
	rec, err := measure.Run(context.Background(), s)
	if err != nil || !slices.ContainsFunc(rec.Warnings, want.Equal) {
		t.Errorf("got %v, %v, want the warning %v", rec.Warnings, err, want)
	}
	if d.asked.Load() != 1 || d.idle.Load() != 0 {
		t.Errorf("asked %d times, %d of them in silence; want once, while it plays", d.asked.Load(), d.idle.Load())
	}
	mean, _, err := measure.RunRepeated(context.Background(), s, 2)
	if err != nil || !slices.ContainsFunc(mean.Warnings, want.Equal) {
		t.Errorf("series: got %v, %v, want the warning %v", mean.Warnings, err, want)
	}
	sig = chirp(t, signal.ChirpOptions{RateHz: 44100, PeriodSeconds: 0.5, LowHz: 40})
	rec, err = measure.Run(context.Background(), measure.Setup{Card: behind(resampled), Signal: sig, Jig: exactJig(t, 33)})
	if err != nil || warned(rec.Warnings, card.Resampled) {
		t.Errorf("at the server's own rate: got %v, %v", rec.Warnings, err)
	}
}

// A calibration keeps what the server said, and every curve that it corrects
// says so.
func TestAlterationsRideInTheJig(t *testing.T) {
	d := behind(resampled)
	b := idealBench(netlist.Open(), -90, 1)
	d.Card = bench.NewSeries(b)
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40})
	c := jig.Calibration{Options: jig.Options{Name: "J1", SenseOhm: 33}}
	c, err := measure.Calibrate(context.Background(), measure.Setup{Card: d, Signal: sig, Now: time.Unix(1.8e9, 0)}, c, jig.Open, jig.Resistor{})
	if err != nil {
		t.Fatal(err)
	}
	var file strings.Builder
	if err := c.Write(&file); err != nil {
		t.Fatal(err)
	}
	if c, err = jig.Read(strings.NewReader(file.String())); err != nil {
		t.Fatal(err)
	}
	j, err := c.Jig()
	if err != nil {
		t.Fatal(err)
	}
	rec, err := measure.Run(context.Background(), measure.Setup{
		Card: idealBench(netlist.Resistor(8), -90, 2), Signal: sig, Jig: j, Now: time.Unix(1.8e9, 0)})
	if err != nil || !warned(rec.Warnings, "jig-"+card.Resampled) || warned(rec.Warnings, card.Resampled) {
		t.Errorf("got %v, %v, want a warning of the jig alone", rec.Warnings, err)
	}
}

// In a check they are findings: one that spoils everything ends it. Advice on
// what was heard names the place on this system.
func TestAlterationsAreFindings(t *testing.T) {
	c, err := measure.Check(context.Background(), measure.CheckSetup{Card: behind(resampled), Jig: statedJig(t, 33, 0.01)})
	if err != nil || !c.Pass() || len(c.Findings) != 2 || c.Findings[0] != (measure.Finding{Code: card.Resampled, Severity: measure.Caution, Text: resampled.Text, Advice: resampled.Advice}) {
		t.Errorf("got %+v, %v, want a caution", c.Findings, err)
	}
	c, err = measure.Check(context.Background(), measure.CheckSetup{Card: behind(resampled, cancelled), Jig: statedJig(t, 33, 0.01)})
	if err != nil || c.Pass() || len(c.Findings) != 2 || c.Level != 0 {
		t.Errorf("got %+v, %v, want a fault", c.Findings, err)
	}
	d := behind()
	b := idealBench(loads[1].load, -90, 1)
	b.SenseOhm, b.Gain = 10, bench.GainControl{Level: 0.1, Seconds: 0.5}
	d.Card = bench.NewSeries(b)
	c, err = measure.Check(context.Background(), measure.CheckSetup{Card: d, Jig: statedJig(t, 10, 0.01)})
	if err != nil || len(c.Findings) == 0 || c.Findings[0].Advice != "the place to turn off automatic-gain" {
		t.Errorf("got %+v, %v, want the system's own advice", c.Findings, err)
	}
}

// A fault is explained by what the server said, unless that does no harm.
func TestAlterationsExplainAFault(t *testing.T) {
	b := idealBench(netlist.Resistor(8), -90, 1)
	b.Mono = true
	d := behind(resampled, card.Alteration{Code: card.MonoInput, Spoils: true, Text: "the server records in mono", Advice: "choose a stereo input"})
	d.Card = b
	_, err := measure.Run(context.Background(), measure.Setup{Card: d, Signal: chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40}), Jig: exactJig(t, 33)})
	var fault *card.Fault
	if !errors.As(err, &fault) || fault.Cause != card.SameSignal ||
		!strings.HasSuffix(fault.Advice, "; the server records in mono: choose a stereo input") || strings.Contains(fault.Advice, "resamples") {
		t.Errorf("got %v", err)
	}
}

// A server that never answers costs three seconds, and no measurement.
func TestServerThatHangs(t *testing.T) {
	sig := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.5, LowHz: 40})
	synctest.Test(t, func(t *testing.T) {
		d := behind()
		d.hangs = true
		start := time.Now()
		ctx, end := context.WithCancel(t.Context())
		defer end()
		rec, err := measure.Run(ctx, measure.Setup{Card: d, Signal: sig, Jig: exactJig(t, 33)})
		if took := time.Since(start); err != nil || len(rec.Curve.Points) == 0 || took > 3100*time.Millisecond {
			t.Errorf("got %v, %d points after %v", err, len(rec.Curve.Points), took)
		}
	})
}
