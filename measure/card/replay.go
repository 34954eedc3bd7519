package card

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Replay is a Card that plays nothing: it returns a recording made before,
// from a WAVE file. The recording may start before and end after the signal;
// where the signal lies in it is for the analysis to find.
type Replay struct {
	rec Recording
}

// OpenReplay reads the recording in the WAVE file at path. Inputs are the
// channels of the file, counted from 1, that hold the voltage before the sense
// resistor and that at the load. It returns a *Fault with Cause BadFile if the
// file cannot be read whole or has no such channels.
func OpenReplay(path string, inputs [2]int) (*Replay, error) {
	bad := func(err error, advice, format string, args ...any) error {
		return &Fault{Cause: BadFile, Text: fmt.Sprintf("recording %q ", path) + fmt.Sprintf(format, args...), Advice: advice, Err: err}
	}
	file, err := os.Open(path)
	if err != nil {
		var pathErr *fs.PathError
		if errors.As(err, &pathErr) {
			err = pathErr.Err // the path is in the sentence already
		}
		return nil, bad(err, "", "cannot be opened")
	}
	defer file.Close()
	wav, err := ReadWAV(file)
	if err != nil {
		return nil, bad(err, "", "cannot be used")
	}

	const need = "record two channels: 1 before the sense resistor, 2 at the load"
	n := len(wav.Samples)
	switch {
	case wav.Truncated:
		return nil, bad(nil, "copy the file again or repeat the recording", "is cut short: it holds %d of the %d frames that its header states", wav.Frames(), wav.StatedFrames)
	case wav.Frames() == 0:
		return nil, bad(nil, "repeat the recording", "holds no samples")
	case n == 1:
		return nil, bad(nil, need, "has one channel; a measurement needs two")
	case inputs[0] == inputs[1]:
		return nil, bad(nil, "choose two different channels", "is asked for channel %d twice", inputs[0])
	}
	for _, in := range inputs {
		if in < 1 || in > n {
			return nil, bad(nil, fmt.Sprintf("choose two of 1 to %d", n), "has no channel %d; it has %d channels", in, n)
		}
	}
	return &Replay{rec: Recording{
		RateHz: wav.RateHz,
		V1:     wav.Samples[inputs[0]-1],
		V2:     wav.Samples[inputs[1]-1],
		Bits:   wav.wordLength(),
		Source: path,
		Inputs: inputs,
	}}, nil
}

// wordLength returns the Bits of a Recording read from w.
func (w WAV) wordLength() int {
	switch {
	case !w.Float:
		return w.Bits
	case w.Bits == 32:
		return float32Bits
	default:
		return 0
	}
}

// RateHz returns the sample rate of the recording, for which the signal must
// be made.
func (r *Replay) RateHz() int { return r.rec.RateHz }

// Seconds returns the length of the recording.
func (r *Replay) Seconds() float64 { return float64(len(r.rec.V1)) / float64(r.rec.RateHz) }

// Play returns the recording at once. It never calls out.Progress, since no
// sound plays. The recordings of one Replay share their samples, which must
// not be changed.
func (r *Replay) Play(ctx context.Context, out Output) (Recording, error) {
	if ctx.Err() != nil {
		return Recording{}, context.Cause(ctx)
	}
	if err := out.Check(); err != nil {
		return Recording{}, err
	}
	if out.RateHz != r.rec.RateHz {
		return Recording{}, &Fault{
			Cause:  WrongRate,
			Text:   fmt.Sprintf("recording %q was made at %d Hz, the signal at %d Hz", r.rec.Source, r.rec.RateHz, out.RateHz),
			Advice: fmt.Sprintf("use the signal of %d Hz if that is what was played, or record again at %d Hz", r.rec.RateHz, out.RateHz),
		}
	}
	return r.rec, nil
}

// float32Bits is the word length that float32 samples count as: that of their
// significand.
const float32Bits = 24

// WAV returns r as the sound of a two-channel file from which Replay gets the
// very same samples back: PCM of r's word length where every sample is one of
// its codes, otherwise 32-bit float where that is exact and r's word length is
// known to be no more, otherwise 64-bit float. Driver flags have no place in
// the file.
func (r Recording) WAV() WAV {
	w := WAV{RateHz: r.RateHz, Bits: 64, Float: true, Samples: [][]float64{r.V1, r.V2}}
	switch {
	case r.Bits < 8 || r.Bits > 32:
	case allSamples(w, isCode(r.Bits)):
		w.Bits, w.Float = r.Bits, false
	case r.Bits <= float32Bits && allSamples(w, isFloat32):
		w.Bits = 32
	}
	return w
}

func allSamples(w WAV, is func(float64) bool) bool {
	for _, s := range w.Samples {
		for _, x := range s {
			if !is(x) {
				return false
			}
		}
	}
	return true
}

func isFloat32(x float64) bool { return float64(float32(x)) == x }

// isCode returns the test for a sample that is a code of b-bit PCM.
func isCode(b int) func(float64) bool {
	full := float64(int64(1) << (b - 1))
	return func(x float64) bool {
		c := x * full
		return c >= -full && c < full && c == float64(int64(c))
	}
}

// WriteRecording writes r as a WAVE file without loss; see Recording.WAV.
func WriteRecording(dst io.Writer, r Recording) error {
	return WriteWAV(dst, r.WAV())
}
