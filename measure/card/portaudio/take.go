package portaudio

import (
	"math"
	"sync/atomic"
	"time"

	"tapload/measure/card"
)

const (
	fadeTime = 50 * time.Millisecond

	// mostFlags are kept apart, so that no memory is taken while sound plays;
	// what comes beyond them belongs to the last.
	mostFlags = 64
)

// take is one signal on its way out and its recording on its way in. All its
// memory is there before the first block; callback and the goroutine that
// waits for it share nothing but atomics until the take is complete.
//
// It begins by waiting, in silence and without recording: the first blocks of a
// sound server that wakes are late, and flagged, until it runs.
type take struct {
	rateHz          int
	inputs, outputs int         // channels of the stream
	signal          [][]float32 // one for all outputs, or one each
	from            [2]int      // position of V1 and V2 in an input frame
	timing          timing
	v               [2][]float32
	fade            []float32 // gain, from 1 to 0
	flags           []card.Flag

	calls  atomic.Int64
	steady atomic.Int64 // frames without a flag in a row, until they are enough
	frames atomic.Int64 // blocks of these are behind us
	ending atomic.Bool
	gone   atomic.Int64 // samples of the fade played
	peaks  [2]atomic.Uint32

	waking struct {
		blocks, flagged atomic.Int64
		lapse           atomic.Uint32
	}
}

// timing is how a take is laid out, in frames.
type timing struct {
	settle int // without a flag before the recording begins
	before int // of silence in the recording before the signal
	after  int // that the recording goes on after the signal

	// What a flag says of may have happened so much before its block, and what
	// went wrong on the way out may be heard so much behind it.
	early, late int
}

// newTake returns the take of signal.
func newTake(s setup, signal [][]float64, inputs [2]int, tm timing) *take {
	t := &take{
		rateHz: s.rateHz, inputs: s.inputs, outputs: s.outputs,
		from: [2]int{inputs[0] - 1, inputs[1] - 1}, timing: tm,
		fade:  make([]float32, frames(fadeTime, s.rateHz)),
		flags: make([]card.Flag, 0, mostFlags),
	}
	for _, x := range signal {
		y := make([]float32, tm.before+len(x))
		for i, v := range x {
			y[tm.before+i] = float32(v)
		}
		t.signal = append(t.signal, y)
	}
	for i := range t.v {
		t.v[i] = make([]float32, tm.before+len(signal[0])+tm.after)
	}
	for i := range t.fade {
		t.fade[i] = float32(0.5 + 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(len(t.fade))))
	}
	return t
}

// callback waits for one block, or plays and records it.
func (t *take) callback(in, out []float32, s status) {
	n := len(out) / t.outputs
	if len(in) < n*t.inputs {
		in, s.inputUnderflow = nil, true
	}
	if lapse := s.lapse(); !t.begun() {
		clear(out)
		t.wait(n, lapse)
		if t.ending.Load() {
			t.gone.Store(int64(len(t.fade))) // there is nothing to fade
		}
	} else {
		at := int(t.frames.Load())
		t.play(out, at)
		if in != nil {
			t.record(in, at, n)
		}
		if lapse != 0 && at < len(t.v[0]) {
			t.flag(lapse, at, n)
		}
		t.frames.Store(int64(at + n))
	}
	t.calls.Add(1)
}

// begun reports whether the waiting is over.
func (t *take) begun() bool { return int(t.steady.Load()) >= t.timing.settle }

// wait counts a block of n frames.
func (t *take) wait(n int, lapse card.Lapse) {
	t.waking.blocks.Add(1)
	if lapse == 0 {
		t.steady.Add(int64(n))
		return
	}
	t.steady.Store(0)
	t.waking.flagged.Add(1)
	t.waking.lapse.Or(uint32(lapse))
}

// flag keeps what was said of the block of n frames from frame at on.
func (t *take) flag(lapse card.Lapse, at, n int) {
	f := card.Flag{Lapse: lapse, Blocks: 1, From: max(0, at-t.timing.early), To: min(len(t.v[0]), at+n+t.timing.late)}
	if k := len(t.flags) - 1; k >= 0 && (f.From <= t.flags[k].To || len(t.flags) == cap(t.flags)) {
		last := &t.flags[k]
		last.Lapse |= f.Lapse
		last.Blocks++
		last.To = f.To
		return
	}
	t.flags = append(t.flags, f)
}

// play fills out with the signal from frame at on.
func (t *take) play(out []float32, at int) {
	ending, gone := t.ending.Load(), int(t.gone.Load())
	for i := 0; i < len(out); i += t.outputs {
		gain := float32(1)
		if ending {
			gain = 0
			if gone < len(t.fade) {
				gain = t.fade[gone]
				gone++
			}
		}
		for ch := range t.outputs {
			x := t.signal[ch%len(t.signal)]
			if at < len(x) {
				out[i+ch] = gain * x[at]
			} else {
				out[i+ch] = 0
			}
		}
		at++
	}
	t.gone.Store(int64(gone))
}

// record keeps both channels of up to n frames from frame at on.
func (t *take) record(in []float32, at, n int) {
	for ch := range t.v {
		keep := t.v[ch][min(at, len(t.v[ch])):]
		peak := math.Float32frombits(t.peaks[ch].Load())
		for i := range min(n, len(keep)) {
			x := in[i*t.inputs+t.from[ch]]
			keep[i] = x
			peak = max(peak, x, -x)
		}
		// A reset by the reader since Load is undone here: that peak is then
		// reported twice, which is better than not at all.
		t.peaks[ch].Store(math.Float32bits(peak))
	}
}

// fadeOut lets the sound end, from the next block on.
func (t *take) fadeOut() { t.ending.Store(true) }

// faded reports whether the sound has ended after fadeOut.
func (t *take) faded() bool { return int(t.gone.Load()) == len(t.fade) }

// complete reports whether all is recorded; from then on callback leaves the
// recording alone.
func (t *take) complete() bool { return int(t.frames.Load()) >= len(t.v[0]) }

// progress returns how far the take has come, with the peaks since the last
// call.
func (t *take) progress() card.Progress {
	p := card.Progress{
		Done:  t.duration(min(int(t.frames.Load()), len(t.v[0]))),
		Total: t.duration(len(t.v[0])),
	}
	for ch := range p.Peak {
		p.Peak[ch] = float64(math.Float32frombits(t.peaks[ch].Swap(0)))
	}
	return p
}

func (t *take) duration(frames int) time.Duration {
	return time.Duration(math.Round(float64(frames) / float64(t.rateHz) * float64(time.Second)))
}

// recorded returns both channels of a complete take.
func (t *take) recorded() (v1, v2 []float64) {
	var v [2][]float64
	for ch := range v {
		v[ch] = make([]float64, len(t.v[ch]))
		for i, x := range t.v[ch] {
			v[ch][i] = float64(x)
		}
	}
	return v[0], v[1]
}
