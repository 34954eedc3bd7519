package report

import (
	"strings"
	"testing"
	"time"

	"tapload/fit/identify"
	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

// fits holds a page to a screen of 80 columns, and its first line to an answer.
func fits(t *testing.T, d Document, answer string) string {
	t.Helper()
	text := terminal(t, d, false)
	if n := strings.Count(text, "\n"); n > screenRows {
		t.Errorf("%d lines:\n%s", n, text)
	}
	for line := range strings.Lines(text) {
		if len([]rune(line)) > 81 {
			t.Errorf("wider than 80: %q", line)
		}
	}
	if !strings.HasPrefix(strings.ReplaceAll(text, "\n  ", " "), answer) {
		t.Errorf("the page does not begin with %q:\n%s", answer, text)
	}
	return text
}

// The page of a sweep is led by what lies inside the band, where its ends are
// more extreme, and has its budget only where that is asked for.
func TestSweepPage(t *testing.T) {
	at := func(ohm, hz float64, edge bool) measure.Extreme {
		return measure.Extreme{Ohm: ohm, Hz: hz, U: 0.1, Edge: edge}
	}
	dip, peak := at(8.5, 300, false), at(51, 109, false)
	s := measure.Summary{
		Label: "cab", File: "cab.sweep.json", Min: at(6.9, 10, true), Max: at(55, 20000, true), Dip: &dip, Peak: &peak, Limit: "noise",
		Drive: &record.Drive{RMSVolt: 1, PeakVolt: 3}, Distortion: &record.Harmonics{Orders: []record.Harmonic{}},
	}
	for i := range 30 {
		s.Repeats = append(s.Repeats, measure.Repeat{Seconds: 60 * float64(i), LowOhm: 7, Change: 0.001, ChangeU: 0.0001})
	}
	budget := []measure.BudgetAt{{At: "peak", Hz: 109, Ohm: 51, U: 0.1, Parts: []measure.BudgetShare{{Source: measure.SourceNoise, Percent: 100, U: 0.1, Advice: "raise it"}}}}
	text := fits(t, Sweep(identify.Swept{Summary: s}, budget), "cab: lowest |Z| 8.50 ohm ± 0.20 at 300 Hz, highest 51.00 ohm ± 0.20 at 109 Hz")
	for _, want := range []string{"down to 6.90 ohm ± 0.20 at 10.0 Hz and up to 55.00 ohm ± 0.20 at 20.0 kHz", "1.00 V rms and 3.00 V peak", "no sign of it"} {
		if !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
			t.Errorf("the page does not say %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "raise it") || !strings.Contains(terminal(t, Sweep(identify.Swept{Summary: s}, budget), true), "raise it") {
		t.Error("the budget stands on the page unasked, or not under details")
	}
	s.Repeats, s.Budget = nil, budget
	if text := terminal(t, Sweep(identify.Swept{Summary: s}, budget), false); !strings.Contains(text, "raise it") {
		t.Errorf("the budget that was asked for is not there:\n%s", text)
	}
}

// A check is led by what to do: go on, or mend the first fault.
func TestCheckPage(t *testing.T) {
	good := measure.Checked{Level: 0.5, Noise: [2]float64{1e-5, 0}}
	if text := fits(t, Check(good), "Pass: sweep with --level -7, which was tried"); !strings.Contains(text, "V1 -100 dB, V2 -200 dB") {
		t.Error(text)
	}
	warned := good
	warned.Findings = []measure.Finding{{Severity: measure.Caution, Text: "it hums", Advice: "move it"}}
	fits(t, Check(warned), "Pass, with a warning: sweep with")
	bad := good
	bad.Findings = []measure.Finding{{Severity: measure.Remark, Text: "nothing"}, {Severity: measure.Problem, Text: "it is mono", Advice: "choose another"}}
	fits(t, Check(bad), "Fail: it is mono. To do: choose another.")
}

// A jig file says what it lacks, and what to connect next.
func TestJigPage(t *testing.T) {
	s := jig.Summary{Name: "jig", File: "jig.json", Card: "invented", Inputs: [2]int{1, 2}, SenseOhm: 10, Tolerance: 0.01}
	s.Standards[jig.Known] = &jig.Standard{Taken: time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC), Resistor: jig.Resistor{Ohm: 10, Tolerance: 0.1}}
	v := quantity.Of(10, 0.01)
	s.Found.Sense, s.Found.Lead = &v, &v
	if title := Jig(s).Title; title != "Calibration of the jig" { // it was "Jig: jig"
		t.Errorf("the page is headed %q", title)
	}
	fits(t, Jig(s), "jig.json has known 10 ohm within 10 %; open and short are missing. Next: connect nothing, with")
	s.Standards[jig.Open], s.Standards[jig.Short] = &jig.Standard{}, &jig.Standard{}
	fits(t, Jig(s), "jig.json is calibrated: it has open, short and known 10 ohm within 10 %; use it with --jig jig.json.")
	// What went wrong: a name with a space was shown as two words to type.
	spaced := s
	spaced.File = "my jig.json"
	fits(t, Jig(spaced), "my jig.json is calibrated: it has open, short and known 10 ohm within 10 %; use it with --jig \"my jig.json\".")
	if _, err := JigChart(s); err == nil {
		t.Error("a chart of no inputs")
	}
	p := jig.Proof{Resistor: jig.Resistor{Ohm: 22, Tolerance: 0.01}, Hz: 100, Off: 0.01, Expanded: 0.02, Allowed: 0.22, Warnings: impedance.Warnings{}}
	for v, begins := range map[verdict.Verdict]string{
		verdict.Pass: "Pass: 22 ohm within 1 % comes back", verdict.Fail: "Fail: 22 ohm within 1 % is 0.010 ohm ± 0.020 off", verdict.Undecided: "Undecided: 22 ohm within 1 % may be",
	} {
		p.Verdict = v
		fits(t, JigProof(p), begins)
	}
	p.Verdict, p.Noise = verdict.Undecided, true
	fits(t, JigProof(p), "Undecided: 22 ohm within 1 % may be 0.010 ohm ± 0.020 off at 100 Hz, where 0.22 ohm is allowed (± is k = 2). To do: prove it again with less hum")
}
