package measure

import (
	"encoding/json"
	"fmt"

	"tapload/fixtures/jig"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
	"tapload/measure/record"
)

// Extreme is the smallest or largest modulus of a curve, or a turn inside it.
type Extreme struct {
	Ohm float64 `json:"ohm"`
	Hz  float64 `json:"hz"`
	U   float64 `json:"u"` // standard uncertainty (k = 1), ohm

	Edge  bool   `json:"-"` // at an end of the measured band
	Limit string `json:"-"` // source of the error that adds most to U
}

// Summary is what a record says at a glance.
type Summary struct {
	Label      string             `json:"label"`
	File       string             `json:"file"`
	Min        Extreme            `json:"z_min"`
	Max        Extreme            `json:"z_max"`
	Limit      string             `json:"limit"` // what adds most to the uncertainties of Min and Max, in words
	Warnings   impedance.Warnings `json:"warnings"`
	Drive      *record.Drive      `json:"load_level,omitempty"`
	Distortion *record.Harmonics  `json:"distortion,omitempty"`
	Repeats    []Repeat           `json:"repeats,omitempty"` // of which the record is the mean
	Budget     []BudgetAt         `json:"budget,omitempty"`  // where it was asked for
	Invented   bool               `json:"-"`                 // nobody measured it

	// Dip and Peak are the turns inside the band, nil where there is none.
	Dip  *Extreme `json:"-"`
	Peak *Extreme `json:"-"`
}

// Summarize returns the summary of r, which is kept in file.
func Summarize(r record.Record, file string) Summary {
	low, high := r.Curve.Extremes()
	dip, peak := r.Curve.Turns()
	s := Summary{
		Label: r.Label, File: file, Min: ExtremeAt(r.Curve, low), Max: ExtremeAt(r.Curve, high),
		Dip: turnAt(r.Curve, dip), Peak: turnAt(r.Curve, peak),
		Warnings: impedance.Warnings(r.Warnings), Drive: r.Drive, Invented: r.Invented(),
	}
	s.Limit = SourceText(s.Min.Limit)
	if at := SourceText(s.Max.Limit); at != s.Limit {
		s.Limit = fmt.Sprintf("%s at the minimum, %s at the peak", s.Limit, at)
	}
	if r.Distortion != nil {
		s.Distortion = r.Distortion.Harmonics()
	}
	return s
}

// ExtremeAt returns the modulus of point i of c.
func ExtremeAt(c impedance.Curve, i int) Extreme {
	ohm, u := c.Modulus(i)
	return Extreme{Ohm: ohm, Hz: c.Points[i].Hz, U: u, Edge: i == 0 || i == len(c.Points)-1, Limit: sourceOf(c.Budget(i)[0].ID)}
}

func turnAt(c impedance.Curve, i int) *Extreme {
	if i < 0 {
		return nil
	}
	e := ExtremeAt(c, i)
	return &e
}

// SourceText says in words what a source of uncertainty is.
func SourceText(source string) string {
	switch source {
	case SourceNoise:
		return "noise"
	case SourceChannels:
		return "mismatch of the inputs"
	case SourceShort:
		return "the resistance of the short standard itself"
	case jig.SenseResistor:
		return "tolerance of the sense resistor"
	case jig.KnownResistor:
		return "tolerance of the known resistor"
	case jig.Drift:
		return "drift while it was measured"
	case ratio.ClockSource:
		return "clock of the recorder"
	}
	return source
}

// MarshalJSON gives minutes and percent, as people read them.
func (r Repeat) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Minutes  float64 `json:"minutes"`
		LowOhm   float64 `json:"low_ohm"`
		Change   float64 `json:"change_percent"`
		UPercent float64 `json:"u_percent"`
	}{r.Seconds / 60, r.LowOhm, 100 * r.Change, 100 * r.ChangeU})
}
