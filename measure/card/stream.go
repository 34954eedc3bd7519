package card

import (
	"context"
	"fmt"
	"math"
	"time"
)

// Loop is a period of sound that is played over and over, on both outputs alike.
type Loop struct {
	RateHz int
	Period []float64 // full scale is +-1
}

// Check returns an error that names what is wrong with l.
func (l Loop) Check() error {
	if err := (Output{RateHz: l.RateHz, Channels: [][]float64{l.Period}}).Check(); err != nil {
		return err
	}
	for i, v := range l.Period {
		if !(math.Abs(v) <= 1) {
			return fmt.Errorf("sample %d to play is %g, outside full scale, -1 to 1", i, v)
		}
	}
	return nil
}

// FadeIn is how long the sound of a stream takes to rise from silence, as a
// raised cosine.
const FadeIn = 100 * time.Millisecond

// FadeInGain returns the gain of frame n of a sound that rises so, 0 to 1.
func FadeInGain(n int64, rateHz int) float64 {
	x := (float64(n) + 0.5) / (FadeIn.Seconds() * float64(rateHz))
	if x >= 1 {
		return 1
	}
	return 0.5 - 0.5*math.Cos(math.Pi*x)
}

// Streamer is a Card that can play without end while it records. Stream returns
// once sound plays; it fails as Play does, and while another sound plays.
type Streamer interface {
	Card
	Stream(ctx context.Context, l Loop) (Stream, error)
}

// Stream is sound that plays and is recorded without end. Its methods may be called
// from any goroutine, by one at a time.
//
//  1. Frames count from 0, which is recorded no later than the first sample is
//     played. The loop is played without a gap: how late it is heard never
//     changes, unless sound was lost.
//  2. Frames are counted once the driver has said all of them that it will. At
//     least the last ten seconds can be read.
//  3. Sound that the driver says was lost or late is told by BadAt, and stays in
//     place as far as anybody knows.
//  4. When the context of Stream ends, the sound fades out within 0.1 s. Close
//     fades it out, waits for that and lets go of the card; it may be called
//     more than once.
//  5. Nothing is resampled, filtered or repaired.
type Stream interface {
	// Wait returns once n frames can be read, with the cause of the context's end
	// (that of Stream or its own), or with the Fault of a card that stopped.
	Wait(ctx context.Context, n int64) error
	// Frames returns how many frames can be read.
	Frames() int64
	// Read fills v1 and v2, equally long, with the frames from at on. It fails
	// where some are not there yet, or no longer.
	Read(at int64, v1, v2 []float64) error
	// BadAt returns the frame from which on no lost or late block has left a
	// trace, 0 where there was none, and how many blocks the driver flagged.
	BadAt() (whole int64, blocks int)
	// Peaks returns the largest magnitudes of V1 and V2 since the last call.
	Peaks() [2]float64
	// About returns what a Recording of it says beside its samples and flags.
	About() Recording
	Close() error
}

// Unread is the error of Read for frames that are not there.
func Unread(at int64, n int, first, frames int64) error {
	return fmt.Errorf("frames %d to %d of the stream cannot be read; it holds %d to %d", at, at+int64(n), first, frames)
}
