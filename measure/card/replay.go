package card

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"sync"

	"tapload/measure/infile"
)

// Replay is a Card that plays nothing: it returns a recording made before,
// from a WAVE file. The recording may start before and end after the signal;
// where the signal lies in it is for the analysis to find.
type Replay struct {
	path   string
	inputs [2]int
	head   wavHead
	frames int
	rooms  sync.Pool
}

// OpenReplay looks at the recording in the WAVE file at path. Inputs are the
// channels of the file, counted from 1, that hold the voltage before the sense
// resistor and that at the load. It returns a *Fault with Cause BadFile if the
// file is not whole or has no such channels. The samples are read when they are
// asked for.
func OpenReplay(path string, inputs [2]int) (*Replay, error) {
	r := &Replay{path: path, inputs: inputs}
	file, err := r.open()
	if err != nil {
		return nil, err
	}
	defer file.Close()
	br := bufio.NewReaderSize(file, wavBuffer)
	if r.head, err = readHead(br); err != nil {
		return nil, r.bad(err, "", "cannot be used")
	}
	info, err := file.Stat()
	if err != nil {
		return nil, r.bad(err, "", "cannot be used")
	}
	var stated int
	var truncated bool
	r.frames, stated, truncated = r.head.holds(info.Size() - r.head.at)

	const need = "record two channels: 1 before the sense resistor, 2 at the load"
	n := r.head.channels
	switch {
	case truncated:
		return nil, r.bad(nil, "copy the file again or repeat the recording", "is cut short: it holds %d of the %d frames that its header states", r.frames, stated)
	case r.frames == 0:
		return nil, r.bad(nil, "repeat the recording", "holds no samples")
	case n == 1:
		return nil, r.bad(nil, need, "has one channel; a measurement needs two")
	case inputs[0] == inputs[1]:
		return nil, r.bad(nil, "choose two different channels", "is asked for channel %d twice", inputs[0])
	}
	for _, in := range inputs {
		if in < 1 || in > n {
			return nil, r.bad(nil, fmt.Sprintf("choose two of 1 to %d", n), "has no channel %d; it has %d channels", in, n)
		}
	}
	return r, nil
}

func (r *Replay) bad(err error, advice, format string, args ...any) error {
	return &Fault{Cause: BadFile, Text: fmt.Sprintf("recording %q ", r.path) + fmt.Sprintf(format, args...), Advice: advice, Err: err}
}

func (r *Replay) open() (*os.File, error) {
	file, err := infile.Open(r.path)
	if err != nil {
		var pathErr *fs.PathError
		if errors.As(err, &pathErr) {
			err = pathErr.Err // the path is in the sentence already
		}
		advice := ""
		if errors.Is(err, fs.ErrNotExist) {
			advice = `name one that is there; "tapload sweep --keep FILE.wav" makes one`
		}
		return nil, r.bad(err, advice, "cannot be opened")
	}
	return file, nil
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
func (r *Replay) RateHz() int { return r.head.rateHz }

// Seconds returns the length of the recording.
func (r *Replay) Seconds() float64 { return float64(r.frames) / float64(r.head.rateHz) }

// Play returns the recording at once. It never calls out.Progress, since no
// sound plays.
func (r *Replay) Play(ctx context.Context, out Output) (Recording, error) {
	if ctx.Err() != nil {
		return Recording{}, context.Cause(ctx)
	}
	if err := out.Check(); err != nil {
		return Recording{}, err
	}
	return r.Recording(ctx, out.RateHz)
}

// Recording is Play for whoever has no use for the sound of the signal, which is
// for rateHz.
func (r *Replay) Recording(ctx context.Context, rateHz int) (Recording, error) {
	if ctx.Err() != nil {
		return Recording{}, context.Cause(ctx)
	}
	if err := r.Fits(rateHz); err != nil {
		return Recording{}, err
	}
	rec, err := InMemory(ctx, r)
	if err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return Recording{}, err
	}
	return rec, nil
}

// Fits returns a *Fault where the recording has another sample rate than a signal.
func (r *Replay) Fits(rateHz int) error {
	if rateHz == r.head.rateHz {
		return nil
	}
	return &Fault{
		Cause:  WrongRate,
		Text:   fmt.Sprintf("recording %q was made at %d Hz, the signal at %d Hz", r.path, r.head.rateHz, rateHz),
		Advice: fmt.Sprintf("use the signal of %d Hz if that is what was played, or record again at %d Hz", r.head.rateHz, rateHz),
	}
}

// About returns what is known of the recording, without its samples.
func (r *Replay) About() Recording {
	w := WAV{Bits: r.head.bits, Float: r.head.float}
	return Recording{RateHz: r.head.rateHz, Bits: w.wordLength(), Source: r.path, Inputs: r.inputs}
}

// Frames returns how many frames the recording has.
func (r *Replay) Frames() int { return r.frames }

// Pieces reads the recording; see Sound.
func (r *Replay) Pieces(ctx context.Context, take func(v1, v2 []float64) error) error {
	first, second := r.channels()
	file, err := r.open()
	if err != nil {
		return err
	}
	defer file.Close()
	if _, err := file.Seek(r.head.at, io.SeekStart); err != nil {
		return r.bad(err, "", "cannot be read")
	}
	done := 0
	var failed error // of take
	if _, err = r.head.pieces(ctx, file, func(piece [][]float64) error {
		done += len(piece[0])
		failed = take(piece[first], piece[second])
		return failed
	}); failed != nil || ctx.Err() != nil {
		return cmp.Or(failed, ctx.Err())
	}
	switch {
	case err != nil:
		return r.bad(err, "", "cannot be used")
	case done != r.frames:
		return r.shorter()
	}
	return nil
}

// ReadAt reads samples; see Sound.
func (r *Replay) ReadAt(ctx context.Context, v1, v2 []float64, from, step int) error {
	first, second := r.channels()
	file, err := r.open()
	if err != nil {
		return err
	}
	defer file.Close()
	block := r.head.block()
	stride := block * step
	decode := decoderOf(r.head.wavFormat)
	// The last frame of each part is read without those that follow it.
	atOnce := max(1, wavBuffer/stride)
	samples := max(len(v1), len(v2))
	room, _ := r.rooms.Get().(*[]byte)
	if room == nil {
		room = new([]byte)
	}
	defer r.rooms.Put(room)
	*room = slices.Grow((*room)[:0], max(0, min(samples, atOnce)-1)*stride+block)
	for done := 0; done < samples; done += atOnce {
		if err := ctx.Err(); err != nil {
			return err
		}
		n := min(atOnce, samples-done)
		part := (*room)[:(n-1)*stride+block]
		if _, err := file.ReadAt(part, r.head.at+int64(from+done*step)*int64(block)); ended(err) {
			return r.shorter()
		} else if err != nil {
			return r.bad(err, "", "cannot be read")
		}
		for _, c := range [2]struct {
			x       []float64
			channel int
		}{{v1, first}, {v2, second}} {
			if done >= len(c.x) {
				continue
			}
			x := c.x[done:min(len(c.x), done+n)]
			if i := decode(x, part[c.channel*r.head.width:], stride); i < len(x) {
				return r.bad(nil, "repeat the recording", "holds %v at frame %d of channel %d, which is not a finite number", x[i], from+(done+i)*step, c.channel+1)
			}
		}
	}
	return ctx.Err()
}

func (r *Replay) shorter() error {
	return r.bad(nil, "try again", "is not as long as it was when it was opened")
}

// channels returns which channels of the file V1 and V2 are, from 0.
func (r *Replay) channels() (first, second int) {
	return r.inputs[0] - 1, r.inputs[1] - 1
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
