// Package card plays a test signal while it records two voltages: what every
// sound card, recording and virtual bench has in common.
package card

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"
)

// Output is what a card is asked to play and how.
type Output struct {
	RateHz   int         // sample rate the signal was made for
	Channels [][]float64 // one (mono) or two (stereo) channels of equal length; full scale is +-1
	// Progress, when not nil, is called from time to time while sound plays,
	// never from a real-time thread.
	Progress func(Progress)
}

// Frames returns the number of sample frames of o.
func (o Output) Frames() int {
	if len(o.Channels) == 0 {
		return 0
	}
	return len(o.Channels[0])
}

// Check returns an error that names what is wrong with o.
func (o Output) Check() error {
	switch {
	case o.RateHz <= 0:
		return fmt.Errorf("sample rate %d Hz must be above 0", o.RateHz)
	case len(o.Channels) != 1 && len(o.Channels) != 2:
		return fmt.Errorf("a card plays one or two channels, not %d", len(o.Channels))
	case o.Frames() == 0:
		return fmt.Errorf("there is nothing to play")
	case len(o.Channels) == 2 && len(o.Channels[0]) != len(o.Channels[1]):
		return fmt.Errorf("output channels have %d and %d samples; they must be equally long", len(o.Channels[0]), len(o.Channels[1]))
	}
	return nil
}

// Progress tells how far playing has come.
type Progress struct {
	Done, Total time.Duration
	Peak        [2]float64 // largest magnitude of each input since the last report; full scale is 1
}

// Card plays a signal while it records two channels.
//
// Legal behaviours of Play:
//  1. The recording begins no later than the first sample played and ends no
//     earlier than the last one was heard; by how much is the card's affair.
//  2. Whatever cuts the recording short or spoils it is an error, of type
//     *Fault where the cause is known; a Recording returned with an error
//     must not be used.
//  3. When ctx ends, the sound fades out within 0.1 s and Play returns the
//     cause of ctx's end.
//  4. What the driver said of lost or late blocks rides in Recording.Flags,
//     with the frames of the recording that may be spoilt.
//  5. Nothing is resampled, filtered or repaired.
//  6. The samples of a Recording are the caller's, who may work in their memory.
type Card interface {
	Play(ctx context.Context, out Output) (Recording, error)
}

// Lapse is what a driver can say of a block of sound: one kind of lost or late
// block, or several at once.
type Lapse uint8

// The kinds of lapses.
const (
	InputOverflow   Lapse = 1 << iota // recorded sound was dropped
	InputUnderflow                    // there was none when it was due
	OutputOverflow                    // sound to play was dropped
	OutputUnderflow                   // there was none when it was due
)

var lapseNames = [...]string{"input overflow", "input underflow", "output overflow", "output underflow"}

// String returns the names of the kinds in l, for people.
func (l Lapse) String() string {
	var names []string
	for i, name := range lapseNames {
		if l&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return strings.Join(names, " and ")
}

// Flag is what a driver said of a stretch of a recording.
type Flag struct {
	Lapse    Lapse
	Blocks   int // of sound that carried it
	From, To int // frames of the recording that may be spoilt: From <= frame < To
}

// Recording is the two voltages as the card saw them.
type Recording struct {
	RateHz int       // the rate really used
	V1     []float64 // before the sense resistor; full scale is +-1
	V2     []float64 // at the load; full scale is +-1
	Bits   int       // word length of the samples (float32 counts as 24), 0 when unknown
	Flags  []Flag    // in order of From
	Source string    // the card, file or bench it came from, for people
	Inputs [2]int    // which inputs of the source V1 and V2 are, counted from 1
}

// RMS returns the root mean square of x about its mean.
func RMS(x []float64) float64 {
	var sum, sq float64
	for _, v := range x {
		sum += v
		sq += v * v
	}
	n := float64(len(x))
	return math.Sqrt(math.Max(0, sq/n-(sum/n)*(sum/n)))
}

// Cause classifies a Fault.
type Cause int

// The causes of a fault.
const (
	Unknown       Cause = iota
	Absent              // no such card, or no sound system
	Busy                // the card is in use
	WrongRate           // a sample rate that was not asked for or is not supported
	Stopped             // the card stopped in the middle
	LostBlocks          // the driver flagged lost blocks, and they count
	Dropout             // samples are missing or wrong without a flag
	Clipped             // an input reached full scale or a flat top
	NoSignal            // the test signal is not in the recording
	TooShort            // the recording ends before the signal does
	BadFile             // a recording's file cannot be read
	SameSignal          // both inputs carry the same signal
	Swapped             // the two inputs are the wrong way round
	OpenLoad            // no current flows
	ShortedLoad         // no voltage at the load
	DeadInput           // one input does not hear the signal, the other does
	Inverted            // one input has the wrong polarity
	AutomaticGain       // the gain changes while the signal plays
	EchoCancelled       // the signal fades out of the recording while it plays
	Apart               // one input hears the signal later than the other
)

var causeNames = [...]string{"unknown", "absent", "busy", "wrong-rate", "stopped", "lost-blocks", "dropout", "clipped", "no-signal", "too-short", "bad-file", "same-signal", "swapped", "open-load", "shorted-load", "dead-input", "inverted", "automatic-gain", EchoCancel, "inputs-apart"}

// String returns the cause as a stable, lower-case code.
func (c Cause) String() string {
	if c < 0 || int(c) >= len(causeNames) {
		return fmt.Sprintf("cause(%d)", int(c))
	}
	return causeNames[c]
}

// Fault is an error that leaves no usable recording. Text is one sentence that
// names the thing, the value and the rule; Advice says what to do about it.
type Fault struct {
	Cause  Cause
	Text   string
	Advice string
	Err    error // the underlying error, or nil
}

// Error returns the text, and the underlying error where there is one.
func (f *Fault) Error() string {
	s := f.Text
	if f.Err != nil {
		s += ": " + f.Err.Error()
	}
	if f.Advice != "" {
		s += "; " + f.Advice
	}
	return s
}

// Unwrap returns the underlying error.
func (f *Fault) Unwrap() error { return f.Err }
