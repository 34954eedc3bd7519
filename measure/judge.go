package measure

import (
	"fmt"
	"math"

	"tapload/measure/impedance"
	"tapload/measure/ratio"
)

const (
	humWorthSaying   = 1e-3 // amplitude, fraction of full scale
	clockWorthSaying = 1.0  // ppm
	lowWorthSaying   = 5e-3 // rms of V1, fraction of full scale
)

// warnings says what the recording showed that does not stop it, and that
// rides in the record.
func warnings(g ratio.Ratio) []impedance.Warning {
	w := []impedance.Warning{}
	add := func(code, format string, args ...any) {
		w = append(w, impedance.Warning{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	for _, l := range g.Seen.Mains {
		if peak := max(l.Peak[0], l.Peak[1]); peak > humWorthSaying {
			add("hum", "hum at %.2f Hz, %.1f %% of full scale, was taken out; points near it are less certain", l.Hz, 100*peak)
		}
	}
	if ppm := g.Seen.ClockPPM; ppm > clockWorthSaying || ppm < -clockWorthSaying {
		add("clock", "player and recorder run on clocks that differ by %.1f ppm: frequencies are those of the player's clock", ppm)
	}
	if v := g.Seen.Level[0]; v < lowWorthSaying {
		add("low-level", "the signal before the sense resistor is only %.0f dB of full scale: turn the output or the inputs up for less noise", 20*math.Log10(v))
	}
	if n := g.Seen.LeftOut; n > 0 {
		add("left-out", "%d frequencies were left out: the signal does not rise above the noise there", n)
	}
	return w
}
