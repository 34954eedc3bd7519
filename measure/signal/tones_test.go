package signal

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

func mustTones(t testing.TB, o TonesOptions) Tones {
	t.Helper()
	s, err := NewTones(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestTonesSteps(t *testing.T) {
	for _, o := range []TonesOptions{{}, {PerOctave: 24}, {RateHz: 44100, LowHz: 20, HighHz: 18000}, {RateHz: 192000}} {
		s := mustTones(t, o)
		o = o.withDefaults()
		steps := s.Steps()
		if first, last := steps[0].Hz(s.RateHz), steps[len(steps)-1].Hz(s.RateHz); math.Abs(first/o.LowHz-1) > 0.01 || math.Abs(last/o.HighHz-1) > 1e-3 {
			t.Errorf("%+v: tones from %g to %g Hz", o, first, last)
		}
		before := 0.0
		for _, p := range steps {
			hz := p.Hz(s.RateHz)
			seconds := float64(p.Dwell()) / float64(s.RateHz)
			if hz <= before || before > 0 && math.Log2(hz/before)*float64(o.PerOctave) > 3 {
				t.Errorf("%+v: %g Hz follows %g Hz", o, hz, before)
			}
			if hz*seconds < dwellCycles-0.51 || seconds < o.DwellSeconds-1e-3 {
				t.Errorf("%+v: dwell of %g s at %g Hz", o, seconds, hz)
			}
			// Hum must be told from the tone: a cycle of their beat or more.
			for _, base := range []float64{50, 60} {
				for h := 1.0; h <= 20; h++ {
					if off := math.Abs(hz - h*base); off < 1.9 || off*seconds < 0.98 {
						t.Errorf("%+v: %g Hz, for %g s, is close to mains at %g Hz", o, hz, seconds, h*base)
					}
				}
			}
			before = hz
		}
	}
	// Rates that double share their frequencies.
	a, b := mustTones(t, TonesOptions{}).Steps(), mustTones(t, TonesOptions{RateHz: 96000}).Steps()
	for i := range a {
		if a[i].Hz(48000) != b[i].Hz(96000) {
			t.Errorf("%v Hz at 48 kHz, %v Hz at 96 kHz", a[i].Hz(48000), b[i].Hz(96000))
		}
	}
}

// Samples, each by itself, from what the type says: a sine that starts each
// dwell at phase 0 and is whole from the end of its joint to the end of the
// hold, marks at both ends, silence between.
func TestTonesSamples(t *testing.T) {
	s := mustTones(t, TonesOptions{LowHz: 100, PerOctave: 4, DwellSeconds: 0.1})
	x := s.Samples()
	if len(x) != s.Len() {
		t.Fatalf("%d samples, Len says %d", len(x), s.Len())
	}
	rate := float64(s.RateHz)
	for i, at := range s.Dwells() {
		p := s.steps[i]
		hold := int(0.005 * rate)
		for n := -p.Settle; n < p.Dwell()+hold; n++ {
			want := s.Peak * math.Sin(2*math.Pi*p.Hz(s.RateHz)*float64(n)/rate)
			if math.Abs(x[at+n]-want) > 1e-9 {
				t.Fatalf("tone %d, sample %d of the dwell: %v, want %v", i, n, x[at+n], want)
			}
		}
	}
	head, tail := s.Marks()
	for n := range head {
		if x[n] != head[n] || x[s.TailMark()+n] != tail[n] || head[n] != tail[len(tail)-1-n] {
			t.Fatalf("mark differs at %d", n)
		}
	}
	// Neighbours share each joint: never more than the peak, and no step faster
	// than a sine's own slope and a joint's.
	limit := s.Peak * (2*math.Pi*20000/rate + math.Pi/(jointSeconds*rate))
	last := 0.0
	for n, v := range append(x, 0) {
		if math.Abs(v) > s.Peak*(1+1e-12) || math.Abs(v-last) > limit {
			t.Fatalf("sample %d is %v after %v", n, v, last)
		}
		last = v
	}
}

func TestTonesLaw(t *testing.T) {
	s := mustTones(t, TonesOptions{LowHz: 200, PerOctave: 2, DwellSeconds: 0.1})
	steps := s.Steps()
	steps[1].Blocks, steps[1].Settle = 3, 7000
	again, err := s.Again(steps[:2])
	if err != nil {
		t.Fatal(err)
	}
	for _, sig := range []Signal{s, again, Rounds{s, again}} {
		law, err := json.Marshal(sig)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode(law)
		if err != nil {
			t.Fatal(err)
		}
		got, want := back.Samples(), sig.Samples()
		if len(got) != len(want) || back.Rate() != sig.Rate() {
			t.Fatalf("%d samples, want %d", len(got), len(want))
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("sample %d is %v, want exactly %v", i, got[i], want[i])
			}
		}
	}
	law, err := json.Marshal(again)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, says string }{
		{`"peak":0.5`, `"peak":0`, "peak 0"},
		{`"cycles":[`, `"cycles":[4,`, "equally long"},
		{`"blocks":[1,3]`, `"blocks":[1,0]`, "make no tone"},
		{`"rate_hz":48000`, `"rate_hz":100`, "sample rate 100"},
		{`"settle":[`, `"setle":[`, "is unknown"},
	} {
		spoilt := strings.Replace(string(law), c.old, c.new, 1)
		if _, err := Decode([]byte(spoilt)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: error %v should say %q", c.new, err, c.says)
		}
	}
	if _, err := Decode([]byte(`{"kind":"tone-rounds","rounds":[]}`)); err == nil || !strings.Contains(err.Error(), "no round") {
		t.Errorf("no rounds: error %v", err)
	}
}

func TestTonesRefuse(t *testing.T) {
	for _, c := range []struct {
		o    TonesOptions
		says string
	}{
		{TonesOptions{RateHz: 4000}, "sample rate 4000 Hz"},
		{TonesOptions{PerOctave: -1}, "-1 tones an octave"},
		{TonesOptions{DwellSeconds: 0.01}, "dwell of 0.01 s"},
		{TonesOptions{SettleSeconds: 100}, "settle of 100 s"},
		{TonesOptions{LowHz: 0.5}, "start at 1 Hz"},
		{TonesOptions{HighHz: 23900}, "do not fit a sample rate"},
		{TonesOptions{Peak: 2}, "peak 2"},
		{TonesOptions{DwellSeconds: 10}, "longer than 600 s"},
	} {
		if _, err := NewTones(c.o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: error %v should say %q", c.o, err, c.says)
		}
	}
	if _, err := mustTones(t, TonesOptions{}).Again(nil); err == nil {
		t.Error("no steps made a signal")
	}
	// Two tones of five minutes each, and the times to settle.
	steps := mustTones(t, TonesOptions{LowHz: 1000}).Steps()[:2]
	for i := range steps {
		steps[i].Blocks = 300 * 48000 / steps[i].Block
	}
	if _, err := mustTones(t, TonesOptions{}).Again(steps); err == nil || !strings.Contains(err.Error(), "longer than 600 s") {
		t.Errorf("ten minutes of tones: error %v", err)
	}
}
