package record

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"slices"
	"strconv"
	"strings"
	"time"

	"tapload/measure/exactjson"
	"tapload/measure/impedance"
	"tapload/measure/infile"
	"tapload/measure/oneline"
)

// WriteTouchstone writes the curve of r as a one-port Touchstone 2.0 file
// (IBIS Open Forum) of impedances in ohm, real and imaginary part. The format
// has no place for uncertainties; the record has them.
func (r Record) WriteTouchstone(w io.Writer) error {
	if err := r.check(); err != nil {
		return err
	}
	var b bytes.Buffer
	// Quoting keeps a label on its line and in ASCII, as the format demands.
	fmt.Fprintf(&b, "! %+q\n", r.Label)
	fmt.Fprintf(&b, "! taken %s; uncertainties are in the sweep record only\n", r.Taken.Format(time.RFC3339))
	fmt.Fprintf(&b, "[Version] 2.0\n# Hz Z RI R 50\n[Number of Ports] 1\n[Number of Frequencies] %d\n[Reference] 50\n[Network Data]\n", len(r.Curve.Points))
	for _, p := range r.Curve.Points {
		fmt.Fprintf(&b, "%s %s %s\n", number(p.Hz), number(real(p.Z)), number(imag(p.Z)))
	}
	b.WriteString("[End]\n")
	_, err := w.Write(b.Bytes())
	return err
}

// ReadTouchstone reads a one-port Touchstone file, version 1.x, 2.0 or 2.1
// (IBIS Open Forum), of impedances: parameter Z, in any unit of frequency and
// any form of number. In version 1.x an impedance is divided by the reference
// of the option line and is multiplied by it here; in 2.x it is in ohm.
//
// The format carries no uncertainty, so Noise is 0 and means unknown. What is
// not in the standard, not a one-port impedance or not fit for a Curve is an
// error that names the line.
func ReadTouchstone(r io.Reader) (impedance.Curve, error) {
	data, err := infile.Read(r, exactjson.MostBytes)
	if err != nil {
		return impedance.Curve{}, err
	}
	if err := infile.Narrow(data); err != nil {
		return impedance.Curve{}, err
	}
	text := strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(string(infile.Unmarked(data)))
	t := touchstone{frequencies: -1}
	for i, line := range strings.Split(text, "\n") {
		content, _, _ := strings.Cut(line, "!")
		if content = strings.TrimSpace(content); content == "" {
			continue
		}
		if err := t.line(content); err != nil {
			return impedance.Curve{}, fmt.Errorf("line %d: %w", i+1, err)
		}
	}
	return t.curve()
}

// touchstone is a file while it is read, line by line.
type touchstone struct {
	version string // "" for 1.x, which has no keywords
	options *tsOptions
	section tsSection

	seen        []string // keywords, to find repeated ones
	ports       bool     // [Number of Ports] was there
	frequencies int      // of [Number of Frequencies]; -1 when absent
	references  bool     // the value of [Reference] is still to come
	points      []impedance.Point
}

// tsSection says what the next line may be.
type tsSection int

const (
	tsHeader tsSection = iota
	tsInformation
	tsData
	tsEnded
)

// line takes in a line without its comment.
func (t *touchstone) line(s string) error {
	switch {
	case t.section == tsEnded:
		return fmt.Errorf("%s comes after [End]", oneline.Quote(s))
	case t.section == tsInformation && !strings.EqualFold(s, "[End Information]"):
		return nil
	case s[0] == '[':
		return t.keyword(s)
	case t.references:
		return t.reference(s)
	case s[0] == '#':
		if t.options != nil {
			return fmt.Errorf("a second option line %s; there must be one", oneline.Quote(s))
		}
		o, err := parseOptions(s[1:])
		t.options = &o
		return err
	case t.options == nil:
		return fmt.Errorf("%s comes before the option line, such as # Hz Z RI R 50", oneline.Quote(s))
	case t.version != "" && t.section != tsData:
		return fmt.Errorf("%s comes before [Network Data]", oneline.Quote(s))
	default:
		return t.data(s)
	}
}

// keyword takes in a line such as "[Number of Ports] 1".
func (t *touchstone) keyword(s string) error {
	name, value, closed := strings.Cut(s[1:], "]")
	name, value = strings.ToLower(strings.Join(strings.Fields(name), " ")), strings.TrimSpace(value)
	shown := strings.Trim(oneline.Quote(name), `"`)
	switch {
	case !closed:
		return fmt.Errorf("keyword %s has no closing bracket", oneline.Quote(s))
	case slices.Contains(t.seen, name):
		return fmt.Errorf("keyword [%s] is there twice", shown)
	case name != "version" && t.version == "":
		return fmt.Errorf("keyword [%s] comes before [Version]; a version 1 file has no keywords", shown)
	case t.references:
		return fmt.Errorf("keyword [%s] comes where the value of [Reference] is expected", shown)
	case name != "version" && t.options == nil:
		return fmt.Errorf("keyword [%s] comes before the option line, such as # Hz Z RI R 50", shown)
	case t.section == tsData && name != "end":
		return fmt.Errorf("keyword [%s] in the network data; only [End] may follow it in a one-port file", shown)
	}
	t.seen = append(t.seen, name)
	switch name {
	case "version":
		switch {
		case t.options != nil:
			return fmt.Errorf("[Version] must come before everything but comments")
		case value != "2.0" && value != "2.1":
			return fmt.Errorf("version %s is unknown; 1.x (without keywords), 2.0 and 2.1 are read", oneline.Quote(value))
		}
		t.version = value
	case "number of ports":
		if value != "1" {
			return fmt.Errorf("%s ports; an impedance curve is a one-port", oneline.Quote(value))
		}
		t.ports = true
	case "number of frequencies":
		n, err := strconv.Atoi(value)
		if err != nil || n < 1 {
			return fmt.Errorf("number of frequencies %s is not a whole number above 0", oneline.Quote(value))
		}
		t.frequencies = n
	case "reference":
		t.references = true
		if value != "" {
			return t.reference(value)
		}
	case "matrix format":
		if !slices.Contains([]string{"full", "lower", "upper"}, strings.ToLower(value)) {
			return fmt.Errorf("matrix format %s is not Full, Lower or Upper", oneline.Quote(value))
		}
	case "begin information":
		t.section = tsInformation
	case "end information":
		if t.section != tsInformation {
			return fmt.Errorf("[End Information] without [Begin Information]")
		}
		t.section = tsHeader
	case "network data":
		switch {
		case !t.ports:
			return fmt.Errorf("[Network Data] comes before [Number of Ports]")
		case t.frequencies < 0:
			return fmt.Errorf("[Network Data] comes before [Number of Frequencies]")
		}
		t.section = tsData
	case "end":
		if t.section != tsData {
			return fmt.Errorf("[End] comes before [Network Data]")
		}
		t.section = tsEnded
	default:
		return fmt.Errorf("keyword [%s] is not known in a one-port file", shown)
	}
	return nil
}

// reference takes in the value of [Reference], which may stand on the next
// line. Impedances of version 2 are in ohm and do not need it.
func (t *touchstone) reference(s string) error {
	t.references = false
	if x, err := tsNumber(s); err != nil || x <= 0 {
		return fmt.Errorf("reference %s is not one number of ohms above 0", oneline.Quote(s))
	}
	return nil
}

// data takes in a line of network data.
func (t *touchstone) data(s string) error {
	words := strings.Fields(s)
	if len(words) != 3 {
		return fmt.Errorf("%d values; one-port data is a frequency and two values a line", len(words))
	}
	var v [3]float64
	for i, w := range words {
		x, err := tsNumber(w)
		if err != nil {
			return err
		}
		v[i] = x
	}
	z, err := t.options.form.impedance(v[1], v[2])
	if err != nil {
		return err
	}
	if t.version == "" {
		z *= complex(t.options.ohm, 0)
	}
	p := impedance.Point{Hz: v[0] * t.options.unitHz, Z: z}
	switch n := len(t.points); {
	case !finite(p.Hz) || p.Hz <= 0:
		return fmt.Errorf("frequency %v Hz must be finite and above 0; take the line out", p.Hz)
	case n > 0 && p.Hz <= t.points[n-1].Hz:
		return fmt.Errorf("frequency %v Hz must be above the one before it, %v Hz", p.Hz, t.points[n-1].Hz)
	}
	if err := p.Check(); err != nil {
		return err
	}
	t.points = append(t.points, p)
	return nil
}

// curve returns what was read, or an error for what was left out.
func (t *touchstone) curve() (impedance.Curve, error) {
	switch {
	case t.options == nil:
		return impedance.Curve{}, fmt.Errorf("not a Touchstone file: no option line, such as # Hz Z RI R 50")
	case t.version != "" && t.section != tsEnded:
		return impedance.Curve{}, fmt.Errorf("the file ends before [End]")
	case len(t.points) == 0:
		return impedance.Curve{}, fmt.Errorf("the file has no network data")
	case t.version != "" && t.frequencies != len(t.points):
		return impedance.Curve{}, fmt.Errorf("[Number of Frequencies] is %d but there are %d lines of network data", t.frequencies, len(t.points))
	}
	return impedance.Curve{Points: t.points}, tooMany(len(t.points))
}

// tsOptions is the option line.
type tsOptions struct {
	unitHz float64
	form   tsForm
	ohm    float64
}

// tsForm is the form of a complex number.
type tsForm string

const (
	tsRI tsForm = "ri" // real and imaginary part
	tsMA tsForm = "ma" // magnitude and angle in degrees
	tsDB tsForm = "db" // 20 log10 of the magnitude, and angle in degrees
)

// impedance returns the complex number of form f with parts a and b.
func (f tsForm) impedance(a, b float64) (complex128, error) {
	switch {
	case f == tsRI:
		return complex(a, b), nil
	case f == tsDB:
		a = math.Pow(10, a/20)
	case a < 0:
		return 0, fmt.Errorf("magnitude %v is below 0", a)
	}
	return cmplx.Rect(a, b*math.Pi/180), nil
}

// parseOptions reads the option line after its #. Parts left out take the
// defaults of the standard: GHz, S, MA, R 50.
func parseOptions(s string) (tsOptions, error) {
	o := tsOptions{unitHz: 1e9, form: tsMA, ohm: 50}
	parameter := ""
	seen := map[string]bool{}
	once := func(part string) error {
		if seen[part] {
			return fmt.Errorf("option line gives the %s twice", part)
		}
		seen[part] = true
		return nil
	}
	words := strings.Fields(strings.ToLower(s))
	for i := 0; i < len(words); i++ {
		var err error
		switch w := words[i]; w {
		case "hz", "khz", "mhz", "ghz":
			err = once("unit of frequency")
			o.unitHz = map[string]float64{"hz": 1, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}[w]
		case "s", "y", "z", "g", "h":
			err = once("parameter")
			parameter = w
		case "ri", "ma", "db":
			err = once("form of numbers")
			o.form = tsForm(w)
		case "r":
			if err = once("reference"); err != nil {
				break
			}
			if i++; i == len(words) {
				return o, fmt.Errorf("option line ends after R; a number of ohms must follow")
			}
			if o.ohm, err = tsNumber(words[i]); err == nil && o.ohm <= 0 {
				err = fmt.Errorf("option line: reference %v ohm must be above 0", o.ohm)
			}
		default:
			err = fmt.Errorf("option line: %s is not a unit of frequency, a parameter, a form of numbers or R", oneline.Quote(w))
		}
		if err != nil {
			return o, err
		}
	}
	switch parameter {
	case "z":
		return o, nil
	case "":
		return o, fmt.Errorf("option line names no parameter, which means S; only Z is read")
	default:
		return o, fmt.Errorf("option line: parameter %s is not read, only Z", strings.ToUpper(parameter))
	}
}

// tsNumber reads a decimal number. ParseFloat alone would also take names such
// as inf and nan, hexadecimal digits and underscores.
func tsNumber(s string) (float64, error) {
	if strings.Trim(s, "0123456789+-.eE") == "" {
		if x, err := strconv.ParseFloat(s, 64); err == nil {
			return x, nil
		}
	}
	return 0, fmt.Errorf("%s is not a finite decimal number", oneline.Quote(s))
}
