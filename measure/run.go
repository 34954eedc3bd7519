// Package measure takes one measurement from the sound card to the record of
// an impedance curve.
package measure

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
	"tapload/measure/record"
	"tapload/measure/signal"
)

// Setup is everything one measurement needs.
type Setup struct {
	Card   card.Card
	Signal signal.Signal
	Jig    jig.Jig
	Label  string    // what is measured, for people
	Now    time.Time // when, for the record

	Simulated bool // Card is a virtual bench

	// FullScaleVolt is how many volts at the load make a sample of full scale,
	// 0 where nobody knows.
	FullScaleVolt float64

	// Distortion asks for the harmonics of the current too, which only a chirp
	// tells apart.
	Distortion bool

	// Aim, when not nil, is what stepped tones are played for in further
	// rounds. Other signals are played once, as tones are without an aim.
	Aim *Aim

	Progress func(card.Progress)        // may be nil
	Keep     func(card.Recording) error // is given the raw recording, of rounds the first, before it is judged; may be nil
}

// Run plays the signal, records both voltages and returns the record of the
// impedance behind the jig. A fault anywhere is an error and leaves no record;
// warnings ride in the record. Where ctx ends the error is that of ctx.
func Run(ctx context.Context, s Setup) (record.Record, error) {
	law, err := json.Marshal(s.Signal)
	if err != nil {
		return record.Record{}, fmt.Errorf("writing down the law of the signal: %w", err)
	}
	if err := s.Jig.Fits(law); err != nil {
		return record.Record{}, err
	}
	way := askWhilePlaying(s.Card)
	s.Progress = way.progress(ctx, s.Signal.Rate(), s.Progress)
	var apart jig.Apart
	t, err := measured(ctx, s, func(g ratio.Ratio, rec card.Recording) error {
		apart = s.Jig.Apart(g.Points)
		return cmp.Or(together(apart, g, s.Jig, rec), plausible(g, s.Jig, rec))
	})
	if err != nil {
		return record.Record{}, explained(err, way.answer())
	}
	g := t.ratio
	curve, err := s.Jig.Curve(g)
	if err != nil {
		return record.Record{}, err
	}
	signalLaw, err := json.Marshal(t.played)
	if err != nil {
		return record.Record{}, fmt.Errorf("writing down the law of the signal: %w", err)
	}
	out := record.Record{
		Label: s.Label, Simulated: s.Simulated,
		Taken:    s.Now,
		Signal:   signalLaw,
		SenseOhm: s.Jig.SenseOhm,
		Jig:      s.Jig.Note(),
		Curve:    curve,
		Warnings: slices.Concat(s.Jig.Doubts(conditions(s.Card, t.recording, law), s.Now, s.Jig.LateBy(curve, apart, t.recording.Inputs, s.Signal.Rate())), resampled(altered(way.answer()), t), warnings(g), shorted(s.Jig, g)),
	}
	if s.Distortion {
		if _, ok := s.Signal.(signal.Chirp); !ok {
			return record.Record{}, fmt.Errorf("distortion by order is asked of a signal of type %T; only a chirp tells the orders apart", s.Signal)
		}
		if t.harmonic.Err != nil {
			return record.Record{}, t.harmonic.Err
		}
		out.Distortion = &t.harmonic.Distortion
	}
	if h := g.Seen.Heard; h != nil {
		out.Coherence = h.Coherence
		if s.FullScaleVolt > 0 {
			out.Drive = drive(g, curve, s.FullScaleVolt)
		}
	}
	return out, nil
}

// wholeEnough is the part of the power of V2 that the curve must have ohms for
// before the rest is neglected.
const wholeEnough = 0.95

// drive returns what stood at the load: volts, and watts where the curve covers
// what was played,
//
//	P = sum |V2|^2 Re(1/Z).
func drive(g ratio.Ratio, c impedance.Curve, volt float64) *record.Drive {
	d := record.Drive{RMSVolt: g.Seen.Level[1] * volt, PeakVolt: g.Seen.Heard.Peak2 * volt}
	var covered, watt float64
	for i, p := range g.Seen.Heard.Power2 {
		covered += p
		watt += p * volt * volt * real(1/c.Points[i].Z)
	}
	if covered >= wholeEnough*g.Seen.Level[1]*g.Seen.Level[1] && watt > 0 {
		d.Watt = watt
	}
	return &d
}

// Ratio plays the signal, records both voltages and returns their ratio, of
// whatever is connected, and what is known of the recording besides its samples.
// The jig has no part in it.
func Ratio(ctx context.Context, s Setup) (ratio.Ratio, card.Recording, error) {
	t, err := measured(ctx, s, func(ratio.Ratio, card.Recording) error { return nil })
	return t.ratio, t.recording, err
}

// judge says what is wrong with a measurement.
type judge func(ratio.Ratio, card.Recording) error

// taken is what came of playing a signal.
type taken struct {
	ratio     ratio.Ratio
	recording card.Recording // the only one or the first, without its samples
	played    signal.Signal
	passage   passage        // of a periodic signal
	harmonic  ratio.Harmonic // of a chirp, where distortion is asked for
}

// measured plays the signal, in rounds where it is to become sure.
func measured(ctx context.Context, s Setup, j judge) (taken, error) {
	if tones, ok := s.Signal.(signal.Tones); ok && s.Aim != nil {
		return inRounds(ctx, s, tones, j)
	}
	return once(ctx, s, s.Signal, j)
}

// once plays sig and takes all that is asked for from the recording.
func once(ctx context.Context, s Setup, sig signal.Signal, j judge) (t taken, err error) {
	sound, err := played(ctx, s, sig)
	if err != nil {
		return taken{}, err
	}
	defer thrifty(sound.Frames())()
	check := card.Check
	if _, ok := sig.(signal.Material); ok {
		check = card.CheckHeard
	}
	if err := check(ctx, sound); err != nil {
		return taken{}, cmp.Or(ctx.Err(), err)
	}
	t.played, t.recording = sig, sound.About()
	t.recording.V1, t.recording.V2 = nil, nil
	var vanished *card.Fault
	if p, ok := sig.(signal.Periodic); ok {
		if t.passage, err = passed(ctx, sound, p); err != nil {
			return taken{}, err
		}
		// A file may hold another signal, of which no two periods are alike.
		if rec, ok := sound.(card.Recording); ok && !fromFile(s.Card) {
			vanished = vanishing(ctx, rec, p)
		}
	}
	if chirp, ok := sig.(signal.Chirp); ok && s.Distortion {
		t.ratio, t.harmonic, err = ratio.WithHarmonics(ctx, sound, chirp)
	} else {
		t.ratio, err = ratio.Of(ctx, sound, sig)
	}
	if err != nil {
		if vanished != nil && mayVanish(err) && ctx.Err() == nil {
			err = vanished
		}
		return taken{}, err
	}
	return t, j(t.ratio, t.recording)
}

// played returns the sound of sig, once it is kept where that is asked for. A file
// needs no sound to be made first, and is read piece by piece unless it is to be kept.
func played(ctx context.Context, s Setup, sig signal.Signal) (card.Sound, error) {
	file, isFile := s.Card.(*card.Replay)
	if isFile && s.Keep == nil {
		return file, file.Fits(sig.Rate())
	}
	var rec card.Recording
	var err error
	if isFile {
		rec, err = file.Recording(ctx, sig.Rate())
	} else {
		rec, err = s.Card.Play(ctx, card.Output{
			RateHz:   sig.Rate(),
			Channels: [][]float64{sig.Samples()},
			Progress: s.Progress,
		})
	}
	if err == nil && s.Keep != nil {
		if err := s.Keep(rec); err != nil {
			return nil, fmt.Errorf("keeping the recording: %w", err)
		}
	}
	return rec, err
}

// fromFile reports whether what c plays was recorded before.
func fromFile(c card.Card) bool {
	_, is := c.(*card.Replay)
	return is
}

// Calibrate measures what is connected as a standard of kind k and returns c
// with it. A standard does not bend: what bends are the inputs, which its warnings
// say. The label and the jig of s have no part in it.
func Calibrate(ctx context.Context, s Setup, c jig.Calibration, k jig.Kind, r jig.Resistor) (jig.Calibration, error) {
	law, err := json.Marshal(s.Signal)
	if err != nil {
		return jig.Calibration{}, fmt.Errorf("writing down the law of the signal: %w", err)
	}
	way := askWhilePlaying(s.Card)
	s.Progress = way.progress(ctx, s.Signal.Rate(), s.Progress)
	g, recording, err := Ratio(ctx, s)
	if err != nil {
		return jig.Calibration{}, explained(err, way.answer())
	}
	said := altered(way.answer())
	if b := g.Seen.Bending; b != nil {
		if text := bendingText(*b, "an input bends, since a standard does not"); text != "" {
			said = append(said, impedance.Warning{Code: "bending", Text: text})
		}
	}
	return c.With(k, jig.Standard{
		Taken: s.Now, Resistor: r, Points: g.Points, NoiseFloor: g.Seen.NoiseFloor, Warnings: said,
	}, conditions(s.Card, recording, law))
}

// conditions returns what rec was taken with. A file does not tell which card
// made it.
func conditions(c card.Card, rec card.Recording, law json.RawMessage) jig.Conditions {
	on := jig.Conditions{Card: rec.Source, Inputs: rec.Inputs, Signal: law}
	if fromFile(c) {
		on.Card = ""
	}
	return on
}
