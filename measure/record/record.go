// Package record is a measured curve with all that is known of how it was
// measured, and its files: JSON, which holds everything, and CSV and Touchstone,
// which other programs read.
package record

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"tapload/measure/exactjson"
	"tapload/measure/impedance"
	"tapload/measure/oneline"
)

// The format and version that Write writes and Read reads.
const (
	Format  = "tapload sweep"
	Version = 1
)

// MostPoints is how many points a curve may have: thirty times what a sweep gives,
// and every line of a long transform of another program.
const MostPoints = 50_000

// tooMany returns an error for more points than that.
func tooMany(n int) error {
	if n > MostPoints {
		return fmt.Errorf("there are %d points; a curve may have at most %d", n, MostPoints)
	}
	return nil
}

// JigNote says which calibration the curve was corrected with.
type JigNote struct {
	ID        string
	Taken     time.Time
	Standards []string // what the calibration measured: "open", "short", "known"
}

// Drive is what stood at the load while program material was heard.
type Drive struct {
	RMSVolt  float64 // V
	PeakVolt float64 // V
	Watt     float64 // W; 0 where the curve does not cover what was played
}

// MarshalJSON gives null for watts that are not known.
func (d Drive) MarshalJSON() ([]byte, error) {
	out := struct {
		RMSVolt  float64  `json:"rms_volt"`
		PeakVolt float64  `json:"peak_volt"`
		Watt     *float64 `json:"watt"`
	}{RMSVolt: d.RMSVolt, PeakVolt: d.PeakVolt}
	if d.Watt > 0 {
		out.Watt = &d.Watt
	}
	return json.Marshal(out)
}

// Record is a curve with all that is known of how it was measured.
type Record struct {
	Label     string
	Simulated bool // on a virtual bench
	Taken     time.Time
	Signal    json.RawMessage // law of the test signal, a JSON object; nil when there was none, as for an imported curve
	SenseOhm  float64         // sense resistor; 0 when unknown
	Jig       *JigNote        // nil when uncalibrated
	Curve     impedance.Curve
	Warnings  []impedance.Warning

	Coherence []float64 // of the two voltages at each point, 0 to 1; nil but for program material
	Drive     *Drive    // nil where it is not known

	Distortion *Distortion // nil where nobody asked for it
}

// check returns an error that names what in r cannot be written so that it
// reads back the same.
func (r Record) check() error {
	for _, s := range r.texts() {
		if err := s.check(s.text); err != nil {
			return fmt.Errorf("%s %w", s.place, err)
		}
		if s.text == "" && s.required {
			return fmt.Errorf("%s must not be empty", s.place)
		}
	}
	if r.SenseOhm < 0 || !finite(r.SenseOhm) {
		return fmt.Errorf("sense_ohm: %v ohm must be finite and at least 0, where 0 means unknown", r.SenseOhm)
	}
	if r.Jig != nil {
		for i, s := range r.Jig.Standards {
			if slices.Contains(r.Jig.Standards[:i], s) {
				return fmt.Errorf("jig.standards[%d]: %s is listed twice", i, oneline.Quote(s))
			}
		}
	}
	if r.Coherence != nil && len(r.Coherence) != len(r.Curve.Points) {
		return fmt.Errorf("coherence has %d values and frequency_hz has %d; they must be equally long", len(r.Coherence), len(r.Curve.Points))
	}
	for i, c := range r.Coherence {
		if !(c >= 0 && c <= 1) {
			return fmt.Errorf("coherence[%d]: %v must be 0 to 1", i, c)
		}
	}
	if d := r.Drive; d != nil {
		for _, v := range []struct {
			key   string
			value float64
		}{{"rms_volt", d.RMSVolt}, {"peak_volt", d.PeakVolt}, {"watt", d.Watt}} {
			if !(v.value >= 0) || !finite(v.value) {
				return fmt.Errorf("load_level.%s: %v must be finite and at least 0", v.key, v.value)
			}
		}
	}
	if r.Distortion != nil {
		if err := r.Distortion.Check(); err != nil {
			return err
		}
	}
	for i, w := range r.Warnings {
		for k, b := range w.Hz {
			if !(b.Low >= 0 && b.Low <= b.High) || !finite(b.High) {
				return fmt.Errorf("warnings[%d].hz[%d]: %v to %v must rise from 0 or above", i, k, b.Low, b.High)
			}
		}
	}
	if err := tooMany(len(r.Curve.Points)); err != nil {
		return err
	}
	return r.Curve.Check()
}

type placedText struct {
	place, text string
	required    bool
	check       func(string) error
}

// texts returns every string of r that people or programs wrote.
func (r Record) texts() []placedText {
	t := []placedText{{"label", r.Label, false, oneline.Check}}
	if r.Jig != nil {
		t = append(t, placedText{"jig.id", r.Jig.ID, true, oneline.Plain})
		for i, s := range r.Jig.Standards {
			t = append(t, placedText{fmt.Sprintf("jig.standards[%d]", i), s, true, oneline.Plain})
		}
	}
	for i, s := range r.Curve.Shared {
		t = append(t, placedText{fmt.Sprintf("shared[%d].id", i), s.ID, true, oneline.Plain})
	}
	for i, w := range r.Warnings {
		t = append(t,
			placedText{fmt.Sprintf("warnings[%d].code", i), w.Code, true, oneline.Plain},
			placedText{fmt.Sprintf("warnings[%d].text", i), w.Text, false, oneline.Plain})
	}
	return t
}

// Write writes r as JSON that Read reads back. The same record always
// gives the same bytes. Numbers have the shortest form that reads back
// exactly, so the only loss is in the noise variances, whose square roots the
// file holds: they come back within 2 parts in 10^16. The covariance of
// resistance and reactance has its own array, cov_noise_ohm2, which is left
// out when all of it is 0; so are coherence, load_level and distortion when there
// are none.
func (r Record) Write(w io.Writer) error {
	if err := r.check(); err != nil {
		return err
	}
	text, err := exactjson.Encode(fileOf(r))
	if err != nil {
		return err
	}
	_, err = w.Write(text)
	return err
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Bends reports whether r says that something bent while it was taken.
func (r Record) Bends() bool {
	return slices.ContainsFunc(r.Warnings, func(w impedance.Warning) bool { return w.Code == "bending" || w.Code == "distortion" })
}

// Invented tells whether nobody measured what r is of: a mark that goes with
// everything that is made of it.
func (r Record) Invented() bool { return r.Simulated || Invented(r.Label) }

// Invented tells whether a label says that nobody measured what it is of.
func Invented(label string) bool { return strings.Contains(strings.ToLower(label), "invented") }
