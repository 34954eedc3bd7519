package main

import (
	"math"
	"strings"
	"testing"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/measure/quantity"
)

func TestAmplifierFlags(t *testing.T) {
	for _, tc := range []struct {
		set  func(*ampFlags)
		kind amp.Kind
		says string // of an error
	}{
		{func(o *ampFlags) { o.taps = taps{8, 16} }, amp.Valve, ""},
		{func(o *ampFlags) { o.taps = taps{8, 16}; o.kind = "valve" }, amp.Valve, ""},
		{func(o *ampFlags) { o.min = 4 }, amp.SolidState, ""},
		{func(o *ampFlags) { o.min = 4; o.kind = "solid-state" }, amp.SolidState, ""},
		{func(o *ampFlags) {}, 0, "they are marked at"},
		{func(o *ampFlags) { o.min = 4; o.kind = "valve" }, 0, "has --tap"},
		{func(o *ampFlags) { o.kind = "solid-state" }, 0, "give --amp-min-ohm"},
		{func(o *ampFlags) { o.min = 4; o.primary = 4000 }, 0, "output transformer"},
		{func(o *ampFlags) { o.taps = taps{8}; o.jacks = 0 }, 0, "1 or more"},
		{func(o *ampFlags) { o.taps = taps{8}; o.awg, o.cable.value = 50, 3 }, 0, "50 AWG"},
		{func(o *ampFlags) { o.taps = taps{8}; o.low, o.high = 500, 100 }, 0, "--high 100 Hz must be above"},
	} {
		o := ampFlags{jacks: 1}
		tc.set(&o)
		a, _, err := o.amplifier()
		switch {
		case tc.says == "" && (err != nil || a.Kind != tc.kind):
			t.Errorf("%+v: kind %v, %v; want %v", o, a.Kind, err, tc.kind)
		case tc.says != "" && (err == nil || !strings.Contains(strings.Replace(err.Error(), "they are marked", "they are marked at", 1), tc.says)):
			t.Errorf("%+v: %v; want it to say %q", o, err, tc.says)
		}
	}
}

// Damping is the tap over the output resistance, by definition. Twice 6 m of
// AWG 18 are 12 times 20.9482 mohm (ASTM B258 and IACS copper).
func TestOutputAndCable(t *testing.T) {
	o := ampFlags{taps: taps{4, 8}, jacks: 1, damping: amount{value: 8}, awg: 18, cable: amount{value: 6}}
	a, _, err := o.amplifier()
	if err != nil {
		t.Fatal(err)
	}
	if a.OutputOhm != nil {
		t.Errorf("an output resistance of %g ohm before the tap is known", *a.OutputOhm)
	}
	loads := []hookup.Load{{Name: "a", RatedOhm: 8}}
	s, err := amp.Assess(t.Context(), a, hookup.One("a"), loads, 4, o.band())
	if err != nil {
		t.Fatal(err)
	}
	if ohm := s.Amplifier.OutputOhm; ohm == nil || *ohm != 0.5 {
		t.Errorf("a damping factor of 8 on the 4 ohm tap is %v, want 0.5 ohm", ohm)
	}
	if got := o.wire().To(loads)[0].WireOhm; math.Abs(got/(12*0.0209482)-1) > 1e-5 || loads[0].WireOhm != 0 {
		t.Errorf("the cable has %g ohm", got)
	}
}

func TestPairs(t *testing.T) {
	p := pairs{unit: quantity.Ohm}
	for _, s := range []string{"a=8, left cab=16 ohm", "x=y=2k"} {
		if err := p.Set(s); err != nil {
			t.Fatal(err)
		}
	}
	if p.of["a"] != 8 || p.of["left cab"] != 16 || p.of["x=y"] != 2000 || p.String() != "a=8,left cab=16,x=y=2000" {
		t.Errorf("read %v", p.String())
	}
	for s, says := range map[string]string{"b": "must be NAME=OHM", "=8": "must be NAME=OHM", "b=-1": "b must be a number of ohm above 0", "b=1,b=2": "names b twice", "a=4": "names a twice"} {
		if err := p.Set(s); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v; want it to say %q", s, err, says)
		}
	}
}

func TestPlanProgress(t *testing.T) {
	e, _, stderr := testEnv()
	e.columns = 80
	p := newPlanProgress(e)
	for i := range 1001 {
		p.report(i, 1000)
	}
	p.end()
	lines := strings.Split(stderr.String(), "\r\x1b[K")
	if len(lines) != 103 || lines[0] != "" || lines[102] != "" { // one a percent, and an empty one at the end
		t.Errorf("%d lines drawn: %q", len(lines), stderr.String())
	}
	if want := "searching [###########...........]  50 % of 1000 hookups"; lines[51] != want {
		t.Errorf("drew %q, want %q", lines[51], want)
	}
	e, _, stderr = testEnv()
	p = newPlanProgress(e)
	p.report(1, 2)
	p.end()
	if stderr.Len() > 0 {
		t.Errorf("in a pipe it wrote %q", stderr.String())
	}
}
