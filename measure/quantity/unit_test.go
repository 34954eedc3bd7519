package quantity

import (
	"errors"
	"math"
	"testing"
)

// What went wrong: units as people write them were refused, and "a=8Ω" was taken for
// the name of a record.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		unit Unit
		text string
		want float64
	}{
		{Ohm, "8", 8}, {Ohm, "8ohm", 8}, {Ohm, "8 ohm", 8}, {Ohm, "8 Ohm", 8}, {Ohm, "8 ohms", 8}, {Ohm, " 8 OHMS ", 8},
		{Ohm, "8Ω", 8}, {Ohm, "8\u2126", 8}, {Ohm, "8\u00a0Ω", 8}, {Ohm, "1.5k", 1500}, {Ohm, "1.5 kΩ", 1500}, {Ohm, "1.5 K ohm", 1500},
		{Ohm, "4R7", 4.7}, {Ohm, "4r7", 4.7}, {Ohm, "4k7", 4700}, {Ohm, "4K7", 4700}, {Ohm, "4k7Ω", 4700}, {Ohm, "10R", 10}, {Ohm, "R47", 0.47},
		{Ohm, "50 mΩ", 0.05}, {Ohm, "50 mohm", 0.05}, {Ohm, "50 mOhm", 0.05}, {Ohm, "5 MΩ", 5e6}, {Ohm, "5 Mohm", 5e6},
		{Ohm, "-3", -3}, {Ohm, "1e3", 1000}, {Ohm, "1e999", math.Inf(1)}, {Ohm, "Inf", math.Inf(1)}, {Ohm, "5e-324", 5e-324}, {Ohm, ".5", 0.5}, {Ohm, "5.", 5},
		{Hertz, "20khz", 20e3}, {Hertz, "20 KHz", 20e3}, {Hertz, "20K", 20e3}, {Hertz, "20 kHz", 20e3}, {Hertz, "440 hertz", 440}, {Hertz, "0.5 MHz", 5e5},
		{Watt, "50w", 50}, {Watt, "50 watts", 50}, {Watt, "50 W", 50}, {Watt, "500 mW", 0.5}, {Volt, "500 mV", 0.5}, {Volt, "2 volts", 2},
		{Second, "2 sec", 2}, {Second, "200 ms", 0.2}, {Metre, "6 m", 6}, {Metre, "6 metres", 6}, {Metre, "6 mm", 0.006}, {Millimetre, "12 mm", 12},
		{Gram, "10 g", 10}, {Gram, "500 mg", 0.5}, {Litre, "12 L", 12}, {Litre, "12 litres", 12}, {Kelvin, "-5 K", -5}, {Kelvin, "5 k", 5},
		{Decibel, "-12 dB", -12}, {Decibel, "-12dBFS", -12}, {Decibel, "-12 db", -12}, {Decibel, "\u221212", -12},
		{Count, "3", 3}, {Count, "1.5k", 1500}, {Times, "10x", 10}, {Percentage, "0.5%", 0.5},
	} {
		if got, err := c.unit.Read(c.text); err != nil || !(math.Abs(got-c.want) <= 1e-12*math.Abs(c.want)) && got != c.want {
			t.Errorf("%q as %s: %v, %v, want %v", c.text, c.unit, got, err, c.want)
		}
	}
	for _, c := range []struct {
		unit Unit
		text string
		asks string // "" where it is refused without a question
	}{
		{Ohm, "", ""}, {Ohm, "ohm", ""}, {Ohm, "R", ""}, {Ohm, "k7", ""}, {Ohm, "4R7R", ""}, {Ohm, "4R-7", ""}, {Ohm, "8 Hz", ""}, {Ohm, "8 8", ""},
		{Ohm, "NaN", ""}, {Ohm, "0x10", ""}, {Ohm, "8kk", ""}, {Ohm, "8 mm", ""}, {Ohm, "8é", ""}, {Ohm, "1_000", ""}, {Ohm, "--8", ""},
		{Hertz, "4k7", ""}, {Hertz, "k", ""}, {Watt, "50 w w", ""}, {Count, "3 x", ""}, {Count, "3M", ""},
		{Ohm, "5M", "do you mean 0.005 or 5e+06 ohm?"}, {Ohm, "5 m", "do you mean 0.005 or 5e+06 ohm?"}, {Ohm, "5 MOHM", "do you mean 0.005 or 5e+06 ohm?"},
		{Hertz, "20 mhz", "do you mean 0.02 or 2e+07 Hz?"}, {Watt, "50 mw", "do you mean 0.05 or 5e+07 W?"}, {Metre, "6 M", "do you mean 0.006 or 6e+06 m?"},
		{Ohm, "8,5 Ω", "do you mean 8.5 Ω?"},
	} {
		got, err := c.unit.Read(c.text)
		asked, asks := errors.AsType[Question](err)
		if err == nil || asks != (c.asks != "") || asks && string(asked) != c.asks {
			t.Errorf("%q as %s: %v, %v, want the question %q", c.text, c.unit, got, err, c.asks)
		}
	}
}

func FuzzUnit(f *testing.F) {
	for _, s := range []string{"8Ω", "4k7", "1.5 kHz", "-12 dB", "5M", "8,5", "1e999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, u := range []Unit{Count, Ohm, Hertz, Metre, Kelvin, Decibel} {
			if v, err := u.Read(s); err == nil && math.IsNaN(v) {
				t.Errorf("%q as %s is no number, and was taken", s, u)
			}
		}
	})
}
