package report

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"

	"tapload/fixtures/jig"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
	"tapload/plot"
)

// Standards say what is connected in place of the load for each.
var Standards = [...]string{
	jig.Open:  "nothing, with the load's lead taken off the clamps",
	jig.Short: "a short thick wire from clamp to clamp",
	jig.Known: "a resistor of known value between the clamps, best near the sense resistor or the loads to come",
}

// typed is a file's name as it is typed in a shell, between quotes where it has more
// than letters, digits and what stands in plain paths.
func typed(file string) string {
	plain := func(r rune) bool {
		return unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("_-./\\:+", r)
	}
	if strings.TrimFunc(file, plain) == "" && file != "" {
		return file
	}
	return `"` + file + `"`
}

// Jig is the page of a jig file: whether it is complete, what is to be measured
// next, and what its standards found.
func Jig(s jig.Summary) Document {
	d := Document{Title: "Calibration of " + s.Called()}
	var have, missing []string
	for k, st := range s.Standards {
		name := jig.Kind(k).String()
		switch {
		case st == nil:
			missing = append(missing, name)
			continue
		case jig.Kind(k) == jig.Known:
			name = "known " + resistorText(st.Resistor)
		}
		have = append(have, name)
	}
	if missing == nil {
		d.Lead = fmt.Sprintf("%s is calibrated: it has %s; use it with --jig %s. Next: prove it with a second resistor (tapload jig prove).", s.File, quantity.List(have), typed(s.File))
	} else {
		next := s.Missing()[0]
		d.Lead = fmt.Sprintf("%s has %s; %s missing. Next: connect %s (tapload jig %s).", s.File, quantity.List(have), isAre(missing), Standards[next], next)
	}
	card := "unknown (recordings from files)"
	if s.Card != "" {
		card = fmt.Sprintf("%s, inputs %d and %d", s.Card, s.Inputs[0], s.Inputs[1])
	}
	rows := [][]string{{"card", card}}
	for k, st := range s.Standards {
		text := "not measured"
		if st != nil {
			text = st.Taken.Format(time.DateTime)
		}
		rows = append(rows, []string{jig.Kind(k).String(), text})
	}
	rows = append(rows, foundRows(s)...)
	noise := [2]string{}
	for i, rms := range s.Noise {
		if noise[i] = "no"; rms > 0 {
			noise[i] = fmt.Sprintf("%.0f", 20*math.Log10(rms))
		}
	}
	rows = append(rows, []string{"noise", fmt.Sprintf("%s and %s dB of full scale", noise[0], noise[1])})
	d.Sections = []Section{{Pieces: []Piece{Table{Rows: rows}}}}
	return d
}

func isAre(missing []string) string {
	if len(missing) == 1 {
		return missing[0] + " is"
	}
	return quantity.List(missing) + " are"
}

func resistorText(r jig.Resistor) string {
	return fmt.Sprintf("%s ohm within %s", quantity.Plain(r.Ohm), quantity.Stated(r.Tolerance))
}

// foundRows are what the standards found of jig and card.
func foundRows(s jig.Summary) [][]string {
	var rows [][]string
	if c := s.Channels; c != nil {
		rows = append(rows, []string{"inputs", fmt.Sprintf("second over first %s dB, %s° at %s; %s to %s dB, %s to %s° from 20 Hz to 20 kHz",
			signed(c.GainDB, 3), signed(c.PhaseDeg, 2), quantity.Hz(s.Found.AtHz), signed(c.GainDBMin, 3), signed(c.GainDBMax, 3), signed(c.PhaseDegMin, 2), signed(c.PhaseDegMax, 2))})
	}
	if v := s.Found.Lead; v != nil {
		rows = append(rows, []string{"leads", v.In("ohm") + ", crosstalk included"})
	}
	if v := s.Found.Sense; v != nil {
		rows = append(rows, []string{"sense resistor", v.In("ohm") + " as measured, loaded by the second input; stated " + resistorText(jig.Resistor{Ohm: s.SenseOhm, Tolerance: s.Tolerance}) + " (± is k = 2)"})
	}
	if v := s.Found.Loading; v != nil {
		text := "none: the sense resistor measures higher than its tolerance allows"
		switch most := v.Value + 2*v.U; {
		case v.Value > 2*v.U && 1/v.Value < jig.InputLeastOhm/2:
			text = "not told: the sense resistor measures at the low end of its tolerance"
		case v.Value > 2*v.U:
			text = fmt.Sprintf("second input of %s ohm, %s to %s, if the sense resistor is as stated", quantity.Digits(1/v.Value, 2), quantity.Digits(1/most, 2), quantity.Digits(1/(v.Value-2*v.U), 2))
		case most > 0:
			text = fmt.Sprintf("second input of %s ohm or more, as far as the sense resistor's tolerance shows", quantity.Digits(1/most, 2))
		}
		rows = append(rows, []string{"loading", text})
	}
	return rows
}

// signed writes x to so many places, with a sign unless that is 0.
func signed(x float64, places int) string {
	if math.Abs(x) < 0.5*math.Pow10(-places) {
		return "0"
	}
	return fmt.Sprintf("%+.*f", places, x)
}

// JigChart draws by how much the inputs of a jig differ. The error says what is
// missing.
func JigChart(s jig.Summary) (plot.ChannelChart, error) {
	if s.Found.Hz == nil {
		return plot.ChannelChart{}, errors.New("a short alone says nothing of the inputs; measure an open too")
	}
	title := "Channels of " + s.Called()
	if s.Card != "" {
		title += ": " + s.Card
	}
	return plot.ChannelChart{Title: title, Hz: s.Hz, Ratio: s.Found.Channels}, nil
}

// JigProof is the page of a jig file that was put to the proof with a resistor.
func JigProof(p jig.Proof) Document {
	off := quantity.Of(p.Off, p.Expanded/2).In("ohm")
	at := fmt.Sprintf("%s off at %s, where %s ohm is allowed (± is k = 2)", off, quantity.Hz(p.Hz), quantity.Digits(p.Allowed, 2))
	d := Document{Title: "Proof of a jig file"}
	switch p.Verdict {
	case verdict.Pass:
		d.Lead = fmt.Sprintf("Pass: %s comes back at every frequency; at most %s.", resistorText(p.Resistor), at)
	case verdict.Fail:
		d.Lead = fmt.Sprintf("Fail: %s is %s. To do: check that resistor and its contacts, then calibrate again.", resistorText(p.Resistor), at)
	default:
		remedy := "calibrate with a resistor of closer tolerance"
		if p.Noise {
			remedy = "prove it again with less hum and noise there"
		}
		d.Lead = fmt.Sprintf("Undecided: %s may be %s. To do: %s.", resistorText(p.Resistor), at, remedy)
	}
	return d
}
