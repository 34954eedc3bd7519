package main

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"tapload/measure/oneline"
	"tapload/measure/quantity"
)

// The types below are flags that read what people write ("1%", "20k", "1,2")
// and keep SI units.

// hertz is a frequency flag: "50", "20k", "20kHz", "20000 Hz".
type hertz float64

func (h *hertz) Set(s string) error { return setQuantity((*float64)(h), s, quantity.Hertz) }
func (h *hertz) Type() string       { return "hz" }
func (h *hertz) String() string     { return quantity.Plain(float64(*h)) }

// sampleRate is a flag for a sample rate, which is a whole number: "48000", "44.1k".
type sampleRate int

func (r *sampleRate) Set(s string) error {
	var v float64
	err := setNumber(&v, s, quantity.Hertz, func(v float64) bool { return v == math.Trunc(v) && v >= 0 && v <= math.MaxInt32 }, "must be a whole number of Hz, such as 48000 or 44.1k")
	if err == nil {
		*r = sampleRate(v)
	}
	return err
}
func (r *sampleRate) Type() string   { return "hz" }
func (r *sampleRate) String() string { return strconv.Itoa(int(*r)) }

// ohms is a resistance flag: "10", "10 ohm", "1k".
type ohms float64

func (o *ohms) Set(s string) error { return setQuantity((*float64)(o), s, quantity.Ohm) }
func (o *ohms) Type() string       { return "ohm" }
func (o *ohms) String() string     { return quantity.Plain(float64(*o)) }

// volts is a voltage flag: "2", "1.23 V".
type volts float64

func (v *volts) Set(s string) error { return setQuantity((*float64)(v), s, quantity.Volt) }
func (v *volts) Type() string       { return "volt" }
func (v *volts) String() string     { return quantity.Plain(float64(*v)) }

// seconds is a flag for a length of time: "2", "0.5 s".
type seconds float64

func (s *seconds) Set(t string) error { return setQuantity((*float64)(s), t, quantity.Second) }
func (s *seconds) Type() string       { return "s" }
func (s *seconds) String() string     { return quantity.Plain(float64(*s)) }

func setQuantity(to *float64, s string, unit quantity.Unit) error {
	v, err := parseQuantity(s, unit)
	if err == nil {
		*to = v
	}
	return err
}

// What is above 0 is at least and at most this: beyond it numbers are slips, and what
// is worked out with them may leave what a computer counts with.
const (
	leastQuantity = 1e-9
	mostQuantity  = 1e12
)

// parseQuantity reads a number above 0 as unit.Read does.
func parseQuantity(s string, unit quantity.Unit) (float64, error) {
	of, example := "", "0.5"
	if unit.String() != "" {
		of, example = " of "+unit.String(), "50 or 1.5k"
	}
	var v float64
	err := setNumber(&v, s, unit, func(v float64) bool { return v > 0 }, fmt.Sprintf("must be a number%s above 0, such as %s", of, example))
	if err == nil && (v < leastQuantity || v > mostQuantity) {
		err = fmt.Errorf("must be a number%s from %g to %g", of, leastQuantity, mostQuantity)
	}
	return v, err
}

// setNumber reads a number of a unit that good likes; must says which.
func setNumber(to *float64, s string, unit quantity.Unit, good func(float64) bool, must string) error {
	v, err := unit.Read(s)
	if asked, asks := errors.AsType[quantity.Question](err); asks {
		return asked
	}
	if err != nil || !good(v) {
		return errors.New(must)
	}
	*to = v
	return nil
}

// fraction is a flag for a part of the whole, which is written with its percent
// sign: "1%". Without it "0.1" may be a tenth of a percent or a tenth.
type fraction float64

func (f *fraction) Set(s string) error {
	t, signed := strings.CutSuffix(strings.TrimSpace(s), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(t), 64)
	if asked := quantity.CommaMeant(s); err != nil && asked != nil {
		return asked
	}
	switch {
	case err != nil || !(v >= 0 && v < 100):
		return errors.New("must be a percentage with its sign, such as 1%, from 0% to below 100%")
	case !signed && v >= 1:
		return fmt.Errorf("is it %s %%? then write %[1]s%%", quantity.Plain(v))
	case !signed && v > 0:
		asPart := strconv.FormatFloat(100*v, 'g', 12, 64)
		return fmt.Errorf("%s %% or %s %%? write %[1]s%% or %[2]s%%", quantity.Plain(v), asPart)
	}
	*f = fraction(v / 100)
	return nil
}
func (f *fraction) Type() string   { return "percent" }
func (f *fraction) String() string { return strconv.FormatFloat(100*float64(*f), 'g', 4, 64) + "%" }

// decibel is a level flag relative to full scale: "-12".
type decibel float64

func (d *decibel) Set(s string) error {
	return setNumber((*float64)(d), s, quantity.Decibel, func(v float64) bool { return v <= 0 && v >= -120 }, "must be a level in dB from -120 to 0, where 0 is full scale")
}
func (d *decibel) Type() string      { return "dB" }
func (d *decibel) String() string    { return quantity.Plain(float64(*d)) }
func (d decibel) fraction() float64  { return math.Pow(10, float64(d)/20) }
func toDecibel(peak float64) float64 { return 20 * math.Log10(peak) }

// mostLevels is how many levels a series may have: as many as a picture keeps
// apart.
const mostLevels = 7

// levels is a flag for one level or a series of them, the quietest first
// however they were given: "-12", "-30,-20,-10".
type levels []decibel

func (l *levels) Set(s string) error {
	var all levels
	for part := range strings.SplitSeq(s, ",") {
		var one decibel
		if err := one.Set(part); err != nil {
			if asked := quantity.CommaMeant(s); asked != nil { // and no list, perhaps
				return fmt.Errorf("%w; %w", err, asked)
			}
			return err
		}
		if slices.Contains(all, one) {
			return fmt.Errorf("has the level %s dB twice", quantity.Plain(float64(one)))
		}
		all = append(all, one)
	}
	if len(all) > mostLevels {
		return fmt.Errorf("has %d levels; a series has %d at most", len(all), mostLevels)
	}
	slices.Sort(all)
	*l = all
	return nil
}
func (l *levels) Type() string { return "dB" }
func (l *levels) String() string {
	var parts []string
	for _, one := range *l {
		parts = append(parts, one.String())
	}
	return strings.Join(parts, ",")
}

// inputs is a flag for the two inputs that hear V1 and V2: "1,2".
type inputs [2]int

func (in *inputs) Set(s string) error {
	bad := errors.New("must name two different inputs, counted from 1, such as 1,2 or 3,4")
	a, b, ok := strings.Cut(s, ",")
	v1, err1 := strconv.Atoi(strings.TrimSpace(a))
	v2, err2 := strconv.Atoi(strings.TrimSpace(b))
	if !ok || err1 != nil || err2 != nil || v1 < 1 || v2 < 1 || v1 == v2 {
		return bad
	}
	*in = inputs{v1, v2}
	return nil
}
func (in *inputs) Type() string   { return "v1,v2" }
func (in *inputs) String() string { return fmt.Sprintf("%d,%d", in[0], in[1]) }

// nameList is a flag for a list of names: "jig,level". Given again it adds to them.
type nameList []string

func (n *nameList) Set(s string) error {
	for part := range strings.SplitSeq(s, ",") {
		*n = append(*n, strings.TrimSpace(part))
	}
	return nil
}
func (n *nameList) Type() string   { return "values" }
func (n *nameList) String() string { return strings.Join(*n, ",") }

// taps is a flag for a list of resistances: "4,8,16".
type taps []float64

func (t *taps) Set(s string) error {
	var list taps
	for _, part := range strings.Split(s, ",") {
		ohm, unread := quantity.Ohm.Read(part)
		_, asks := errors.AsType[quantity.Question](unread)
		if !asks && (unread != nil || !(ohm > 0)) {
			return errors.New("must be a list of ohms above 0, such as 4,8,16")
		}
		v, err := parseQuantity(part, quantity.Ohm)
		if err != nil {
			return err
		}
		list = append(list, v)
	}
	*t = list
	return nil
}
func (t *taps) Type() string { return "ohm,..." }
func (t *taps) String() string {
	parts := make([]string, len(*t))
	for i, v := range *t {
		parts[i] = quantity.Plain(v)
	}
	return strings.Join(parts, ",")
}

// pairs is a flag for a number above 0 for each of several loads: "a=30,b=60".
type pairs struct {
	unit quantity.Unit
	of   map[string]float64 // by the load's name
}

func (p *pairs) Set(s string) error {
	must := fmt.Sprintf("must be NAME=%s for each load, such as a=8,b=16", strings.ToUpper(p.takes()))
	of, err := withNamed(p.of, s, must, func(s string) (float64, error) { return parseQuantity(s, p.unit) })
	if err == nil {
		p.of = of
	}
	return err
}
func (p *pairs) Type() string { return "name=" + p.takes() + ",..." }

// takes is what the help has in the place of a number.
func (p *pairs) takes() string { return strings.ToLower(cmp.Or(p.unit.String(), "n")) }
func (p *pairs) String() string {
	return strings.Join(listNamed(p.of), ",")
}

// withNamed returns have with the numbers that s names, "a=30,b=60". must says
// how to write them.
func withNamed(have map[string]float64, s, must string, read func(string) (float64, error)) (map[string]float64, error) {
	of := maps.Clone(have)
	if of == nil {
		of = map[string]float64{}
	}
	for _, part := range strings.Split(s, ",") {
		i := strings.LastIndex(part, "=")
		if i < 1 {
			return nil, errors.New(must)
		}
		name := strings.TrimSpace(part[:i])
		if err := oneline.Check(name); err != nil {
			return nil, fmt.Errorf("has a name that %w", err)
		}
		v, err := read(part[i+1:])
		if err != nil {
			return nil, fmt.Errorf("%s %w", name, err)
		}
		if _, twice := of[name]; twice {
			return nil, fmt.Errorf("names %s twice", name)
		}
		of[name] = v
	}
	return of, nil
}

func listNamed(of map[string]float64) []string {
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(of)) {
		parts = append(parts, name+"="+quantity.Plain(of[name]))
	}
	return parts
}

// amount is a flag for a number above 0 in a unit of its own: "10", "10 g".
type amount struct {
	value float64
	unit  quantity.Unit
	kind  string // of a number without a unit, for the help
}

func (a *amount) Set(s string) error { return setQuantity(&a.value, s, a.unit) }
func (a *amount) Type() string       { return cmp.Or(a.kind, a.unit.String()) }
func (a *amount) String() string {
	if a.value == 0 {
		return ""
	}
	return quantity.Plain(a.value)
}
