// Package recone compares drivers: one before and after it was reconed, one
// against a group of its kind, one at several levels, and many with each other,
// to find those that belong together.
//
// Units are SI; uncertainties are standard ones (k = 1).
package recone

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

// Side is one driver as it was measured at one time.
type Side struct {
	Label   string
	Curve   impedance.Curve
	Load    fit.Result     // of Curve
	Record  *record.Record // that Curve is of; nil where it is of none
	Moved   *Side          // the same with a mass on the cone or on a closed box, as warm; nil where there is none
	Celsius *float64       // temperature of coil and room, in degrees Celsius; nil where nobody knows
}

// Of returns the driver of a record and of the load that was fitted to it. It has
// the record's label, or name where that has none.
func Of(r record.Record, load fit.Result, name string) Side {
	return Side{Label: cmp.Or(r.Label, name), Curve: r.Curve, Load: load, Record: &r}
}

// Invented tells whether nobody measured what s is of.
func (s Side) Invented() bool {
	return record.Invented(s.Label) || s.Record != nil && s.Record.Invented()
}

// said are the warnings of what s was measured by.
func (s Side) said() []impedance.Warning {
	if s.Record == nil {
		return nil
	}
	return s.Record.Warnings
}

// Limit is how far a quantity may change, in percent; a zero Limit is none.
type Limit struct{ Low, High float64 }

// String writes l as a page has it.
func (l Limit) String() string {
	if l == (Limit{}) {
		return "none"
	}
	return fmt.Sprintf("%g to %g", l.Low, l.High)
}

// Change is one quantity of both sides.
type Change struct {
	Name          string // "re", "fs", "q_ms", "q_es", "q_ts", "le_1khz", "z_min", "z_max", "mms", ...
	Unit          string // SI, "" for a ratio
	Before, After quantity.Value
	Percent       quantity.Value // 100 (After - Before)/Before; what both share does not count
	Significant   bool           // by the noise of both measurements
	Limit         Limit
	Verdict       verdict.Verdict // against Limit

	noise bool // more of the uncertainty is noise and misfit than what jigs are unsure of
}

// stated is percent with the uncertainty that files and pages have of it: no less
// than what a driver repeats to.
func stated(percent quantity.Value) quantity.Value {
	percent.U = max(percent.U, 100*quantity.Repeats/2)
	return percent
}

// Counts reports whether c is beyond doubt and more than a driver repeats to.
func (c Change) Counts() bool { return counts(c.Percent, c.Significant) }

func counts(percent quantity.Value, significant bool) bool {
	return significant && math.Abs(percent.Value) > 100*quantity.Repeats
}

// MarshalJSON writes the values and their uncertainties side by side, as a page
// states them: what does not count is not significant.
func (c Change) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Name        string          `json:"name"`
		Before      float64         `json:"before"`
		After       float64         `json:"after"`
		Percent     float64         `json:"change_percent"`
		U           float64         `json:"u_percent"`
		Verdict     verdict.Verdict `json:"verdict"`
		Unit        string          `json:"unit"`
		UBefore     float64         `json:"u_before"`
		UAfter      float64         `json:"u_after"`
		Significant bool            `json:"significant"`
		Limit       [2]float64      `json:"limit_percent"`
	}{c.Name, c.Before.Value, c.After.Value, c.Percent.Value, stated(c.Percent).U, c.Verdict,
		c.Unit, c.Before.U, c.After.U, c.Counts(), [2]float64{c.Limit.Low, c.Limit.High}})
}

// Cause is one explanation of all changes together.
type Cause struct {
	Name        string         // "heavier cone", ...
	Words       string         // what it means, in a sentence
	Loose       bool           // a part moves by itself, or no longer does
	Probability float64        // those of all causes sum to 1
	Amount      quantity.Value // percent of the quantity that changed; of a loose part, of the moving mass

	moves [6]float64 // logarithms by which it moves the seen
}

// MarshalJSON writes the amount and its uncertainty side by side.
func (c Cause) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Cause       string  `json:"cause"`
		Probability float64 `json:"odds"`
		Words       string  `json:"words"`
		Percent     float64 `json:"percent"`
		U           float64 `json:"u_percent"`
	}{c.Name, c.Probability, c.Words, c.Amount.Value, c.Amount.U})
}

// Comparison is a driver before and after. Uncertainties are standard ones
// (k = 1), in JSON too.
type Comparison struct {
	Verdict  verdict.Verdict    `json:"verdict"`
	Changes  []Change           `json:"changes"`
	Causes   []Cause            `json:"causes"` // best first
	Warnings impedance.Warnings `json:"warnings"`

	Before string    `json:"before"` // labels
	After  string    `json:"after"`
	Worst  Deviation `json:"largest_deviation"`
	Added  Added     `json:"added,omitzero"`       // to both, for their constants
	Loose  *Loose    `json:"loose_part,omitempty"` // nil where no part is likely to have come loose

	DistortionBefore *record.Harmonics `json:"distortion_before,omitempty"` // nil where the record has none
	DistortionAfter  *record.Harmonics `json:"distortion_after,omitempty"`

	Invented  bool `json:"-"` // nobody measured one of them
	Scrapes   bool `json:"-"` // after, and not before
	Exchanged bool `json:"-"` // before is younger than after
	OwnLimits bool `json:"-"` // the limits are the user's
}

// symbols are the quantities as the trade writes them, where that is not the
// name in files.
var symbols = map[string]string{"re": "Re", "q_ms": "Qms", "q_es": "Qes", "q_ts": "Qts", "le_1khz": "Le (1 kHz)", "z_min": "lowest |Z|", "z_max": "highest |Z|", "mms": "Mms", "cms": "Cms", "bl": "Bl", "vas": "Vas"}

// Symbol returns the quantity of a Change or of a Place as the trade writes it:
// "Qms" for "q_ms", "|Z| 1000 Hz" for "curve_1000hz".
func Symbol(name string) string {
	if hz, ok := strings.CutPrefix(name, "curve_"); ok {
		return "|Z| " + strings.TrimSuffix(hz, "hz") + " Hz"
	}
	return cmp.Or(symbols[name], name)
}

// Percent writes a change in percent, with its sign where it is signed and the
// uncertainty (k = 2) of at least what a driver repeats to.
func Percent(v quantity.Value, signed bool) string {
	text := v.Change("%", 100*quantity.Repeats)
	if !signed {
		text = strings.TrimPrefix(text, "+")
	}
	return text
}

// believed is the probability from which a cause is named beside a verdict.
const believed = 0.5

// Likeliest returns the cause that most likely explains a failure, and a loose
// part whatever the verdict; it is nil where none is worth naming.
func (c Comparison) Likeliest() *Cause {
	if len(c.Causes) == 0 {
		return nil
	}
	switch first := &c.Causes[0]; {
	case first.Probability <= believed:
		return nil
	case first.Loose, c.Verdict == verdict.Fail && first.moves != [6]float64{}:
		return first
	}
	return nil
}

// Leads reports whether the verdict is that of what is loose, which is then said
// with it.
func (c Comparison) Leads() bool { return c.Loose != nil && c.Loose.Verdict == c.Verdict }

// Words says the verdict, what speaks for it, what to do, and what puts it in
// doubt.
func (c Comparison) Words() string {
	text := c.answer()
	if cause := c.Likeliest(); cause != nil && !c.Leads() {
		text += " Most likely: " + cause.Words + "."
	} else if cause == nil && c.Verdict == verdict.Fail {
		text += " Find out why before it goes out, and measure again."
	}
	if c.Exchanged {
		text += " Before is younger than after: exchanged?"
	}
	return text
}

// Title is the verdict and what it rests on in the fewest words.
func (c Comparison) Title() string {
	var why []string
	if damage := c.Damage(); damage != "" {
		why = append(why, damage)
	} else if c.Leads() {
		why = append(why, "a part may be loose")
	}
	switch out := c.judged(c.Verdict); {
	case c.Verdict == verdict.Pass:
		why = append(why, "within the limits")
	case out == "":
	case c.Verdict == verdict.Undecided:
		why = append(why, out+" too near to a limit")
	default:
		why = append(why, out+" outside the limits")
	}
	return strings.ToUpper(c.Verdict.String()) + ": " + strings.Join(why, "; ")
}

// Damage says in the fewest words what fails the driver whatever its limits say;
// empty where nothing does.
func (c Comparison) Damage() string {
	var what []string
	if c.Scrapes {
		what = append(what, "something scrapes")
	}
	if l := c.Loose; l != nil && l.Verdict == verdict.Fail {
		what = append(what, "a part is loose")
	}
	return strings.Join(what, "; ")
}

// Outside reports whether anything is outside the limits.
func (c Comparison) Outside() bool { return c.judged(verdict.Fail) != "" }

// judged names what came out as v.
func (c Comparison) judged(v verdict.Verdict) string {
	var names []string
	for _, ch := range c.Changes {
		if ch.Verdict == v {
			names = append(names, Symbol(ch.Name))
		}
	}
	if c.Worst.Verdict == v {
		names = append(names, "the curves")
	}
	return strings.Join(names, ", ")
}

// answer says the verdict and what speaks for it.
func (c Comparison) answer() string {
	var why []string
	if c.Scrapes {
		why = append(why, "something scrapes or knocks; centre the coil, look for what is loose")
	}
	if c.Leads() {
		why = append(why, c.Loose.Words)
	}
	out := c.judged(c.Verdict)
	switch c.Verdict {
	case verdict.Fail:
		if out != "" {
			why = append(why, "outside the limits: "+out)
		}
		return "Fail: " + strings.Join(why, "; ") + "."
	case verdict.Undecided:
		if out != "" {
			why = append(why, fmt.Sprintf("a limit lies inside the uncertainty of %s; %s", out, c.remedy()))
		}
		return "Undecided: " + strings.Join(why, "; ") + "."
	}
	if c.Likeliest() != nil || c.Worst.Counts() || slices.ContainsFunc(c.Changes, Change.Counts) {
		return "Pass: what has changed lies inside the limits."
	}
	return "Pass: no change that the measurements could tell."
}

// remedy is what makes surer what is undecided.
func (c Comparison) remedy() string {
	var noise, jig bool
	for _, ch := range c.Changes {
		open := ch.Verdict == verdict.Undecided
		noise, jig = noise || open && ch.noise, jig || open && !ch.noise
	}
	open := c.Worst.Verdict == verdict.Undecided
	noise, jig = noise || open && c.Worst.noise, jig || open && !c.Worst.noise
	switch {
	case noise && jig:
		return surerJig + ", with less hum and noise"
	case noise:
		return lessNoise
	}
	return surerJig
}
