package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"tapload/measure/hum"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/ratio"
)

const (
	humWorthSaying   = 1e-3 // amplitude, fraction of full scale
	clockWorthSaying = 1.0  // ppm
	lowWorthSaying   = 5e-3 // rms of V1, fraction of full scale

	// Lines that hold this part of V2 beyond its ratio to V1. Loudspeakers that
	// are driven hard get there, and their impedance is then that of this level;
	// common practice, no source.
	distortionWorthSaying = 5e-3
)

const (
	// By how much a bend may move |Z| from that at a small signal before it is
	// said, and how large a harmonic may be that moves nothing.
	moveWorthSaying = 5e-4
	bentWorthSaying = 3e-3

	// A change meanwhile of so much of |Z|.
	driftWorthSaying = 1e-3
)

// warnings says what the recording showed that does not stop it, and that
// rides in the record.
func warnings(g ratio.Ratio) []impedance.Warning {
	w := []impedance.Warning{}
	add := func(code, format string, args ...any) {
		w = append(w, impedance.Warning{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	at := func(lowHz, highHz float64) { // what was added last speaks of
		last := &w[len(w)-1]
		last.Hz = append(last.Hz, impedance.Band{Low: toMilli(lowHz), High: toMilli(highHz)})
	}
	across := func(moved []ratio.Moved) {
		if len(moved) > 0 {
			at(moved[0].Hz, moved[len(moved)-1].Hz)
		}
	}
	named, left := humWorth(g.Seen)
	if len(named) > 0 {
		add("hum", "hum at %s was taken out; points near it are less certain", humText(named))
		for _, l := range named {
			at(l.Hz, l.Hz)
		}
	}
	if len(left) > 0 {
		add("hum", "noise that is no steady tone, such as hum that wanders, stands out at %s; points there are less certain", ranges(left))
		for _, b := range left {
			at(b[0], b[1])
		}
	}
	if t := g.Seen.OnLines; len(t) > 0 {
		add("tone", "%s fell on a frequency of the signal, which was left out of the points near it", tones(t))
		for _, l := range t {
			at(l.Hz, l.Hz)
		}
	}
	if b := g.Seen.Bursts; len(b) > 0 {
		add("burst", "%s", bursts(b, g.Seen.StartSeconds))
		for _, b := range b {
			at(b.LowHz, b.HighHz)
		}
	} else if k := g.Seen.Unsteady.Knocks; len(k) > 0 {
		add("burst", "something knocked, clicked or spoke at %.2f s, or one period of the signal before; points at its frequencies are less certain", k[0])
	}
	if ppm := g.Seen.ClockPPM; ppm > clockWorthSaying || ppm < -clockWorthSaying {
		add("clock", "player and recorder run on clocks that differ by %.1f ppm: frequencies are those of the player's clock", ppm)
	}
	if ppm := g.Seen.Unsteady.WanderPPM; ppm > 0 {
		add("clock-wanders", "the clocks of player and recorder moved against each other by %.1f ppm while the signal played; frequencies are no surer than that", ppm)
	}
	if d := g.Seen.Unsteady.Slow; d > 0 {
		add("slow", "something slow, such as an offset that settles or a step on the floor, moved the inputs by up to %.2g %% of full scale; points in the bass are less certain", 100*d)
	}
	if v := g.Seen.Level[0]; v < lowWorthSaying {
		add("low-level", "the signal before the sense resistor is only %.0f dB of full scale: turn the output or the inputs up for less noise", 20*math.Log10(v))
	}
	if d, moved := g.Seen.Distortion, worthSaying(g.Seen.Moved); g.Seen.Heard == nil && (math.Hypot(d[0], d[1]) > distortionWorthSaying || len(moved) > 0) {
		text := fmt.Sprintf("load or inputs distort: %.2g %% of the voltage at the load is of even order and %.2g %% of odd order", 100*d[0], 100*d[1])
		if len(moved) > 0 {
			text += fmt.Sprintf("; from %.0f to %.0f Hz |Z| may differ from that of a small signal %s", moved[0].Hz, moved[len(moved)-1].Hz, movedBy(moved))
		}
		add("distortion", "%s: measure at a lower level", text)
		across(moved)
	}
	if moved := worthSaying(g.Seen.Moved); g.Seen.Heard != nil && len(moved) > 0 {
		add("bending", "the load or an input bends: |Z| depends on how loud it is from %.0f to %.0f Hz, and may differ from that of a small signal %s; play quieter", moved[0].Hz, moved[len(moved)-1].Hz, movedBy(moved))
		across(moved)
	}
	if b := g.Seen.Bending; b != nil {
		who := "the load or an input bends"
		if b.Input1 {
			who = "input 1 bends, not the load"
		}
		if text := bendingText(*b, who); text != "" {
			add("bending", "%s", text)
			across(worthSaying(b.Moves))
		}
	}
	if d := g.Seen.Drift; d != nil {
		if text := driftText(*d); text != "" {
			add("drift", "%s", text)
		}
	}
	if r := g.Seen.Ringing; len(r) > 0 {
		where := fmt.Sprintf("%.4g Hz", r[0])
		if len(r) > 1 {
			where = fmt.Sprintf("%d frequencies, the first %s", len(r), where)
		}
		add("ringing", "the load still rang when the tone began to be measured at %s; the beginning was left out there: let the tones settle longer", where)
		for _, hz := range r {
			at(hz, hz)
		}
	}
	if short := g.Seen.Short; len(short) > 0 {
		worst := slices.MaxFunc(short, func(a, b ratio.Precision) int { return cmp.Compare(a.U, b.U) })
		add("wanted", "the time was over before %d tones were as sure as wanted; the worst is ± %.2g %% at %.0f Hz (k = 2)", len(short), 200*worst.U, worst.Hz)
	}
	if barelyLoads(g) {
		add("barely-loads", barelyText)
	}
	if h := g.Seen.Heard; h != nil && len(h.LeftOut) > 0 {
		add("coherence", "left out for want of coherence, or for hum: %s; what was played says too little there", ranges(h.LeftOut))
		for _, b := range h.LeftOut {
			at(b[0], b[1])
		}
	}
	if unsure, worst := unsure(g); g.Seen.Heard != nil && len(unsure) > 0 {
		add("unsure", "noise leaves |Z| at %d frequencies less sure than ± %g %% (k = 2), the worst ± %.2g %% at %.0f Hz; a larger sense resistor, more level or more time helps", len(unsure), 100*sureEnough, 200*worst.U, worst.Hz)
	}
	if n := g.Seen.Late; n > 0 {
		add(lateBlocks, "%s, before or after what was measured", lateText(n))
	}
	if n := g.Seen.LeftOut; n > 0 {
		add("left-out", "%d frequencies were left out: the signal does not rise above the noise there", n)
	}
	return w
}

// toMilli rounds a frequency to a thousandth of a hertz.
func toMilli(hz float64) float64 { return math.Round(1e3*hz) / 1e3 }

const lateBlocks = "late-blocks"

func lateText(blocks int) string {
	if blocks == 1 {
		return "the driver says that a block of sound was late or lost"
	}
	return fmt.Sprintf("the driver says that %d blocks of sound were late or lost", blocks)
}

// humNear is how far, in hertz, a tone makes points less certain.
const humNear = 2.0

// humWorth returns the tones that are worth saying, all or none of a fundamental and
// its multiples, and the bands that no tone explains.
func humWorth(s ratio.Seen) (named []hum.Tone, left [][2]float64) {
	near := func(t hum.Tone, b [2]float64) bool { return t.Hz > b[0]-humNear && t.Hz < b[1]+humNear }
	worth := func(t hum.Tone) bool {
		return max(t.Peak[0], t.Peak[1]) > humWorthSaying || slices.ContainsFunc(s.Rough, func(b [2]float64) bool { return near(t, b) })
	}
	if slices.ContainsFunc(s.Mains, worth) {
		named = s.Mains
	}
	for _, b := range s.Rough {
		if !slices.ContainsFunc(named, func(t hum.Tone) bool { return near(t, b) }) {
			left = append(left, b)
		}
	}
	return named, left
}

// humText writes the strongest of some tones in rising order, of those within
// humNear of each other the strongest alone: a tone that wanders is found as
// several.
func humText(all []hum.Tone) string {
	peak := func(t hum.Tone) float64 { return max(t.Peak[0], t.Peak[1]) }
	byPeak := slices.SortedStableFunc(slices.Values(all), func(a, b hum.Tone) int { return cmp.Compare(peak(b), peak(a)) })
	var strong []hum.Tone
	rest := 0
	for _, t := range byPeak {
		switch {
		case slices.ContainsFunc(strong, func(s hum.Tone) bool { return math.Abs(s.Hz-t.Hz) < humNear }):
		case len(strong) == mostRanges || peak(t) < peak(byPeak[0])/humWeaker:
			rest++
		default:
			strong = append(strong, t)
		}
	}
	slices.SortFunc(strong, func(a, b hum.Tone) int { return cmp.Compare(a.Hz, b.Hz) })
	words := make([]string, len(strong))
	for i, t := range strong {
		words[i] = fmt.Sprintf("%.2f Hz", t.Hz)
	}
	if rest == 1 {
		words = append(words, "one weaker tone")
	} else if rest > 1 {
		words = append(words, fmt.Sprintf("%d weaker tones", rest))
	}
	text := fmt.Sprintf("%s, %.2g %% of full scale,", words[0], 100*peak(byPeak[0]))
	if n := len(words); n > 1 {
		text = fmt.Sprintf("%s and %s, up to %.2g %% of full scale,", strings.Join(words[:n-1], ", "), words[n-1], 100*peak(byPeak[0]))
	}
	return text
}

// humWeaker times weaker than the strongest, a tone is not named by itself.
const humWeaker = 30.0

// tones writes the strongest of some tones, in rising order.
func tones(t []ratio.OnLine) string {
	strong := slices.SortedFunc(slices.Values(t), func(a, b ratio.OnLine) int { return cmp.Compare(b.Peak, a.Peak) })
	rest := max(0, len(t)-mostRanges)
	strong = strong[:len(t)-rest]
	peak := strong[0].Peak
	slices.SortFunc(strong, func(a, b ratio.OnLine) int { return cmp.Compare(a.Hz, b.Hz) })
	words := make([]string, len(strong))
	for i, l := range strong {
		words[i] = fmt.Sprintf("%.5g Hz", l.Hz)
	}
	if len(t) == 1 {
		return fmt.Sprintf("a tone at %s, %.2g %% of full scale,", words[0], 100*peak)
	}
	if rest > 0 {
		words = append(words, fmt.Sprintf("%d weaker ones", rest))
	}
	return fmt.Sprintf("tones at %s, up to %.2g %% of full scale, each", strings.Join(words, ", "), 100*peak)
}

// bursts says what the largest of some bursts does, in a recording whose first
// counted period starts at so many seconds.
func bursts(b []ratio.Burst, start float64) string {
	worst := slices.MaxFunc(b, func(a, b ratio.Burst) int { return cmp.Compare(a.Relative, b.Relative) })
	s := fmt.Sprintf("a knock, a click or a voice at %.2f s, while the chirp was between %.4g Hz and %.4g Hz, makes up to %.2g %% of the voltage at the load", start+worst.Seconds, worst.LowHz, worst.HighHz, 100*worst.Relative)
	if n := len(b) - 1; n > 0 {
		s += fmt.Sprintf(", and less in %d other places", n)
	}
	unknown := 0
	for _, b := range b {
		if b.Period < 0 {
			unknown++
		}
	}
	if unknown == 0 {
		return s + "; the period in which it fell was left out there"
	}
	return s + "; which period it spoilt cannot always be told, so that points there are less certain: keep quiet and measure again"
}

// bendingText says what of b is worth it, and of whom, nothing if none of it is.
func bendingText(b ratio.Bending, who string) string {
	moved := worthSaying(b.Moves)
	worst := slices.MaxFunc(b.Orders, func(a, b ratio.BentOrder) int { return cmp.Compare(a.Part, b.Part) })
	if len(moved) == 0 && worst.Part < bentWorthSaying {
		return ""
	}
	order := fmt.Sprintf("harmonic %d is", worst.Number)
	if worst.Number == 0 {
		order = "harmonics above the 8th are"
	}
	text := fmt.Sprintf("%s: %s %s (%.0f dB) of a tone of %.0f Hz; harmonics are not in the curve", who, order, quantity.Rest(worst.Part), 20*math.Log10(worst.Part), worst.Hz)
	if len(moved) == 0 {
		return text
	}
	return fmt.Sprintf("%s, but from %.0f to %.0f Hz |Z| is that of this level, which may differ from that of a small signal %s: sweep quieter", text, moved[0].Hz, moved[len(moved)-1].Hz, movedBy(moved))
}

// worthSaying returns the frequencies at which |Z| is moved enough.
func worthSaying(all []ratio.Moved) []ratio.Moved {
	return slices.DeleteFunc(slices.Clone(all), func(m ratio.Moved) bool { return m.Part < moveWorthSaying })
}

// movedBy writes by how much. Harmonics tell it of a curve without memory; of a
// suspension that stiffens they tell the order of the size (two to five times as much
// in simulated drivers, twelve with a coil out of the middle).
func movedBy(m []ratio.Moved) string {
	return fmt.Sprintf("by about %s, or several times that where a suspension stiffens", quantity.Rest(mostMoved(m)))
}

func mostMoved(m []ratio.Moved) float64 {
	return slices.MaxFunc(m, func(a, b ratio.Moved) int { return cmp.Compare(a.Part, b.Part) }).Part
}

// driftText says what of d is worth it, nothing if none of it is.
func driftText(d ratio.Drift) string {
	if max(math.Abs(d.Warms), math.Abs(d.Gain)) < driftWorthSaying {
		return ""
	}
	warms := fmt.Sprintf("the resistance of the load changed by %s (k = 2) while the signal played", quantity.Of(d.Warms, d.UWarms).Times(100).Change("%", 0))
	gain := fmt.Sprintf("the gains of the inputs drifted apart by %s (k = 2)", quantity.Of(d.Gain, d.UGain).Times(100).Change("%", 0))
	const middle = "; the curve is that of the middle of the measurement"
	switch d.Cause {
	case ratio.Warming:
		return warms + ", as a coil that warms" + middle + ": let it rest, and sweep quieter"
	case ratio.Gain:
		return gain + " while the signal played" + middle + ": let the card warm up, and turn off what rides its gain"
	case ratio.WarmingOrGain:
		return "either the load warmed or the gains of the inputs drifted apart, and nothing tells which: |Z| changed while the signal played" + middle
	default:
		return warms + ", and " + gain + middle
	}
}

// sureEnough is how sure |Z| is to be everywhere before a curve from program
// material passes without a warning: as sure as a rating needs it, ours.
const sureEnough = 0.01

// unsure returns the points that noise leaves less sure than that, k = 2, and
// the worst.
func unsure(g ratio.Ratio) (all []ratio.Precision, worst ratio.Precision) {
	for _, p := range g.Points {
		u := ratio.Precision{Hz: p.Hz, U: p.RelativeU()}
		if 2*u.U <= sureEnough {
			continue
		}
		all = append(all, u)
		if u.U > worst.U {
			worst = u
		}
	}
	return all, worst
}

// mostRanges are named one by one.
const mostRanges = 6

// ranges writes the widest of the given bands, in octaves, in rising order.
func ranges(bands [][2]float64) string {
	wide := slices.Clone(bands)
	slices.SortStableFunc(wide, func(a, b [2]float64) int { return cmp.Compare(b[1]/b[0], a[1]/a[0]) })
	rest := max(0, len(wide)-mostRanges)
	wide = wide[:len(wide)-rest]
	slices.SortFunc(wide, func(a, b [2]float64) int { return cmp.Compare(a[0], b[0]) })
	words := make([]string, len(wide))
	for i, b := range wide {
		words[i] = fmt.Sprintf("%.4g to %.4g Hz", b[0], b[1])
	}
	if rest > 0 {
		words = append(words, fmt.Sprintf("%d narrower ranges", rest))
	}
	return strings.Join(words, ", ")
}
