package main

import (
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"tapload/fit/identify"
	"tapload/measure"
)

// A live view on a terminal is one line that keeps its width, with the answer whole;
// what has no room is left out.
func TestLiveLine(t *testing.T) {
	for _, tc := range []struct{ words, beside, levels, want string }{
		{"8 ohm, safe on 8; steady", "lowest 8.65 ohm at 300 Hz", "-14, -15 dBFS", "8 ohm, safe on 8; steady              lowest 8.65 ohm at 300 Hz  -14, -15 dBFS"},
		{"settling", "", "-14, CLIPPED dBFS", "settling" + strings.Repeat(" ", 53) + "-14, CLIPPED dBFS"},
		{"4 or 8 ohm, undecided, safe on 4; steady", "lowest 6.33 ohm at 465 Hz", "-14, -15 dBFS", "4 or 8 ohm, undecided, safe on 4; steady             lowest 6.33 ohm at 465 Hz"},
		{strings.Repeat("x", 90), "lowest", "-14, -15 dBFS", strings.Repeat("x", 78)},
	} {
		got := spread(tc.words, tc.beside, tc.levels)
		if got != tc.want || utf8.RuneCountInString(got) > progressWidth {
			t.Errorf("%q\nwant\n%q", got, tc.want)
		}
	}
}

// A fault is said once in full; the levels hold still, and the last words stay.
func TestLivePrinter(t *testing.T) {
	e, stdout, stderr := testEnv()
	e.columns = 80
	p := newLivePrinter(e)
	for n := range 30 {
		var v identify.LiveEvent
		v.Number, v.State = n+1, measure.Faulty
		v.Fault = &measure.Finding{Code: "open-load", Text: "hardly any current flows: the load looks open", Advice: "check plug, lead and jack of the load"}
		v.Inputs[0].Peak, v.Inputs[1].Peak = 0.2+0.05*float64(n%7)/7, 0.1
		v.Opened = measure.Opened{Count: 2, WorstOhm: math.Inf(1)}
		p.print(v)
	}
	p.end()
	if got := stdout.String(); got != "nothing plugged in; opened 2x (open)\n" {
		t.Errorf("the last words are %q", got)
	}
	text := stderr.String()
	if n := strings.Count(text, "the load looks open"); n != 1 {
		t.Errorf("the fault is said %d times:\n%s", n, text)
	}
	frames := strings.Split(text, "\r\x1b[K")
	if want := "-12, -20 dBFS"; !strings.HasSuffix(frames[len(frames)-2], want) || !strings.HasSuffix(frames[len(frames)-6], want) {
		t.Errorf("levels: %q and %q, want %q", frames[len(frames)-6], frames[len(frames)-2], want)
	}
}
