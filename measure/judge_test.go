package measure

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
)

func TestBendsAndDriftsAreSaid(t *testing.T) {
	third := []ratio.BentOrder{{Number: 2, Hz: 40, Part: 1e-4}, {Number: 3, Hz: 62, Part: 1e-3}}
	for _, tc := range []struct {
		name string
		seen ratio.Seen
		code string // "" for nothing said
		says []string
	}{
		{"third harmonic", ratio.Seen{Bending: &ratio.Bending{Orders: third, Moves: []ratio.Moved{{Hz: 50, Part: 1e-4}, {Hz: 62, Part: 6e-3}, {Hz: 78, Part: 1e-3}}}}, "bending",
			[]string{"the load or an input bends", "harmonic 3 is 0.10 % (-60 dB) of a tone of 62 Hz", "from 62 to 78 Hz", "by about 0.60 %", "sweep quieter"}},
		{"second harmonic alone", ratio.Seen{Bending: &ratio.Bending{Orders: []ratio.BentOrder{{Number: 2, Hz: 40, Part: 5e-3}}}}, "bending",
			[]string{"harmonic 2 is 0.50 %", "are not in the curve"}},
		{"input 1", ratio.Seen{Bending: &ratio.Bending{Orders: third, Moves: []ratio.Moved{{Hz: 62, Part: 6e-3}}, Input1: true}}, "bending", []string{"input 1 bends, not the load"}},
		{"a little", ratio.Seen{Bending: &ratio.Bending{Orders: third[:1], Moves: []ratio.Moved{{Hz: 40, Part: 1e-4}}}}, "", nil},
		{"warming", ratio.Seen{Drift: &ratio.Drift{Warms: 0.02, UWarms: 1e-4, Gain: 1e-5, UGain: 1e-5, Cause: ratio.Warming}}, "drift",
			[]string{"resistance of the load changed by +2.000 % ± 0.020", "middle of the measurement"}},
		{"gain", ratio.Seen{Drift: &ratio.Drift{Gain: -0.01, UGain: 1e-4, Cause: ratio.Gain}}, "drift", []string{"gains of the inputs drifted apart by -1.000 % ± 0.020"}},
		{"either", ratio.Seen{Drift: &ratio.Drift{Gain: -0.01, Warms: 0.01, Cause: ratio.WarmingOrGain}}, "drift", []string{"nothing tells which"}},
		{"a little drift", ratio.Seen{Drift: &ratio.Drift{Warms: 5e-4, Cause: ratio.Warming}}, "", nil},
		{"odd lines", ratio.Seen{Distortion: [2]float64{0, 1e-3}, Moved: []ratio.Moved{{Hz: 20, Part: 1e-4}, {Hz: 40, Part: 2e-3}}}, "distortion", []string{"0.1 % of odd order", "from 40 to 40 Hz", "by about 0.20 %"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			tc.seen.Level = [2]float64{0.2, 0.1}
			var texts []string
			for _, w := range warnings(ratio.Ratio{Seen: tc.seen}) {
				if w.Code == "bending" || w.Code == "drift" || w.Code == "distortion" {
					if w.Code != tc.code {
						t.Errorf("code %q: %s", w.Code, w.Text)
					}
					texts = append(texts, w.Text)
				}
			}
			if (len(texts) == 1) != (tc.code != "") {
				t.Fatalf("said %q", texts)
			}
			for _, s := range tc.says {
				if !strings.Contains(texts[0], s) {
					t.Errorf("%q does not say %q", texts[0], s)
				}
			}
		})
	}
}

func TestWarningsNameTheirFrequencies(t *testing.T) {
	for _, tc := range []struct {
		name, code string
		seen       ratio.Seen
		want       []impedance.Band
	}{
		{"hum", "hum", ratio.Seen{Mains: []hum.Tone{{Hz: 50.02, Peak: [2]float64{0.01, 0.02}}}}, []impedance.Band{{Low: 50.02, High: 50.02}}},
		{"tones on lines", "tone", ratio.Seen{OnLines: []ratio.OnLine{{Hz: 60, Peak: 0.01}, {Hz: 180, Peak: 0.001}}}, []impedance.Band{{Low: 60, High: 60}, {Low: 180, High: 180}}},
		{"a burst", "burst", ratio.Seen{Bursts: []ratio.Burst{{LowHz: 300, HighHz: 420, Period: 1, Relative: 0.01}}}, []impedance.Band{{Low: 300, High: 420}}},
		{"a bend", "bending", ratio.Seen{Bending: &ratio.Bending{
			Orders: []ratio.BentOrder{{Number: 3, Hz: 62, Part: 1e-2}},
			Moves:  []ratio.Moved{{Hz: 50, Part: 1e-4}, {Hz: 62, Part: 6e-3}, {Hz: 78, Part: 1e-3}},
		}}, []impedance.Band{{Low: 62, High: 78}}},
		{"clocks", "clock", ratio.Seen{ClockPPM: 40}, nil},
	} {
		tc.seen.Level = [2]float64{0.2, 0.1}
		all := warnings(ratio.Ratio{Seen: tc.seen})
		if len(all) != 1 || all[0].Code != tc.code || !slices.Equal(all[0].Hz, tc.want) {
			t.Errorf("%s: %+v, want %q of %v", tc.name, all, tc.code, tc.want)
		}
	}
}

// A second input that hears more than the first is one whose gain differs while it
// does so by less than a tenth, and at more the leads are exchanged.
func TestLouderSecondInput(t *testing.T) {
	j, err := jig.Uncalibrated(jig.Options{Name: "jig", SenseOhm: 10, Mismatch: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	for g, want := range map[complex128]card.Cause{1.08: card.OpenLoad, 1.2: card.Swapped} {
		var r ratio.Ratio
		for hz := 20.0; hz < 20e3; hz *= 1.1 {
			r.Points = append(r.Points, ratio.Point{Hz: hz, G: g})
		}
		var fault *card.Fault
		if err := plausible(r, j, card.Recording{Inputs: [2]int{1, 2}}); !errors.As(err, &fault) || fault.Cause != want {
			t.Errorf("V2/V1 of %v: %v, want the cause %v", g, err, want)
		}
	}
}

// Where the input rises by 0.5 dB more or less than the output, a gain moves.
func TestGainThatDependsOnTheLevel(t *testing.T) {
	at := func(peak, signal float64) hearing {
		return hearing{peak: peak, ratio: ratio.Ratio{Seen: ratio.Seen{Signal: signal}}}
	}
	for rises, moves := range map[float64]bool{4: false, 4 * 1.05: false, 4 * 1.07: true, 4 * 0.93: true} {
		var c Checked
		c.compare(CheckSetup{}, []hearing{at(0.01, 0.001), at(0.04, 0.001*rises)})
		if c.Pass() == moves {
			t.Errorf("the input rises %g times where the output rises 4 times: %+v", rises, c.Findings)
		}
	}
}

func TestDecibelsAreOfAnAmplitude(t *testing.T) {
	if got := decibels(0.1); math.Abs(got+20) > 1e-12 {
		t.Errorf("a tenth is %g dB", got)
	}
}
