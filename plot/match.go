package plot

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"tapload/fit/rating"
	"tapload/measure/impedance"
	units "tapload/measure/quantity"
)

// OnTap is the curve of a hookup and the tap it is on.
type OnTap struct {
	Label  string
	Curve  impedance.Curve
	TapOhm float64 // or the lowest load of a solid-state amplifier
}

// MatchChart shows |Z| over the tap for one or more hookups on a log axis, over
// a log frequency axis: 1 is a load of just the tap's ohms. A band marks where
// a lowest |Z| still suits the tap, 80 to 100 % of it (IEC 60268-5, rated
// impedance). The shades are k = 2.
type MatchChart struct {
	Title   string
	Hookups []OnTap
	Least   bool // the taps are the lowest load of a solid-state amplifier, a limit without a band

	LowHz, HighHz     float64 // 0: 20 Hz and 20 kHz
	WidthMM, HeightMM float64 // 0: 180 mm and 120 mm
}

// OnPage checks c and returns it as a picture.
func (c MatchChart) OnPage() (Picture, error) {
	frame := ImpedanceChart{Title: c.Title, LowHz: c.LowHz, HighHz: c.HighHz, WidthMM: c.WidthMM, HeightMM: cmp.Or(c.HeightMM, singleHeight)}
	var traces [][]sample
	var names []string
	err := func() error {
		for _, h := range c.Hookups {
			if !(h.TapOhm >= leastOhm && h.TapOhm <= mostOhm) {
				return fmt.Errorf("%q: a tap of %g ohm must be a number from %g to %g ohm", h.Label, h.TapOhm, leastOhm, mostOhm)
			}
			if err := h.Curve.Check(); err != nil {
				return fmt.Errorf("%q: %w", h.Label, err)
			}
			frame.Traces = append(frame.Traces, Trace{Label: h.Label, Curve: h.Curve})
			trace := samples(h.Curve)
			for i := range trace {
				trace[i].ohm /= h.TapOhm
				trace[i].uOhm /= h.TapOhm
			}
			traces = append(traces, trace)
			names = append(names, oneLine(h.Label))
		}
		return nil
	}()
	p := singlePanel{frame: frame.complete(), traces: traces}
	if err == nil {
		err = p.check("ratio")
	}
	if err != nil {
		return Picture{}, fmt.Errorf("match chart: %w", err)
	}
	name := "tap"
	p.levels = []level{{at: 1, name: name, look: inUseStroke, strong: true}, {at: rating.Floor, name: floorName, look: noStroke, quiet: true}}
	if c.Least {
		name = "lowest load"
		p.levels = []level{{at: 1, name: name, look: inUseStroke, strong: true}}
	} else {
		p.bands = []band{{rating.Floor, 1}}
	}
	p.y = func(room int) axis {
		least, most := rating.Floor, 1.
		for s := range p.frame.within(traces...) {
			if s.ohm > 0 {
				least, most = math.Min(least, s.ohm), math.Max(most, s.ohm)
			}
		}
		a := modulusAxis(least, most)
		a.name = "|Z| / " + name
		a.ticks = logTicks(a.min, a.max, a.decades()/math.Max(1, float64(room)), prefixed)
		return a
	}
	about := fmt.Sprintf("Modulus over the tap's ohms, over frequency, %s to %s: %s",
		units.LimitHz(p.frame.LowHz), units.LimitHz(p.frame.HighHz), strings.Join(names, "; "))
	return p.frame.picture(about, p.draw), nil
}
