package quantity

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Unit is what a number counts, as people write it behind the number.
type Unit struct {
	name  string   // for sentences
	exact []string // letter for letter
	loose []string // in any letters, small or capital, as those of exact are too
	code  bool     // resistors are marked with it: 4R7, 4k7 (IEC 60062, from memory)
}

// The units of what people type. Count is a plain number.
var (
	Count      = Unit{}
	Ohm        = Unit{name: "ohm", exact: []string{"ohm", "Ohm", "ohms", "Ohms", "\u03a9", "\u2126"}, code: true} // capital omega, and the sign that older keyboards have
	Hertz      = Unit{name: "Hz", exact: []string{"Hz"}, loose: []string{"hertz"}}
	Volt       = Unit{name: "V", exact: []string{"V"}, loose: []string{"volt", "volts"}}
	Watt       = Unit{name: "W", exact: []string{"W"}, loose: []string{"watt", "watts"}}
	Second     = Unit{name: "s", exact: []string{"s"}, loose: []string{"sec", "second", "seconds"}}
	Metre      = Unit{name: "m", exact: []string{"m"}, loose: []string{"metre", "metres", "meter", "meters"}}
	Millimetre = Unit{name: "mm", exact: []string{"mm"}}
	Gram       = Unit{name: "g", exact: []string{"g"}, loose: []string{"gram", "grams"}}
	Litre      = Unit{name: "l", exact: []string{"l", "L"}, loose: []string{"litre", "litres", "liter", "liters"}}
	Kelvin     = Unit{name: "K", exact: []string{"K"}, loose: []string{"kelvin"}}
	Decibel    = Unit{name: "dB", exact: []string{"dB", "dBFS"}}
	Percentage = Unit{name: "percent", exact: []string{"%"}, loose: []string{"percent"}}
	Times      = Unit{exact: []string{"x"}}
)

// String returns the unit as a sentence has it; "" for Count.
func (u Unit) String() string { return u.name }

var errNoNumber = errors.New("is no number")

// Read reads a number of u, finite or beyond all bounds (as Inf), with or without the
// unit behind it: "8", "8 ohm", "20 kHz", "20k". K stands for a thousand however it is
// written; m and M stand for what they do in the SI, a thousandth and a million, where
// the unit stands behind them as the SI writes it. An error that asks back, where m
// could be either or a comma could be a point, is a Question.
func (u Unit) Read(s string) (float64, error) {
	t := strings.Replace(strings.TrimSpace(s), "\u2212", "-", 1) // a true minus sign
	if u.code {
		if v, is := u.marked(t); is {
			return v, nil
		}
	}
	if v, err := strconv.ParseFloat(t, 64); err == nil && math.IsInf(v, 0) { // by its name
		return v, nil
	}
	end := numberEnd(t)
	v, err := strconv.ParseFloat(t[:end], 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return 0, u.refused(s)
	}
	behind := strings.TrimSpace(t[end:])
	if behind == "" || u.is(behind) {
		return v, nil
	}
	prefix, unit := behind[:1], strings.TrimSpace(behind[1:])
	switch {
	case (prefix == "k" || prefix == "K") && (unit == "" || u.is(unit)):
		return 1e3 * v, nil
	case u.name == "" || prefix != "m" && prefix != "M" || unit != "" && !u.is(unit):
		return 0, u.refused(s)
	case !slices.Contains(u.exact, unit):
		return 0, Question(fmt.Sprintf("do you mean %s or %s %s?", Plain(v/1e3), Plain(1e6*v), u.name))
	case prefix == "m":
		return v / 1e3, nil
	}
	return 1e6 * v, nil
}

// refused is the error for what is no number of u.
func (u Unit) refused(s string) error {
	if asked := CommaMeant(s); asked != nil {
		return asked
	}
	return errNoNumber
}

// is tells whether s is how people write the unit. M alone could be a million too.
func (u Unit) is(s string) bool {
	same := func(name string) bool { return strings.EqualFold(s, name) }
	return slices.Contains(u.exact, s) || s != "M" && (slices.ContainsFunc(u.exact, same) || slices.ContainsFunc(u.loose, same))
}

// marked reads what is printed on a resistor, with the letter in the place of the
// decimal point.
func (u Unit) marked(t string) (float64, bool) {
	for _, name := range u.exact {
		t = strings.TrimSpace(strings.TrimSuffix(t, name))
	}
	at := strings.IndexAny(t, "RrKk")
	if at < 0 {
		return 0, false
	}
	before, after, scale := t[:at], t[at+1:], 1.0
	if t[at] == 'k' || t[at] == 'K' {
		scale = 1e3
	}
	digits := func(s string) bool { return strings.Trim(s, "0123456789") == "" }
	if before+after == "" || !digits(before) || !digits(after) || scale > 1 && (before == "" || after == "") {
		return 0, false
	}
	v, err := strconv.ParseFloat(before+"."+after, 64)
	return scale * v, err == nil
}

// numberEnd returns where the decimal number ends that t begins with, 0 where it begins
// with none.
func numberEnd(t string) int {
	at := 0
	skip := func(of string) (n int) {
		for at < len(t) && strings.IndexByte(of, t[at]) >= 0 {
			at, n = at+1, n+1
		}
		return n
	}
	sign := func() {
		if at < len(t) && (t[at] == '+' || t[at] == '-') {
			at++
		}
	}
	const digits = "0123456789"
	sign()
	n := skip(digits)
	if at < len(t) && t[at] == '.' {
		at++
		n += skip(digits)
	}
	if n == 0 {
		return 0
	}
	if mantissa := at; at < len(t) && (t[at] == 'e' || t[at] == 'E') {
		at++
		sign()
		if skip(digits) == 0 {
			at = mantissa
		}
	}
	return at
}
