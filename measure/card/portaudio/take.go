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

// playing is what a callback and the goroutine that waits for it share of sound
// on its way out, nothing but atomics.
//
// It begins by waiting, in silence and without recording: the first blocks of a
// sound server that wakes are late, and flagged, until it runs.
type playing struct {
	rateHz          int
	inputs, outputs int       // channels of the stream
	from            [2]int    // position of V1 and V2 in an input frame
	settle          int       // frames without a flag before it begins
	fade            []float32 // gain, from 1 to 0

	calls  atomic.Int64
	steady atomic.Int64 // frames without a flag in a row, until they are enough
	ending atomic.Bool
	gone   atomic.Int64 // samples of the fade played
	peaks  [2]atomic.Uint32

	waking struct {
		blocks, flagged atomic.Int64
		lapse           atomic.Uint32
	}
}

func (p *playing) init(s setup, inputs [2]int) {
	p.rateHz, p.inputs, p.outputs = s.rateHz, s.inputs, s.outputs
	p.from = [2]int{inputs[0] - 1, inputs[1] - 1}
	p.settle = frames(latency+settle, s.rateHz)
	p.fade = make([]float32, frames(fadeTime, s.rateHz))
	for i := range p.fade {
		p.fade[i] = float32(0.5 + 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(len(p.fade))))
	}
}

// block returns the frames of a block, its input or nil where there is none, and
// what was said of it. It reports false while it waits, and for such a block has
// done all that there is to do.
func (p *playing) block(in, out []float32, s status) (n int, heard []float32, lapse card.Lapse, begun bool) {
	n = len(out) / p.outputs
	if len(in) < n*p.inputs {
		in, s.inputUnderflow = nil, true
	}
	lapse = s.lapse()
	if p.begun() {
		return n, in, lapse, true
	}
	clear(out)
	p.wait(n, lapse)
	if p.ending.Load() {
		p.gone.Store(int64(len(p.fade))) // there is nothing to fade
	}
	return n, in, lapse, false
}

// begun reports whether the waiting is over.
func (p *playing) begun() bool { return int(p.steady.Load()) >= p.settle }

// wait counts a block of n frames.
func (p *playing) wait(n int, lapse card.Lapse) {
	p.waking.blocks.Add(1)
	if lapse == 0 {
		p.steady.Add(int64(n))
		return
	}
	p.steady.Store(0)
	p.waking.flagged.Add(1)
	p.waking.lapse.Or(uint32(lapse))
}

// gain returns the gain of the next frame to play, given whether the sound ends
// and how much of the fade is gone.
func (p *playing) gain(ending bool, gone *int) float32 {
	switch {
	case !ending:
		return 1
	case *gone < len(p.fade):
		*gone++
		return p.fade[*gone-1]
	}
	return 0
}

// peak raises the peak of an input to that of x.
func (p *playing) peak(ch int, x float32) {
	// A reset by the reader since Load is undone here: that peak is then
	// reported twice, which is better than not at all.
	if was := math.Float32frombits(p.peaks[ch].Load()); x > was {
		p.peaks[ch].Store(math.Float32bits(x))
	}
}

// heard returns the peaks since the last call.
func (p *playing) heard() (peaks [2]float64) {
	for ch := range peaks {
		peaks[ch] = float64(math.Float32frombits(p.peaks[ch].Swap(0)))
	}
	return peaks
}

// fadeOut lets the sound end, from the next block on.
func (p *playing) fadeOut() { p.ending.Store(true) }

// faded reports whether the sound has ended after fadeOut.
func (p *playing) faded() bool { return int(p.gone.Load()) == len(p.fade) }

// take is one signal on its way out and its recording on its way in. All its
// memory is there before the first block; the recording is the callback's until
// the take is complete.
type take struct {
	playing
	signal [][]float32 // one for all outputs, or one each
	timing timing
	v      [2][]float32
	flags  []card.Flag
	frames atomic.Int64 // blocks of these are behind us
}

// timing is how a take is laid out, in frames.
type timing struct {
	before int // of silence in the recording before the signal
	after  int // that the recording goes on after the signal

	// What a flag says of may have happened so much before its block, and what
	// went wrong on the way out may be heard so much behind it.
	early, late int
}

// newTake returns the take of signal.
func newTake(s setup, signal [][]float64, inputs [2]int, tm timing) *take {
	t := &take{timing: tm, flags: make([]card.Flag, 0, mostFlags)}
	t.init(s, inputs)
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
	return t
}

// callback waits for one block, or plays and records it.
func (t *take) callback(in, out []float32, s status) {
	if n, in, lapse, begun := t.block(in, out, s); begun {
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
		gain := t.gain(ending, &gone)
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
		var peak float32
		for i := range min(n, len(keep)) {
			x := in[i*t.inputs+t.from[ch]]
			keep[i] = x
			peak = max(peak, x, -x)
		}
		t.peak(ch, peak)
	}
}

// complete reports whether all is recorded; from then on callback leaves the
// recording alone.
func (t *take) complete() bool { return int(t.frames.Load()) >= len(t.v[0]) }

// progress returns how far the take has come, with the peaks since the last
// call.
func (t *take) progress() card.Progress {
	return card.Progress{
		Done:  t.duration(min(int(t.frames.Load()), len(t.v[0]))),
		Total: t.duration(len(t.v[0])),
		Peak:  t.heard(),
	}
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
