package plot

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// axis maps values onto the fraction 0 to 1 of a side of a panel.
type axis struct {
	min, max float64
	log      bool
	name     string
	ticks    []tick
}

// tick is a mark on an axis; one without a label is minor.
type tick struct {
	at    float64
	label string
}

// frac returns how far along the axis v lies. Values far outside, and those
// that a log axis cannot show, are held at one length outside: near enough to
// calculate with, too far to be seen.
func (a axis) frac(v float64) float64 {
	if a.log && v <= 0 {
		return -1
	}
	min, max := a.min, a.max
	if a.log {
		v, min, max = math.Log(v), math.Log(min), math.Log(max)
	}
	return math.Min(math.Max((v-min)/(max-min), -1), 2)
}

// decades returns how many powers of ten the axis spans.
func (a axis) decades() float64 { return math.Log10(a.max / a.min) }

// oneTwoFive are the steps of a scale that people read fast.
var oneTwoFive = []float64{1, 2, 5}

// logTicks returns ticks at whole multiples of the powers of ten from min to
// max. Labels stand at 1-2-5; within about one decade at more of them, if two
// labels that need gap decades fit, and at the powers of ten alone if they do
// not. Where that gives less than three, they stand at even steps.
func logTicks(min, max, gap float64, label func(float64) string) []tick {
	for _, labelled := range []struct {
		leads   []float64
		closest float64 // decades
		widest  float64 // max/min
	}{
		{[]float64{1, 2, 3, 4, 5, 6, 7, 8, 9}, math.Log10(10. / 9), 12},
		{[]float64{1, 2, 3, 4, 5, 6, 8}, math.Log10(6. / 5), 12},
		{oneTwoFive, math.Log10(2), math.Inf(1)},
		{[]float64{1}, 1, math.Inf(1)},
	} {
		if labelled.closest < gap || max/min > labelled.widest {
			continue
		}
		var ticks []tick
		named := 0
		for e := math.Floor(math.Log10(min)); e <= math.Ceil(math.Log10(max)); e++ {
			for lead := 1.; lead < 10; lead++ {
				t := tick{at: decimal(lead, e)}
				if t.at < min*(1-1e-9) || t.at > max*(1+1e-9) {
					continue
				}
				if slices.Contains(labelled.leads, lead) {
					t.label = label(t.at)
					named++
				}
				ticks = append(ticks, t)
			}
		}
		if named >= 3 || max/min >= 10 {
			return ticks
		}
	}
	steps := math.Min(6, math.Log10(max/min)/gap)
	return evenTicks(min, max, evenStep((max-min)/math.Max(1, steps)), label)
}

// decimal returns lead times ten to the power e as the number that people
// write; multiplying would give 0.30000000000000004.
func decimal(lead, e float64) float64 {
	v, _ := strconv.ParseFloat(fmt.Sprintf("%.0fe%.0f", lead, e), 64)
	return v
}

// evenStep returns the least of 1, 2, 5, 10, 20 ... (times any power of ten)
// that is not less than step.
func evenStep(step float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(step)))
	for _, m := range oneTwoFive {
		if m*power >= step*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

func evenTicks(min, max, step float64, label func(float64) string) []tick {
	var ticks []tick
	for i := math.Ceil(min/step - 1e-9); i <= max/step+1e-9; i++ {
		ticks = append(ticks, tick{at: i * step, label: label(i * step)})
	}
	return ticks
}

// modulusAxis returns a log axis in ohm that holds least to most with room for
// a note above and below, ends on labelled values, and is never so narrow that
// a flat curve shows nothing but its noise.
func modulusAxis(least, most float64) axis {
	// A short among the curves must not press the others flat.
	least = math.Max(least, most*1e-4)
	min, max := ladder(least/1.35, false), ladder(most*1.25, true)
	for max/min < 4.99 {
		if least/min < max/most {
			min = ladder(min*0.99, false)
		} else {
			max = ladder(max*1.01, true)
		}
	}
	return axis{min: min, max: max, log: true, name: "modulus (Ω)"}
}

// ladder returns the next value of the 1-2-5 series at or beyond v.
func ladder(v float64, up bool) float64 {
	e := math.Floor(math.Log10(v))
	below := math.NaN()
	for _, power := range []float64{e - 1, e, e + 1} {
		for _, lead := range oneTwoFive {
			step := decimal(lead, power)
			if up && step >= v*(1-1e-9) {
				return step
			}
			if step <= v*(1+1e-9) {
				below = step
			}
		}
	}
	return below
}

// phaseAxis returns an axis in degrees that holds 0 and least to most, ends on
// multiples of its step, and has at most room steps of 15, 30, 45 or 90 degrees.
func phaseAxis(least, most float64, room int) axis {
	// A curve along the frame would be hard to see; beyond half a turn there is none.
	margin := math.Max(1, 0.02*(most-least))
	least, most = math.Max(math.Min(least, 0)-margin, -180), math.Min(math.Max(most, 0)+margin, 180)
	a := axis{name: "phase (°)"}
	for _, step := range []float64{15, 30, 45, 90} {
		a.min, a.max = step*math.Floor(least/step), step*math.Ceil(most/step)
		a.ticks = evenTicks(a.min, a.max, step, degrees)
		if a.max-a.min <= float64(room)*step {
			break
		}
	}
	return a
}

func degrees(v float64) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', -1, 64), "-", "−", 1)
}

// prefixed returns v in at most four digits, from 1000 and from a million on with the
// prefix of the SI, and never with an exponent where a log axis of ohms or hertz ends
// (mostOhm).
func prefixed(v float64) string {
	digits := func(v float64) string { // of which 'g' would write 1e-05
		rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 3, 64), 64)
		return strconv.FormatFloat(rounded, 'f', -1, 64)
	}
	switch {
	case v >= 1e9:
		return digits(v/1e9) + "G"
	case v >= 1e6:
		return digits(v/1e6) + "M"
	case v >= 1e3:
		return digits(v/1e3) + "k"
	}
	return digits(v)
}
