package measure

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/verdict"
)

// Severity is how much a Finding matters.
type Severity int

// The severities. A Problem would spoil a sweep, a Caution makes it worse than
// it could be, a Remark is worth knowing.
const (
	Remark Severity = iota
	Caution
	Problem
)

// String returns the word for s that people and programs read.
func (s Severity) String() string {
	switch s {
	case Problem:
		return "fault"
	case Caution:
		return "warning"
	}
	return "note"
}

// MarshalText returns String, so that JSON holds the word.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Finding is one thing that a check found out.
type Finding struct {
	Code     string   `json:"code"` // stable, for programs; that of the card.Cause where there is one
	Severity Severity `json:"severity"`
	Text     string   `json:"text"`   // one sentence
	Advice   string   `json:"advice"` // what to do about it
}

// Expected is what is said to be connected.
type Expected int

// What may be expected.
const (
	ExpectLoad Expected = iota
	ExpectOpen
	ExpectShort
)

// ExpectedNames are the names of what may be expected.
var ExpectedNames = [...]string{"load", "open", "short"}

// String returns the name that people and programs read.
func (e Expected) String() string { return ExpectedNames[e] }

// MarshalText returns String.
func (e Expected) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// CheckSetup is what a check works with.
type CheckSetup struct {
	Card   card.Card
	RateHz int
	Jig    jig.Jig // as stated, or calibrated
	Expect Expected

	// Known is a resistor that is plugged in instead of the load: the only
	// way to tell that the sense resistor is not what it should be, since two
	// uncalibrated voltages have no scale. 0 ohm stands for a load.
	Known jig.Resistor

	FullScaleVolt float64 // volts at the inputs that are full scale; 0 when unknown
	Progress      func(card.Progress)
}

// Checked is what a check found.
type Checked struct {
	Expected Expected
	Looks    *jig.End   // what is connected looks like that; nil where a fault came first
	Findings []Finding  // in the order in which they were found
	Level    float64    // proposed peak of the test signal, fraction of full scale, which nothing clipped at; 0 when there is a Problem
	Noise    [2]float64 // rms of each input in silence, without hum, fraction of full scale
	HumHz    float64    // frequency of the mains, 0 when no hum was found
	Hum      float64    // amplitude of its strongest harmonic in the worse input, fraction of full scale

	rest  float64 // rms of V1 in silence, hum included
	plain []plain // of every chirp

	besides int // signals whose noise was looked at
}

// Pass reports whether no Problem was found.
func (c Checked) Pass() bool {
	return !slices.ContainsFunc(c.Findings, func(f Finding) bool { return f.Severity == Problem })
}

// Verdict is Pass or Fail: a check is never undecided.
func (c Checked) Verdict() verdict.Verdict {
	if c.Pass() {
		return verdict.Pass
	}
	return verdict.Fail
}

// LevelDB returns the proposed level in whole dB of full scale. It is only there
// after a pass.
func (c Checked) LevelDB() float64 { return math.Floor(decibels(c.Level) + 1e-9) }

// silentDB stands for the level of a digital silence, which has none.
const silentDB = -200.0

// NoiseDB returns Noise in dB of full scale.
func (c Checked) NoiseDB() (db [2]float64) {
	for i, n := range c.Noise {
		db[i] = max(silentDB, decibels(n))
	}
	return db
}

// HumDB returns Hum in dB of full scale.
func (c Checked) HumDB() float64 { return decibels(c.Hum) }

// MarshalJSON writes what programs are told: level_db is null after a fault, hum
// is where none was found, looks_like where a fault came first.
func (c Checked) MarshalJSON() ([]byte, error) {
	type hum struct {
		Hz float64 `json:"hz"`
		DB float64 `json:"db"`
	}
	out := struct {
		Findings []Finding       `json:"findings"`
		LevelDB  *float64        `json:"level_db"`
		NoiseDB  [2]float64      `json:"noise_db"`
		Hum      *hum            `json:"hum"`
		Expected Expected        `json:"expected"`
		Looks    *jig.End        `json:"looks_like"`
		Verdict  verdict.Verdict `json:"verdict"`
	}{Findings: append([]Finding{}, c.Findings...), NoiseDB: c.NoiseDB(), Expected: c.Expected, Looks: c.Looks, Verdict: c.Verdict()}
	if c.HumHz > 0 {
		out.Hum = &hum{c.HumHz, c.HumDB()}
	}
	if c.Pass() {
		level := c.LevelDB()
		out.LevelDB = &level
	}
	return json.Marshal(out)
}

func (c *Checked) add(code string, s Severity, advice, format string, args ...any) {
	c.Findings = append(c.Findings, Finding{Code: code, Severity: s, Text: fmt.Sprintf(format, args...), Advice: advice})
}
