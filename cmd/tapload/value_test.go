package main

import (
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"

	"tapload/measure/quantity"
)

func TestFlagValues(t *testing.T) {
	var (
		hz  hertz
		ohm ohms
		sec seconds
		fr  fraction
		db  decibel
		in  inputs
		tap taps
		wl  wordLength
		dc  meterOhms

		rate           sampleRate
		watts, damping = amount{unit: quantity.Watt}, amount{kind: "number"}
		all            = kelvins()
		per            = kelvins()
		cab            = cableOhms()
	)
	tests := []struct {
		to   pflag.Value
		text string
		want string // String afterwards; empty when Set must fail
	}{
		{&hz, "50", "50"},
		{&hz, "20k", "20000"},
		{&hz, "20 kHz", "20000"},
		{&hz, "0.5Hz", "0.5"},
		{&hz, "0", ""},
		{&hz, "-3", ""},
		{&hz, "NaN", ""},
		{&hz, "Inf", ""},
		{&hz, "1e400", ""},
		{&hz, "", ""},
		{&hz, "k", ""},
		{&hz, "4k7", ""},
		{&hz, "10 ohm", ""},
		{&ohm, "10 ohm", "10"},
		{&ohm, "1k", "1000"},
		{&sec, "1.5 s", "1.5"},
		{&sec, "200 ms", "0.2"},
		{&ohm, "8 Ω", "8"},
		{&ohm, "4R7", "4.7"},
		{&ohm, "5M", ""},
		{&ohm, "5e-324", ""},
		{&ohm, "1e300", ""},
		{&hz, "20 KHz", "20000"},
		{&hz, "20 mhz", ""},
		{&rate, "48k", "48000"},
		{&rate, "44.1 kHz", "44100"},
		{&rate, "44100.5", ""},
		{&rate, "-48000", ""},
		{&rate, "1e300", ""},
		{&watts, "50 watts", "50"},
		{&watts, "50 mw", ""},
		{&damping, "8", "8"},
		{&damping, "8 W", ""},
		{&fr, "1%", "1%"},
		{&fr, "0.1 %", "0.1%"},
		{&fr, "0.01", ""},
		{&fr, "0", "0%"},
		{&fr, "1", ""},
		{&fr, "100%", ""},
		{&fr, "100", ""},
		{&fr, "-1%", ""},
		{&fr, "NaN%", ""},
		{&fr, "%", ""},
		{&cab, "a\nb=0.2", ""}, // the name broke the line of a page
		{&cab, "0.2 ohm", "0.2"},
		{&cab, "-1", ""},
		{&cab, "a=11", ""},
		{&db, "-12", "-12"},
		{&db, "0", "0"},
		{&db, "-20 dBFS", "-20"},
		{&db, "-12 dB", "-12"},
		{&db, "3", ""},
		{&db, "-Inf", ""},
		{&db, "quiet", ""},
		{&in, "1,2", "1,2"},
		{&in, "4, 3", "4,3"},
		{&in, "1,1", ""},
		{&in, "0,1", ""},
		{&in, "1", ""},
		{&in, "1,2,3", ""},
		{&tap, "4,8,16", "4,8,16"},
		{&tap, "4 ohm, 8", "4,8"},
		{&tap, "4Ω,8Ω", "4,8"},
		{&tap, "4,,8", ""},
		{&tap, "", ""},
		{&wl, "16", "16"},
		{&wl, "32f", "32f"},
		{&wl, "8", ""},
		{&dc, "28", "28"},
		{&dc, "0", "0"},
		{&dc, "1.5k ohm", "1500"},
		{&dc, "open", "open"},
		{&dc, "OL", "open"},
		{&dc, "-1", ""},
		{&dc, "-inf", ""},
		{&dc, "NaN", ""},
		{&dc, "", ""},
		{&all, "20", "20"},
		{&all, "-5 K", "-5"},
		{&all, "hot", ""},
		{&all, "NaN", ""},
		{&all, "201", ""},
		{&per, "a=20, b=-1.5", "a=20,b=-1.5"},
		{&per, "a=2", ""},
		{&per, "c=", ""},
		{&per, "=3", ""},
		{&per, "c=3,4", ""},
	}
	for _, tt := range tests {
		before := tt.to.String()
		err := tt.to.Set(tt.text)
		switch {
		case tt.want == "" && err == nil:
			t.Errorf("%s %q was taken, as %s", tt.to.Type(), tt.text, tt.to)
		case tt.want == "" && tt.to.String() != before:
			t.Errorf("%s %q was refused but changed the value from %s to %s", tt.to.Type(), tt.text, before, tt.to)
		case tt.want == "" && (strings.ToLower(err.Error()[:1]) != err.Error()[:1] || strings.HasSuffix(err.Error(), ".")):
			t.Errorf("%s %q: %q is not a lower-case clause without full stop", tt.to.Type(), tt.text, err)
		case tt.want != "" && err != nil:
			t.Errorf("%s %q: %v", tt.to.Type(), tt.text, err)
		case tt.want != "" && tt.to.String() != tt.want:
			t.Errorf("%s %q became %s, want %s", tt.to.Type(), tt.text, tt.to, tt.want)
		}
	}
}

// What went wrong: "must be a number of ratio above 0", "must be a whole number" of one
// that was too large, and values that were quoted whole, 577 characters of them.
func TestSentencesOfFlags(t *testing.T) {
	for _, c := range []struct{ flag, value, says string }{
		{"--allow-low", "x", `--allow-low "x": must be a number above 0, such as 0.5`},
		{"--load-watts", "a", `--load-watts "a": must be NAME=W for each load, such as a=8,b=16`},
		{"--load-watts", "a=x", `--load-watts "a=x": a must be a number of W above 0, such as 50 or 1.5k`},
		{"--watts", "1e-300", `--watts "1e-300": must be a number of W from 1e-09 to 1e+12`},
		{"--jacks", "99999999999999999999", `--jacks "99999999999999999999": is a number beyond all that this counts; write a smaller one`},
		{"--tap", "1e-308", `--tap "1e-308": must be a number of ohm from 1e-09 to 1e+12`},
		{"--tap", "8,0", `--tap "8,0": must be a list of ohms above 0, such as 4,8,16`},
		{"--jacks", "two", `--jacks "two": must be a whole number`},
		{"--tap", strings.Repeat("x", 500), `--tap "` + strings.Repeat("x", 40) + `...": must be a list of ohms above 0, such as 4,8,16`},
	} {
		var log strings.Builder
		e := env{stdout: io.Discard, stderr: &log, getenv: func(string) string { return "" }, now: time.Now, sound: noCards{}}
		if code := run(t.Context(), []string{"hookup", "a", "a=8", c.flag, c.value}, e); code != exitUsage {
			t.Errorf("%s %s exited with %d", c.flag, c.value, code)
		}
		if said := foldedLine.ReplaceAllString(log.String(), " "); !strings.HasPrefix(said, "tapload: "+c.says+"\n") {
			t.Errorf("%s %s says %q, want %q", c.flag, c.value, said, c.says)
		}
	}
}

// A tolerance of 0.1 was kept as 10 %, in silence, where 0.1 % was meant.
func TestPercentWithoutItsSign(t *testing.T) {
	for text, says := range map[string]string{
		"0.1":   "0.1 % or 10 %? write 0.1% or 10%",
		"0.05":  "0.05 % or 5 %? write 0.05% or 5%",
		"0.001": "0.001 % or 0.1 %? write 0.001% or 0.1%",
		"5":     "is it 5 %? then write 5%",
		"one":   "must be a percentage with its sign, such as 1%, from 0% to below 100%",
	} {
		var f fraction
		if err := f.Set(text); err == nil || err.Error() != says {
			t.Errorf("%q: %v, want %q", text, err, says)
		}
	}
}

func TestDecibel(t *testing.T) {
	for _, db := range []decibel{0, -6, -20, -120} {
		if got := toDecibel(db.fraction()); math.Abs(got-float64(db)) > 1e-12 {
			t.Errorf("%v dB came back as %v dB", float64(db), got)
		}
	}
}
