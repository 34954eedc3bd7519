package signal

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"tapload/measure/exactjson"
)

const (
	kindTones  = "tones"
	kindRounds = "tone-rounds"
)

// Tones is one sine after another, each with a time to settle and then a
// dwell, in which it is measured, of a whole number of cycles. Neighbours fade
// into each other as half a cosine, so that nothing pops. A short chirp up
// before the first tone and one down after the last mark their places in a
// recording and tell its clock from the player's.
type Tones struct {
	RateHz int
	Peak   float64 // amplitude of every tone, fraction of full scale
	steps  []Step
}

// Step is one tone. All counts are exact, so that the law has no rounding.
type Step struct {
	Cycles int // of the tone in a block
	Block  int // samples
	Blocks int // blocks of the dwell
	Settle int // samples before the dwell
}

// Hz returns the frequency of s at a sample rate in hertz.
func (s Step) Hz(rateHz int) float64 {
	return float64(s.Cycles) * float64(rateHz) / float64(s.Block)
}

// Dwell returns the length of the dwell in samples.
func (s Step) Dwell() int { return s.Block * s.Blocks }

// TonesOptions chooses Tones. The zero value of a field takes its default.
type TonesOptions struct {
	RateHz        int     // default 48000
	LowHz, HighHz float64 // first and last tone; default 10 Hz to 20 kHz
	Peak          float64 // fraction of full scale; default 0.5 (-6 dB)
	PerOctave     int     // tones an octave; default 12
	DwellSeconds  float64 // shortest dwell, at low frequencies twelve cycles; default 0.2
	SettleSeconds float64 // shortest time to settle, at low frequencies sixteen cycles and up to half a second; default 0.1
}

// Defaults of TonesOptions.
const (
	DefaultTonesPerOctave = 12
	DefaultDwell          = 0.2
	DefaultSettle         = 0.1
)

const (
	dwellCycles  = 12 // fewer leave hum and noise hard to tell from the tone
	settleCycles = 16 // a resonance of Q 12 decays in them by exp(-4.2), and by more behind a resistor

	// Tones of the next octaves make a resonance below them ring as well, in its
	// own time: up to a hundred hertz they all settle as long as its loudspeaker.
	lowSettle = 0.5  // s
	lowCycles = 50.0 // and at most so many cycles

	markSeconds  = 0.2
	gapSeconds   = 0.1 // between marks and tones
	jointSeconds = 0.02
	holdSeconds  = 0.005 // after a dwell, since its place in a recording is uncertain

	tonesOffMains = 2.0 // Hz from mains and its harmonics
)

// Frequencies in hertz that a mark runs between.
const (
	MarkLowHz  = 200.0
	MarkHighHz = 2000.0
)

// NewTones returns the tones for o, or an error that names the option at
// fault.
func NewTones(o TonesOptions) (Tones, error) {
	o = o.withDefaults()
	switch {
	case o.RateHz < minRateHz || o.RateHz > maxRateHz:
		return Tones{}, fmt.Errorf("sample rate %d Hz is outside %d to %d Hz", o.RateHz, minRateHz, maxRateHz)
	case o.PerOctave < 1 || o.PerOctave > 200:
		return Tones{}, fmt.Errorf("%d tones an octave are outside 1 to 200", o.PerOctave)
	case !(o.DwellSeconds >= 0.05 && o.DwellSeconds <= 60):
		return Tones{}, fmt.Errorf("dwell of %g s is outside 0.05 to 60 s", o.DwellSeconds)
	case !(o.SettleSeconds >= 0.01 && o.SettleSeconds <= 60):
		return Tones{}, fmt.Errorf("time to settle of %g s is outside 0.01 to 60 s", o.SettleSeconds)
	case !(o.LowHz >= 1 && o.HighHz >= 2*o.LowHz):
		return Tones{}, fmt.Errorf("tones from %g to %g Hz must start at 1 Hz or above and span at least an octave", o.LowHz, o.HighHz)
	case o.HighHz*beyondHigh > 0.98*float64(o.RateHz)/2:
		return Tones{}, fmt.Errorf("tones up to %g Hz do not fit a sample rate of %d Hz, which carries up to %.0f Hz", o.HighHz, o.RateHz, math.Floor(0.98*float64(o.RateHz)/2/beyondHigh))
	}
	base, double := halved(o.RateHz)
	samples := func(s float64) int { return int(math.Round(s*float64(base))) * double }
	t := Tones{RateHz: o.RateHz, Peak: o.Peak}
	intervals := int(math.Ceil(math.Log2(o.HighHz/o.LowHz)*float64(o.PerOctave) - 1e-9))
	last := 0.0
	for i := range intervals + 1 {
		hz := offMains(o.LowHz * math.Pow(o.HighHz/o.LowHz, float64(i)/float64(intervals)))
		if hz < last*math.Exp2(0.3/float64(o.PerOctave)) {
			continue // moved off mains into its neighbour's place
		}
		last = hz
		cycles := math.Ceil(hz * max(o.DwellSeconds, dwellCycles/hz, 1/mainsDistance(hz)))
		t.steps = append(t.steps, Step{
			Cycles: int(cycles), Block: samples(cycles / hz), Blocks: 1,
			Settle: samples(max(o.SettleSeconds, settleCycles/hz, min(lowSettle, lowCycles/hz))),
		})
	}
	return t, t.check()
}

func (o TonesOptions) withDefaults() TonesOptions {
	o.RateHz = cmp.Or(o.RateHz, DefaultRateHz)
	o.PerOctave = cmp.Or(o.PerOctave, DefaultTonesPerOctave)
	o.LowHz = cmp.Or(o.LowHz, DefaultLowHz)
	o.HighHz = cmp.Or(o.HighHz, DefaultHighHz)
	o.Peak = cmp.Or(o.Peak, DefaultPeak)
	o.DwellSeconds = cmp.Or(o.DwellSeconds, DefaultDwell)
	o.SettleSeconds = cmp.Or(o.SettleSeconds, DefaultSettle)
	return o
}

// nearestMains returns the harmonic of a mains frequency nearest to hz, or 0
// beyond the harmonics that count.
func nearestMains(hz float64) (near float64) {
	for _, base := range MainsHz {
		h := max(1, math.Round(hz/base))
		if h <= mainsHarmonics && math.Abs(h*base-hz) < math.Abs(near-hz) {
			near = h * base
		}
	}
	return near
}

func mainsDistance(hz float64) float64 { return math.Abs(hz - nearestMains(hz)) }

// offMains moves a frequency to where no hum is within tonesOffMains.
func offMains(hz float64) float64 {
	if mainsDistance(hz) >= tonesOffMains {
		return hz
	}
	near := nearestMains(hz)
	up, down := near+tonesOffMains, near-tonesOffMains
	if mainsDistance(up) >= tonesOffMains && (hz >= near || mainsDistance(down) < tonesOffMains) {
		return up
	}
	return down
}

// Again returns a signal of the same rate and level with other steps.
func (t Tones) Again(steps []Step) (Tones, error) {
	a := Tones{t.RateHz, t.Peak, slices.Clone(steps)}
	return a, a.check()
}

// check returns an error that names what makes no signal.
func (t Tones) check() error {
	switch {
	case t.RateHz < minRateHz || t.RateHz > maxRateHz:
		return fmt.Errorf("tones: sample rate %d Hz is outside %d to %d Hz", t.RateHz, minRateHz, maxRateHz)
	case !(t.Peak > 0 && t.Peak <= 1):
		return fmt.Errorf("tones: peak %g of full scale is outside 0 to 1", t.Peak)
	case len(t.steps) == 0:
		return fmt.Errorf("tones: there is none")
	}
	longest := maxSeconds * t.RateHz
	sum := 0
	for _, s := range t.steps {
		if s.Cycles < 1 || s.Block < 2 || s.Block > longest || s.Blocks < 1 || s.Blocks > longest/s.Block || s.Settle < 0 || s.Settle > longest {
			return fmt.Errorf("tones: %d cycles in %d samples, %d times after %d samples to settle, make no tone", s.Cycles, s.Block, s.Blocks, s.Settle)
		}
		if 2*s.Cycles >= s.Block {
			return fmt.Errorf("tones: %g Hz is not below half the sample rate of %d Hz", s.Hz(t.RateHz), t.RateHz)
		}
		if sum += s.Dwell() + s.Settle; sum > longest {
			return fmt.Errorf("tones: they last longer than %d s at %d Hz", maxSeconds, t.RateHz)
		}
	}
	return nil
}

// Rate returns the sample rate in hertz.
func (t Tones) Rate() int { return t.RateHz }

// Steps returns the tones in the order in which they are played.
func (t Tones) Steps() []Step { return slices.Clone(t.steps) }

func (t Tones) samples(s float64) int { return int(math.Round(s * float64(t.RateHz))) }

// Overhead returns the samples that a step takes besides its settling and
// dwell.
func (t Tones) Overhead() int { return t.samples(jointSeconds) + t.samples(holdSeconds) }

// EmptyLen returns the length that the signal would have without any step.
func (t Tones) EmptyLen() int { return Tones{RateHz: t.RateHz}.Len() }

// Len returns the length of the whole signal in samples.
func (t Tones) Len() int { return t.TailMark() + t.samples(markSeconds) }

// TailMark returns the sample at which the mark after the last tone begins;
// the one before the first tone begins with the signal.
func (t Tones) TailMark() int {
	n := t.samples(markSeconds) + t.samples(gapSeconds)
	for _, s := range t.steps {
		n += s.Settle + s.Dwell() + t.Overhead()
	}
	return n + t.samples(jointSeconds) + t.samples(gapSeconds)
}

// Dwells returns the sample at which each dwell begins.
func (t Tones) Dwells() []int {
	at := make([]int, len(t.steps))
	n := t.samples(markSeconds) + t.samples(gapSeconds)
	for i, s := range t.steps {
		at[i] = n + t.samples(jointSeconds) + s.Settle
		n += s.Settle + s.Dwell() + t.Overhead()
	}
	return at
}

// Marks returns the samples of the marks before the first and after the last
// tone: an exponential chirp from 200 Hz to 2 kHz and the same backwards.
func (t Tones) Marks() (head, tail []float64) {
	head = make([]float64, t.samples(markSeconds))
	l := markSeconds / math.Log(MarkHighHz/MarkLowHz)
	for n := range head {
		x := (float64(n) + 0.5) / float64(len(head))
		edge := min(1, 4*x, 4*(1-x))
		head[n] = t.Peak * halfCosine(edge) * math.Sin(2*math.Pi*MarkLowHz*l*math.Expm1(markSeconds*x/l))
	}
	tail = slices.Clone(head)
	slices.Reverse(tail)
	return head, tail
}

// Samples returns the whole signal.
func (t Tones) Samples() []float64 {
	x := make([]float64, t.Len())
	head, tail := t.Marks()
	copy(x, head)
	copy(x[t.TailMark():], tail)
	joint, hold := t.samples(jointSeconds), t.samples(holdSeconds)
	for i, at := range t.Dwells() {
		s := t.steps[i]
		from, to := at-s.Settle-joint, at+s.Dwell()+hold+joint
		// The phase is a whole number of steps of 1/Block turn.
		phase := ((from-at)%s.Block + s.Block) % s.Block * s.Cycles % s.Block
		for n := from; n < to; n++ {
			v := t.Peak * math.Sin(2*math.Pi*float64(phase)/float64(s.Block))
			if edge := min(n-from, to-1-n); edge < joint {
				v *= halfCosine((float64(edge) + 0.5) / float64(joint))
			}
			x[n] += v
			if phase += s.Cycles; phase >= s.Block {
				phase -= s.Block
			}
		}
	}
	return x
}

type tonesJSON struct {
	Kind   string  `json:"kind"`
	RateHz int     `json:"rate_hz"`
	Peak   float64 `json:"peak"`
	Cycles []int   `json:"cycles"`
	Block  []int   `json:"block"`
	Blocks []int   `json:"blocks"`
	Settle []int   `json:"settle"`
}

// MarshalJSON writes the law of t; Decode reads it.
func (t Tones) MarshalJSON() ([]byte, error) {
	j := tonesJSON{Kind: kindTones, RateHz: t.RateHz, Peak: t.Peak}
	for _, s := range t.steps {
		j.Cycles, j.Block = append(j.Cycles, s.Cycles), append(j.Block, s.Block)
		j.Blocks, j.Settle = append(j.Blocks, s.Blocks), append(j.Settle, s.Settle)
	}
	return json.Marshal(j)
}

func decodeTones(data []byte) (Signal, error) {
	var j tonesJSON
	if err := exactjson.Decode(data, "law", &j); err != nil {
		return nil, fmt.Errorf("tones law: %w", err)
	}
	if n := len(j.Cycles); len(j.Block) != n || len(j.Blocks) != n || len(j.Settle) != n {
		return nil, fmt.Errorf("tones law: lists of %d, %d, %d and %d tones must be equally long", n, len(j.Block), len(j.Blocks), len(j.Settle))
	}
	t := Tones{RateHz: j.RateHz, Peak: j.Peak}
	for i, c := range j.Cycles {
		t.steps = append(t.steps, Step{c, j.Block[i], j.Blocks[i], j.Settle[i]})
	}
	if err := t.check(); err != nil {
		return nil, err
	}
	return t, nil
}

// Rounds are Tones played one set after the other, each in a recording of its
// own.
type Rounds []Tones

// Rate returns the sample rate in hertz.
func (r Rounds) Rate() int { return r[0].RateHz }

// Samples returns the samples of all rounds.
func (r Rounds) Samples() []float64 {
	var x []float64
	for _, t := range r {
		x = append(x, t.Samples()...)
	}
	return x
}

// MarshalJSON writes the laws of all rounds; Decode reads them.
func (r Rounds) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Kind   string  `json:"kind"`
		Rounds []Tones `json:"rounds"`
	}{kindRounds, r})
}

func decodeRounds(data []byte) (Signal, error) {
	var j struct {
		Kind   string            `json:"kind"`
		Rounds []json.RawMessage `json:"rounds"`
	}
	if err := exactjson.Decode(data, "law", &j); err != nil {
		return nil, fmt.Errorf("law of tones in rounds: %w", err)
	}
	var r Rounds
	for _, law := range j.Rounds {
		s, err := decodeTones(law)
		if err != nil {
			return nil, err
		}
		t := s.(Tones)
		if len(r) > 0 && t.RateHz != r[0].RateHz {
			return nil, fmt.Errorf("law of tones in rounds: %d and %d Hz; all rounds have one sample rate", r[0].RateHz, t.RateHz)
		}
		r = append(r, t)
	}
	if len(r) == 0 {
		return nil, fmt.Errorf("law of tones in rounds: there is no round")
	}
	return r, nil
}
