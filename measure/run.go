// Package measure takes one measurement from the sound card to the record of
// an impedance curve.
package measure

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
	"tapload/measure/signal"
)

// Setup is everything one measurement needs.
type Setup struct {
	Card   card.Card
	Signal signal.Signal
	Jig    jig.Jig
	Label  string    // what is measured, for people
	Now    time.Time // when, for the record

	Progress func(card.Progress)        // may be nil
	Keep     func(card.Recording) error // is given the raw recording before it is judged; may be nil
}

// Run plays the signal, records both voltages and returns the record of the
// impedance behind the jig. A fault anywhere is an error and leaves no record;
// warnings ride in the record.
func Run(ctx context.Context, s Setup) (impedance.Record, error) {
	law, err := json.Marshal(s.Signal)
	if err != nil {
		return impedance.Record{}, fmt.Errorf("writing down the law of the signal: %w", err)
	}
	recording, err := s.Card.Play(ctx, card.Output{
		RateHz:   s.Signal.Rate(),
		Channels: [][]float64{s.Signal.Samples()},
		Progress: s.Progress,
	})
	if err != nil {
		return impedance.Record{}, err
	}
	if s.Keep != nil {
		if err := s.Keep(recording); err != nil {
			return impedance.Record{}, fmt.Errorf("keeping the recording: %w", err)
		}
	}
	if err := recording.Check(); err != nil {
		return impedance.Record{}, err
	}
	g, err := ratio.Of(recording, s.Signal)
	if err != nil {
		return impedance.Record{}, err
	}
	if err := plausible(g, recording); err != nil {
		return impedance.Record{}, err
	}
	curve, err := s.Jig.Curve(g)
	if err != nil {
		return impedance.Record{}, err
	}
	return impedance.Record{
		Label:    s.Label,
		Taken:    s.Now,
		Signal:   law,
		SenseOhm: s.Jig.SenseOhm,
		Curve:    curve,
		Warnings: warnings(g, s.Jig),
	}, nil
}
