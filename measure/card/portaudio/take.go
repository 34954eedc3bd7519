package portaudio

import (
	"math"
	"sync/atomic"
	"time"

	"tapload/measure/card"
)

const fadeTime = 50 * time.Millisecond

// take is one signal on its way out and its recording on its way in. All its
// memory is there before the first block; callback and the goroutine that
// waits for it share nothing but atomics until the take is complete.
type take struct {
	rateHz          int
	inputs, outputs int         // channels of the stream
	signal          [][]float32 // one for all outputs, or one each
	from            [2]int      // position of V1 and V2 in an input frame
	before          int         // frames of silence before the signal
	v               [2][]float32
	fade            []float32 // gain, from 1 to 0

	calls  atomic.Int64
	frames atomic.Int64 // blocks of these are behind us
	ending atomic.Bool
	gone   atomic.Int64 // samples of the fade played
	peaks  [2]atomic.Uint32
	flags  struct{ inOver, inUnder, outOver, outUnder atomic.Int64 }
}

// newTake returns the take of signal with so many frames of silence before and
// after it.
func newTake(s setup, signal [][]float64, inputs [2]int, before, after int) *take {
	t := &take{
		rateHz: s.rateHz, inputs: s.inputs, outputs: s.outputs,
		from: [2]int{inputs[0] - 1, inputs[1] - 1}, before: before,
		fade: make([]float32, frames(fadeTime, s.rateHz)),
	}
	for _, x := range signal {
		y := make([]float32, before+len(x))
		for i, v := range x {
			y[before+i] = float32(v)
		}
		t.signal = append(t.signal, y)
	}
	for i := range t.v {
		t.v[i] = make([]float32, before+len(signal[0])+after)
	}
	for i := range t.fade {
		t.fade[i] = float32(0.5 + 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(len(t.fade))))
	}
	return t
}

// callback plays and records one block.
func (t *take) callback(in, out []float32, s status) {
	at := int(t.frames.Load())
	n := len(out) / t.outputs
	if len(in) < n*t.inputs {
		in, s.inputUnderflow = nil, true
	}
	t.play(out, at)
	if in != nil {
		t.record(in, at, n)
	}
	// What was lost before the signal began is no loss.
	if at+n > t.before {
		count(&t.flags.inOver, s.inputOverflow)
		count(&t.flags.inUnder, s.inputUnderflow)
		count(&t.flags.outOver, s.outputOverflow)
		count(&t.flags.outUnder, s.outputUnderflow)
	}
	t.frames.Store(int64(at + n))
	t.calls.Add(1)
}

func count(n *atomic.Int64, yes bool) {
	if yes {
		n.Add(1)
	}
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

// flagged returns what the system said of lost or late blocks.
func (t *take) flagged() card.Flags {
	return card.Flags{
		InputOverflow: int(t.flags.inOver.Load()), InputUnderflow: int(t.flags.inUnder.Load()),
		OutputOverflow: int(t.flags.outOver.Load()), OutputUnderflow: int(t.flags.outUnder.Load()),
	}
}
