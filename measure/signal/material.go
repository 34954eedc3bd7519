package signal

import (
	"encoding/json"
	"fmt"
	"math"

	"tapload/measure/exactjson"
)

const (
	kindListen  = "listen"
	kindProgram = "program"
)

// Material is a Signal of which nobody chose the spectrum: whatever an
// amplifier plays. It measures where, and as well as, it happens to sound.
type Material interface {
	Signal
	Band() Band
}

// Band is where program material is asked for an answer.
type Band struct {
	LowHz, HighHz float64
	Coherence     float64 // least coherence of the two voltages for which a frequency is believed, 0 to 1
}

// Defaults for program material.
const (
	DefaultListenSeconds = 60.0
	DefaultCoherence     = 0.95
)

// maxListenSeconds is how long a Listen may be: a recording of the longest signal has
// some latency beside it.
const maxListenSeconds = maxSeconds + 10

func (b Band) check(rateHz int) error {
	switch {
	case rateHz < minRateHz || rateHz > maxRateHz:
		return fmt.Errorf("sample rate %d Hz is outside %d to %d Hz", rateHz, minRateHz, maxRateHz)
	case !(b.LowHz > 0) || !(b.HighHz > b.LowHz) || b.HighHz > float64(rateHz)/2:
		return fmt.Errorf("band from %g to %g Hz must rise and end below half the sample rate of %d Hz", b.LowHz, b.HighHz, rateHz)
	case !(b.Coherence > 0 && b.Coherence < 1):
		return fmt.Errorf("coherence limit of %g must be above 0 and below 1", b.Coherence)
	}
	return nil
}

// Listen plays nothing and records for a while what something else plays.
type Listen struct {
	RateHz  int
	Seconds float64
	band    Band
}

// NewListen returns the listening of that length, or an error that names the
// value at fault.
func NewListen(rateHz int, seconds float64, b Band) (Listen, error) {
	if err := b.check(rateHz); err != nil {
		return Listen{}, err
	}
	if !(seconds > 0 && seconds <= maxListenSeconds) {
		return Listen{}, fmt.Errorf("time to listen of %g s must be above 0 and at most %d s", seconds, maxListenSeconds)
	}
	return Listen{rateHz, seconds, b}, nil
}

// Rate returns the sample rate in hertz.
func (l Listen) Rate() int { return l.RateHz }

// Band returns where l is to measure.
func (l Listen) Band() Band { return l.band }

// Samples returns silence of the length of l.
func (l Listen) Samples() []float64 {
	return make([]float64, max(1, int(math.Round(l.Seconds*float64(l.RateHz)))))
}

// materialJSON is the law of either kind of material.
type materialJSON struct {
	Kind      string  `json:"kind"`
	RateHz    int     `json:"rate_hz"`
	LowHz     float64 `json:"low_hz"`
	HighHz    float64 `json:"high_hz"`
	Coherence float64 `json:"coherence"`
	Seconds   float64 `json:"seconds"`

	File   string  `json:"file,omitempty"`
	SHA256 string  `json:"sha256,omitempty"`
	Peak   float64 `json:"peak,omitempty"`
}

// MarshalJSON writes the law of l; Decode reads it.
func (l Listen) MarshalJSON() ([]byte, error) {
	return json.Marshal(materialJSON{Kind: kindListen, RateHz: l.RateHz, LowHz: l.band.LowHz, HighHz: l.band.HighHz, Coherence: l.band.Coherence, Seconds: l.Seconds})
}

// Program is sound from a file, played at a level of its own.
type Program struct {
	RateHz int
	File   string  // its name, for people
	SHA256 string  // of the file, in hexadecimal
	Peak   float64 // largest sample played, fraction of full scale

	band    Band
	seconds float64
	samples []float64 // as in the file; nil once read back from a law, which holds no sound
}

// NewProgram returns the sound of a file at a level, or an error that names
// what of it cannot be played.
func NewProgram(rateHz int, file, sha256 string, sound []float64, peak float64, b Band) (Program, error) {
	if err := b.check(rateHz); err != nil {
		return Program{}, err
	}
	p := Program{rateHz, file, sha256, peak, b, float64(len(sound)) / float64(rateHz), sound}
	if err := p.check(); err != nil {
		return Program{}, err
	}
	if loudest(sound) == 0 {
		return Program{}, fmt.Errorf("%s holds nothing but silence", file)
	}
	return p, nil
}

func (p Program) check() error {
	switch {
	case p.File == "" || p.SHA256 == "":
		return fmt.Errorf("program material needs the name and the SHA-256 of its file")
	case !(p.Peak > 0 && p.Peak <= 1):
		return fmt.Errorf("peak %g of full scale is outside 0 to 1", p.Peak)
	case !(p.seconds > 0 && p.seconds <= maxSeconds):
		return fmt.Errorf("%s plays for %g s; it must be above 0 and at most %d s", p.File, p.seconds, maxSeconds)
	}
	return nil
}

func loudest(x []float64) (m float64) {
	for _, v := range x {
		m = max(m, math.Abs(v))
	}
	return m
}

// Rate returns the sample rate in hertz.
func (p Program) Rate() int { return p.RateHz }

// Band returns where p is to measure.
func (p Program) Band() Band { return p.band }

// Samples returns the sound with its largest sample at Peak; nothing where p
// was read back from its law, which names the file and does not hold it.
func (p Program) Samples() []float64 {
	if p.samples == nil {
		return nil
	}
	x := make([]float64, len(p.samples))
	gain := p.Peak / loudest(p.samples)
	for i, v := range p.samples {
		x[i] = max(-p.Peak, min(p.Peak, gain*v)) // rounding
	}
	return x
}

// MarshalJSON writes the law of p; Decode reads it.
func (p Program) MarshalJSON() ([]byte, error) {
	return json.Marshal(materialJSON{
		Kind: kindProgram, RateHz: p.RateHz, LowHz: p.band.LowHz, HighHz: p.band.HighHz, Coherence: p.band.Coherence, Seconds: p.seconds,
		File: p.File, SHA256: p.SHA256, Peak: p.Peak,
	})
}

func decodeMaterial(data []byte) (Signal, error) {
	var j materialJSON
	if err := exactjson.Decode(data, "law", &j); err != nil {
		return nil, fmt.Errorf("law of program material: %w", err)
	}
	b := Band{j.LowHz, j.HighHz, j.Coherence}
	if j.Kind == kindListen {
		if j.File != "" || j.SHA256 != "" || j.Peak != 0 {
			return nil, fmt.Errorf("law of kind %q has neither file nor peak", kindListen)
		}
		l, err := NewListen(j.RateHz, j.Seconds, b)
		if err != nil {
			return nil, fmt.Errorf("law of program material: %w", err)
		}
		return l, nil
	}
	p := Program{j.RateHz, j.File, j.SHA256, j.Peak, b, j.Seconds, nil}
	if err := b.check(j.RateHz); err != nil {
		return nil, fmt.Errorf("law of program material: %w", err)
	}
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("law of program material: %w", err)
	}
	return p, nil
}
