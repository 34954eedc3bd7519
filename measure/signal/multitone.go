package signal

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"

	"tapload/measure/exactjson"
	"tapload/measure/transform"
)

const kindMultitone = "multitone"

// Sparse is a Periodic signal that excites only some lines of its period's
// spectrum. The silent ones show what the load or the card make of the others:
// distortion.
type Sparse interface {
	Periodic
	Lines() []int // excited lines in rising order, line k at k Rate/Period hertz
}

// Multitone is a sum of sines of equal amplitude, all played at once, on
// log-spaced lines of a period's spectrum. A line is an odd number, so that
// distortion of even order falls between the lines, and keeps clear of mains
// hum.
//
// The phases are searched for a low crest factor. They are kept in the law, in
// steps of 1/4096 turn: a search would not end in the same digits on every
// machine.
type Multitone struct {
	RateHz int
	Peak   float64 // largest sample, fraction of full scale
	lines  []int
	turns  []int // phase of each line, in steps of 1/phaseSteps turn
	frame  Frame
}

// MultitoneOptions chooses a Multitone. The zero value of a field takes its
// default.
type MultitoneOptions struct {
	RateHz        int     // default 48000
	LowHz, HighHz float64 // band to measure in; default 10 Hz to 20 kHz
	Peak          float64 // fraction of full scale; default 0.5 (-6 dB)
	PeriodSeconds float64 // default 2^18/48000 = 5.46 s; the nearest fit length is taken
	Periods       int     // counted periods; default 2
	PerOctave     int     // lines an octave, where the lines of the spectrum are that dense; default 24
}

// DefaultPerOctave is how many lines of a Multitone there are in an octave.
const DefaultPerOctave = 24

const (
	phaseSteps = 4096
	lineGap    = 4 // least distance of excited lines, so that every other odd line at least stays silent

	mainsReachHz   = 1.5 // how far an excited line stays from mains and its harmonics
	mainsHarmonics = 20
)

// NewMultitone returns the multitone for o, or an error that names the option at
// fault. It ends with ctx, whose error it then returns: the search for phases takes a
// second or two, and more where a period is long.
func NewMultitone(ctx context.Context, o MultitoneOptions) (Multitone, error) {
	m, err := o.unsearched()
	if err != nil {
		return Multitone{}, err
	}
	if m.turns, err = searchPhases(ctx, m.lines, m.frame.Period); err != nil {
		return Multitone{}, err
	}
	return m, nil
}

// Check returns the error that NewMultitone would, without its search for
// phases, which takes a second or two.
func (o MultitoneOptions) Check() error {
	_, err := o.unsearched()
	return err
}

// unsearched returns the multitone with all phases 0.
func (o MultitoneOptions) unsearched() (Multitone, error) {
	o = o.withDefaults()
	switch {
	case o.RateHz < minRateHz || o.RateHz > maxRateHz:
		return Multitone{}, fmt.Errorf("sample rate %d Hz is outside %d to %d Hz", o.RateHz, minRateHz, maxRateHz)
	case !(o.PeriodSeconds >= 0.1 && o.PeriodSeconds <= 120):
		return Multitone{}, fmt.Errorf("period of %g s is outside 0.1 to 120 s", o.PeriodSeconds)
	case o.Periods < 2 || !Smooth(o.Periods):
		return Multitone{}, fmt.Errorf("%d periods: at least two are needed, and no prime factor above 5", o.Periods)
	case o.PerOctave < 1 || o.PerOctave > 200:
		return Multitone{}, fmt.Errorf("%d lines an octave are outside 1 to 200", o.PerOctave)
	case !(o.LowHz > 0 && o.HighHz >= 2*o.LowHz):
		return Multitone{}, fmt.Errorf("band from %g to %g Hz must start above 0 and span at least an octave", o.LowHz, o.HighHz)
	case o.HighHz*beyondHigh > 0.98*float64(o.RateHz)/2:
		return Multitone{}, fmt.Errorf("band up to %g Hz does not fit a sample rate of %d Hz, which carries up to %.0f Hz", o.HighHz, o.RateHz, math.Floor(0.98*float64(o.RateHz)/2/beyondHigh))
	}
	period := PeriodNear(o.RateHz, o.PeriodSeconds)
	if t := float64(period) / float64(o.RateHz); o.LowHz*t < 1 {
		return Multitone{}, fmt.Errorf("band from %g Hz needs a period longer than %.2f s; raise the low end to %.1f Hz or more", o.LowHz, t, math.Ceil(10/t)/10)
	}
	m := Multitone{
		RateHz: o.RateHz, Peak: o.Peak,
		frame: frameOf(o.RateHz, period, o.Periods, o.LowHz, o.HighHz),
	}
	m.lines = spacedLines(m.lineHz(), o.LowHz, o.HighHz, o.PerOctave)
	m.turns = make([]int, len(m.lines))
	return m, m.check()
}

func (o MultitoneOptions) withDefaults() MultitoneOptions {
	o.RateHz = cmp.Or(o.RateHz, DefaultRateHz)
	o.Periods = cmp.Or(o.Periods, DefaultPeriods)
	o.PerOctave = cmp.Or(o.PerOctave, DefaultPerOctave)
	o.LowHz = cmp.Or(o.LowHz, DefaultLowHz)
	o.HighHz = cmp.Or(o.HighHz, DefaultHighHz)
	o.Peak = cmp.Or(o.Peak, DefaultPeak)
	o.PeriodSeconds = cmp.Or(o.PeriodSeconds, DefaultSeconds)
	return o
}

// spacedLines returns odd lines of a spectrum with the given distance of
// lines, perOctave an octave or fewer where they would come closer than
// lineGap, from the last at or below lowHz to the first at or above highHz.
// None is within reach of mains where the spectrum has another near.
func spacedLines(lineHz, lowHz, highHz float64, perOctave int) []int {
	oddAtMost := func(x float64) int { return max(1, 2*int(math.Floor((x-1)/2+1e-9))+1) }
	first := oddAtMost(lowHz / lineHz)
	last := oddAtMost(highHz/lineHz-1e-6) + 2
	clear := func(k int) bool {
		hz := float64(k) * lineHz
		for _, base := range MainsHz {
			h := math.Round(hz / base)
			if h >= 1 && h <= mainsHarmonics && math.Abs(hz-h*base) < mainsReachHz {
				return false
			}
		}
		return true
	}
	var lines []int
	add := func(k int) {
		least := first
		if len(lines) > 0 {
			least = lines[len(lines)-1] + lineGap
		}
		if k < least {
			return
		}
		// Beyond this a line would be in the place of its neighbour.
		reach := max(2, int(float64(k)*(math.Exp2(0.5/float64(perOctave))-1)), int(2*mainsReachHz/lineHz))
		for d := 0; d <= reach; d += 2 {
			for _, near := range []int{k - d, k + d} {
				if near >= least && near <= last && clear(near) {
					lines = append(lines, near)
					return
				}
			}
		}
	}
	for i := 0; ; i++ {
		want := float64(first) * math.Exp2(float64(i)/float64(perOctave))
		if want >= float64(last) {
			break
		}
		add(oddAtMost(want + 1))
	}
	add(last)
	return lines
}

// check returns an error that names what no NewMultitone would have made.
func (m Multitone) check() error {
	f := m.frame
	if err := f.check(m.RateHz); err != nil {
		return fmt.Errorf("multitone: %w", err)
	}
	if n := PeriodNear(m.RateHz, float64(f.Period)/float64(m.RateHz)); n != f.Period {
		return fmt.Errorf("multitone: a period of %d samples at %d Hz is odd or holds a whole number of mains cycles; the nearest that does not has %d", f.Period, m.RateHz, n)
	}
	if !(m.Peak > 0 && m.Peak <= 1) {
		return fmt.Errorf("multitone: peak %g of full scale is outside 0 to 1", m.Peak)
	}
	if len(m.lines) < 2 || len(m.turns) != len(m.lines) {
		return fmt.Errorf("multitone: %d lines with %d phases; at least two lines are needed, and a phase for each", len(m.lines), len(m.turns))
	}
	last := -lineGap
	for i, k := range m.lines {
		switch {
		case k < 1 || k%2 == 0 || k < last+lineGap || 2*k >= f.Period:
			return fmt.Errorf("multitone: line %d must be odd, at least %d above the line before it and below half the period of %d samples", k, lineGap, f.Period)
		case m.turns[i] < 0 || m.turns[i] >= phaseSteps:
			return fmt.Errorf("multitone: phase %d of line %d is outside 0 to %d", m.turns[i], k, phaseSteps-1)
		}
		last = k
	}
	return nil
}

// lineHz returns the distance of the lines of a period's spectrum.
func (m Multitone) lineHz() float64 { return float64(m.RateHz) / float64(m.frame.Period) }

// Rate returns the sample rate in hertz.
func (m Multitone) Rate() int { return m.RateHz }

// Frame returns the layout of m in time and frequency.
func (m Multitone) Frame() Frame { return m.frame }

// Lines returns the excited lines of the period's spectrum, in rising order.
func (m Multitone) Lines() []int { return append([]int(nil), m.lines...) }

// Crest returns the crest factor, the largest sample over the rms.
func (m Multitone) Crest() float64 {
	return crest(whole(newComb(m.lines, m.frame.Period).wave(context.Background(), m.phases())), len(m.lines))
}

func (m Multitone) phases() []float64 {
	p := make([]float64, len(m.turns))
	for i, t := range m.turns {
		p[i] = 2 * math.Pi * float64(t) / phaseSteps
	}
	return p
}

// Samples returns the whole signal.
func (m Multitone) Samples() []float64 {
	return m.frame.unroll(whole(m.Cycle(context.Background())))
}

// Cycle returns one period.
func (m Multitone) Cycle(ctx context.Context) ([]float64, error) {
	period, err := newComb(m.lines, m.frame.Period).wave(ctx, m.phases())
	if err != nil {
		return nil, err
	}
	scale := m.Peak / largest(period)
	for i := range period {
		period[i] *= scale
	}
	return period, nil
}

// comb makes waves of unit sines on given lines.
type comb struct {
	lines []int
	fft   *transform.Real
	sums  []complex128 // by line, or the wave's values
	room  []float64
}

func newComb(lines []int, period int) *comb {
	return &comb{lines, transform.New(period), make([]complex128, period/2+1), make([]float64, period)}
}

// wave returns the sum of cos(2 pi k n/period + phase) over the lines; the
// slice is the comb's own.
func (c *comb) wave(ctx context.Context, phases []float64) ([]float64, error) {
	clear(c.sums)
	for i, k := range c.lines {
		c.sums[k] = cmplx.Rect(0.5, phases[i])
	}
	err := c.fft.Backward(ctx, c.sums, c.room)
	return c.fft.Values(c.sums), err
}

func largest(x []float64) (top float64) {
	for _, v := range x {
		top = max(top, v, -v)
	}
	return top
}

// crest returns the crest factor of a wave of so many unit sines.
func crest(x []float64, lines int) float64 { return largest(x) / math.Sqrt(float64(lines)/2) }

// The search for phases. Between them the depths take the first rounds to
// move much and the last to polish; a step turns the phase that is furthest
// off by about pullAt radian. Chosen by trial on log-spaced lines.
const (
	searchRounds       = 60
	clipFrom, clipUpTo = 0.5, 0.9 // of the peak
	pullAt             = 0.3
)

// searchPhases returns phases, in steps of 1/phaseSteps turn, for a low crest
// factor. From Schroeder's phases on, what a clipper below the peak would take
// off is transformed, and every line is turned against its part of it,
// amplitudes being restored: the swapping of E. Van der Ouderaa, J. Schoukens,
// J. Renneboog (IEEE Trans. Instrum. Meas. 37(1), 145-147, 1988; from memory)
// with a step made large, since what is clipped of a wave of few lines in a
// long period is little. The best wave met is taken. An error is that of ctx.
func searchPhases(ctx context.Context, lines []int, period int) ([]int, error) {
	c := newComb(lines, period)
	phases := schroeder(len(lines))
	best, turns := math.Inf(1), make([]int, len(lines))
	for round := range searchRounds {
		x, err := c.wave(ctx, phases)
		if err != nil {
			return nil, err
		}
		top := largest(x)
		if top < best {
			best = top
			for i, p := range phases {
				turns[i] = (int(math.Round(p/(2*math.Pi)*phaseSteps))%phaseSteps + phaseSteps) % phaseSteps
			}
		}
		keep := top * (clipFrom + (clipUpTo-clipFrom)*float64(round)/searchRounds)
		for i, v := range x {
			x[i] = v - max(-keep, min(keep, v))
		}
		if err := c.turnAgainst(ctx, phases); err != nil {
			return nil, err
		}
	}
	return turns, nil
}

// turnAgainst turns the phases of the lines away from those of the wave as it is.
func (c *comb) turnAgainst(ctx context.Context, phases []float64) error {
	if err := c.fft.Forward(ctx, c.sums, c.room); err != nil {
		return err
	}
	var top float64
	for _, k := range c.lines {
		top = max(top, cmplx.Abs(c.sums[k]))
	}
	if top == 0 {
		return nil
	}
	for i, k := range c.lines {
		phases[i] = cmplx.Phase(cmplx.Rect(1, phases[i]) - complex(pullAt/top, 0)*c.sums[k])
	}
	return nil
}

// schroeder returns Schroeder's phases for n lines of equal power, -pi k^2/n
// (M. R. Schroeder, IEEE Trans. Inf. Theory 16(1), 85-89, 1970). On
// log-spaced lines they are a start, no more.
func schroeder(n int) []float64 {
	p := make([]float64, n)
	for k := range p {
		p[k] = -math.Pi * float64(k+1) * float64(k) / float64(n)
	}
	return p
}

type multitoneJSON struct {
	Kind    string  `json:"kind"`
	RateHz  int     `json:"rate_hz"`
	LowHz   float64 `json:"low_hz"`
	HighHz  float64 `json:"high_hz"`
	Peak    float64 `json:"peak"`
	LeadIn  int     `json:"lead_in"`
	Period  int     `json:"period"`
	Periods int     `json:"periods"`
	Tail    int     `json:"tail"`
	Fade    int     `json:"fade"`
	Lines   []int   `json:"lines"`
	Turns   []int   `json:"phase_4096ths"`
}

// MarshalJSON writes the law of m; Decode reads it.
func (m Multitone) MarshalJSON() ([]byte, error) {
	f := m.frame
	return json.Marshal(multitoneJSON{kindMultitone, m.RateHz, f.LowHz, f.HighHz, m.Peak, f.LeadIn, f.Period, f.Periods, f.Tail, f.Fade, m.lines, m.turns})
}

func decodeMultitone(data []byte) (Signal, error) {
	var j multitoneJSON
	if err := exactjson.Decode(data, "law", &j); err != nil {
		return nil, fmt.Errorf("multitone law: %w", err)
	}
	m := Multitone{j.RateHz, j.Peak, j.Lines, j.Turns, Frame{j.LeadIn, j.Period, j.Periods, j.Tail, j.Fade, j.LowHz, j.HighHz}}
	if err := m.check(); err != nil {
		return nil, err
	}
	return m, nil
}
