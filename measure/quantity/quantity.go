// Package quantity holds a value with its uncertainty, and writes numbers for
// people: with the digits that mean something, and the unit behind them.
package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Value is an estimate with its standard uncertainty (k = 1), in the SI unit of
// the quantity.
type Value struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// Of returns a Value.
func Of(value, u float64) Value { return Value{value, u} }

// Times returns v in a unit that is 1/by of its own.
func (v Value) Times(by float64) Value { return Value{v.Value * by, v.U * math.Abs(by)} }

// Repeats is how well a real cabinet repeats from one hour to the next, relative
// to the value: common practice, no source. No page states less, however small
// the noise was.
const Repeats = 1e-3

// In writes v in a unit, which may be empty, with its expanded uncertainty
// (k = 2), such as "8.64 ohm ± 0.02": four significant digits at most, and one or
// two of the uncertainty, which is never less than Repeats.
func (v Value) In(unit string) string {
	if unit != "" {
		unit = " " + unit
	}
	if !(v.U > 0) {
		return Digits(v.Value, 4) + unit
	}
	return v.written(unit, Repeats*math.Abs(v.Value), 4)
}

// Change writes v, which is a difference, as In does, with its sign and with an
// expanded uncertainty of least or more in place of that of a value.
func (v Value) Change(unit string, least float64) string {
	if unit != "" {
		unit = " " + unit
	}
	s := v.written(unit, least, 4)
	if v.Value > 0 && !strings.HasPrefix(s, "0"+unit) {
		s = "+" + s
	}
	return s
}

// written writes v with an expanded uncertainty of least or more, to so many
// significant digits at most.
func (v Value) written(unit string, least float64, digits int) string {
	expanded := max(2*v.U, least)
	places := digits - 1 - exponent(max(math.Abs(v.Value), expanded))
	if expanded > 0 {
		places = min(1-exponent(expanded), places)
	}
	places = max(0, places)
	// Rounded up, an uncertainty is never less than it was, and never none.
	last := math.Pow10(-places)
	expanded = max(last, last*math.Ceil(expanded/last-1e-6))
	value := strconv.FormatFloat(v.Value, 'f', places, 64)
	if value, err := strconv.ParseFloat(value, 64); err == nil && value == 0 {
		return fmt.Sprintf("0%s ± %.*f", unit, places, expanded)
	}
	return fmt.Sprintf("%s%s ± %.*f", value, unit, places, expanded)
}

// Digits writes x without an exponent to n significant digits.
func Digits(x float64, n int) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'e', n-1, 64), 64)
	return strconv.FormatFloat(rounded, 'f', max(0, n-1-exponent(rounded)), 64)
}

// exponent returns that of x as a power of ten, 0 for 0.
func exponent(x float64) int {
	if x == 0 {
		return 0
	}
	return int(math.Floor(math.Log10(math.Abs(x)) + 1e-12))
}

// Plain writes x with the digits that it has.
func Plain(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// Ohms writes a rating as the trade does: 8, 2.67.
func Ohms(ohm float64) string {
	if ohm == math.Round(ohm) {
		return fmt.Sprintf("%.0f", ohm)
	}
	return fmt.Sprintf("%.2f", ohm)
}

// Hz writes a measured frequency with three significant digits.
func Hz(hz float64) string {
	if hz >= 999.5 {
		return Digits(hz/1000, 3) + " kHz"
	}
	return Digits(hz, 3) + " Hz"
}

// LimitHz writes a frequency that somebody chose: Hz without trailing zeros.
func LimitHz(hz float64) string {
	digits, unit, _ := strings.Cut(Hz(hz), " ")
	if strings.Contains(digits, ".") {
		digits = strings.TrimRight(strings.TrimRight(digits, "0"), ".")
	}
	return digits + " " + unit
}

// Percent writes a part of a whole with three significant digits.
func Percent(part float64) string { return Digits(100*part, 3) + " %" }

// Stated writes a part of a whole that somebody chose, such as a tolerance:
// Percent without trailing zeros.
func Stated(part float64) string {
	digits, _, _ := strings.Cut(Percent(part), " ")
	if strings.Contains(digits, ".") {
		digits = strings.TrimRight(strings.TrimRight(digits, "0"), ".")
	}
	return digits + " %"
}

// Rest writes a part of a whole that should be small with two significant
// digits.
func Rest(part float64) string {
	if part < 1e-5 {
		return "less than 0.001 %"
	}
	return Digits(100*part, 2) + " %"
}

// Probability writes one, which is never called certain.
func Probability(p float64) string {
	switch {
	case p >= 0.9995:
		return "> 99.9 %"
	case p < 0.0005:
		return "< 0.1 %"
	case p >= 0.1:
		return fmt.Sprintf("%.0f %%", 100*p)
	}
	return fmt.Sprintf("%.1f %%", 100*p)
}

// List writes words as a sentence has them: "a, b and c".
func List(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " and " + words[last]
}

// CopperPerKelvin is by what part of itself the resistance of copper rises with
// each kelvin above 20 C (IEC 60028).
const CopperPerKelvin = 0.00393
