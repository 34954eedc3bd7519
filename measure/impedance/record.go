package impedance

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// The format and version that Write writes and ReadRecord reads.
const (
	RecordFormat  = "tapload sweep"
	RecordVersion = 1
)

// Keys of the record file. Those of the arrays carry the unit.
const (
	keyFormat     = "format"
	keyVersion    = "version"
	keyLabel      = "label"
	keyTaken      = "taken"
	keySignal     = "signal"
	keySense      = "sense_ohm"
	keyJig        = "jig"
	keyHz         = "frequency_hz"
	keyR          = "resistance_ohm"
	keyX          = "reactance_ohm"
	keyUR         = "u_resistance_ohm"
	keyUX         = "u_reactance_ohm"
	keyCov        = "cov_noise_ohm2"
	keyShared     = "shared"
	keyDR         = "d_resistance_ohm"
	keyDX         = "d_reactance_ohm"
	keyWarnings   = "warnings"
	keyID         = "id"
	keyStandards  = "standards"
	keyCode       = "code"
	keyBands      = "hz"
	keyText       = "text"
	keyCoherence  = "coherence"
	keyDrive      = "load_level"
	keyRMS        = "rms_volt"
	keyPeakVolt   = "peak_volt"
	keyWatt       = "watt"
	keyDistortion = "distortion"
	keyOrders     = "orders"
	keyLevel      = "level_db"
	keyFloor      = "floor_db"
	keyResidual   = "residual_db"
	valuesPerLine = 5

	keyResidualFloor = "residual_floor_db"
)

// Warning is something about a measurement that its reader must be told but
// that did not stop it.
type Warning struct {
	Code string // stable, for programs: "low-level"
	Text string // one sentence, for people
	Hz   []Band // of the curve that it speaks of; nil where it speaks of all of it, or of none
}

// Band is a range of frequencies, from Low to High, in hertz.
type Band struct{ Low, High float64 }

// Equal reports whether w and v say the same.
func (w Warning) Equal(v Warning) bool {
	return w.Code == v.Code && w.Text == v.Text && slices.Equal(w.Hz, v.Hz)
}

// JigNote says which calibration the curve was corrected with.
type JigNote struct {
	ID        string
	Taken     time.Time
	Standards []string // what the calibration measured: "open", "short", "known"
}

// Drive is what stood at the load while program material was heard.
type Drive struct {
	RMSVolt  float64 // V
	PeakVolt float64 // V
	Watt     float64 // W; 0 where the curve does not cover what was played
}

// Record is a curve with all that is known of how it was measured.
type Record struct {
	Label    string
	Taken    time.Time
	Signal   json.RawMessage // law of the test signal, a JSON object; nil when there was none, as for an imported curve
	SenseOhm float64         // sense resistor; 0 when unknown
	Jig      *JigNote        // nil when uncalibrated
	Curve    Curve
	Warnings []Warning

	Coherence []float64 // of the two voltages at each point, 0 to 1; nil but for program material
	Drive     *Drive    // nil where it is not known

	Distortion *Distortion // nil where nobody asked for it
}

// check returns an error that names what in r cannot be written so that it
// reads back the same.
func (r Record) check() error {
	for _, s := range r.texts() {
		if !utf8.ValidString(s.text) {
			return fmt.Errorf("%s: %q is not valid UTF-8", s.place, s.text)
		}
		if s.text == "" && s.required {
			return fmt.Errorf("%s must not be empty", s.place)
		}
	}
	if r.SenseOhm < 0 || !finite(r.SenseOhm) {
		return fmt.Errorf("%s: %v ohm must be finite and at least 0, where 0 means unknown", keySense, r.SenseOhm)
	}
	if r.Jig != nil {
		for i, s := range r.Jig.Standards {
			if slices.Contains(r.Jig.Standards[:i], s) {
				return fmt.Errorf("%s.%s[%d]: %q is listed twice", keyJig, keyStandards, i, s)
			}
		}
	}
	if r.Coherence != nil && len(r.Coherence) != len(r.Curve.Points) {
		return fmt.Errorf("%s has %d values and %s has %d; they must be equally long", keyCoherence, len(r.Coherence), keyHz, len(r.Curve.Points))
	}
	for i, c := range r.Coherence {
		if !(c >= 0 && c <= 1) {
			return fmt.Errorf("%s[%d]: %v must be 0 to 1", keyCoherence, i, c)
		}
	}
	if d := r.Drive; d != nil {
		for _, v := range []struct {
			key   string
			value float64
		}{{keyRMS, d.RMSVolt}, {keyPeakVolt, d.PeakVolt}, {keyWatt, d.Watt}} {
			if !(v.value >= 0) || !finite(v.value) {
				return fmt.Errorf("%s.%s: %v must be finite and at least 0", keyDrive, v.key, v.value)
			}
		}
	}
	if r.Distortion != nil {
		if err := r.Distortion.Check(); err != nil {
			return err
		}
	}
	for i, w := range r.Warnings {
		for k, b := range w.Hz {
			if !(b.Low >= 0 && b.Low <= b.High) || !finite(b.High) {
				return fmt.Errorf("%s[%d].%s[%d]: %v to %v must rise from 0 or above", keyWarnings, i, keyBands, k, b.Low, b.High)
			}
		}
	}
	return r.Curve.Check()
}

type placedText struct {
	place, text string
	required    bool
}

// texts returns every string of r that people or programs wrote.
func (r Record) texts() []placedText {
	t := []placedText{{keyLabel, r.Label, false}}
	if r.Jig != nil {
		t = append(t, placedText{keyJig + "." + keyID, r.Jig.ID, true})
		for i, s := range r.Jig.Standards {
			t = append(t, placedText{fmt.Sprintf("%s.%s[%d]", keyJig, keyStandards, i), s, true})
		}
	}
	for i, s := range r.Curve.Shared {
		t = append(t, placedText{fmt.Sprintf("%s[%d].%s", keyShared, i, keyID), s.ID, true})
	}
	for i, w := range r.Warnings {
		t = append(t,
			placedText{fmt.Sprintf("%s[%d].%s", keyWarnings, i, keyCode), w.Code, true},
			placedText{fmt.Sprintf("%s[%d].%s", keyWarnings, i, keyText), w.Text, false})
	}
	return t
}

// Write writes r as JSON that ReadRecord reads back. The same record always
// gives the same bytes. Numbers have the shortest form that reads back
// exactly, so the only loss is in the noise variances, whose square roots the
// file holds: they come back within 2 parts in 10^16. The covariance of
// resistance and reactance has its own array, cov_noise_ohm2, which is left
// out when all of it is 0; so are coherence, load_level and distortion when there
// are none.
func (r Record) Write(w io.Writer) error {
	if err := r.check(); err != nil {
		return err
	}
	b, err := r.encode()
	if err != nil {
		return err
	}
	_, err = w.Write(b)
	return err
}

func (r Record) encode() ([]byte, error) {
	taken, err := r.Taken.MarshalText()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", keyTaken, err)
	}
	law, err := compactObject(r.Signal)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", keySignal, err)
	}

	e := encoder{indent: "  "}
	e.buf.WriteString("{\n")
	e.member(keyFormat, quote(RecordFormat))
	e.member(keyVersion, strconv.Itoa(RecordVersion))
	e.member(keyLabel, quote(r.Label))
	e.member(keyTaken, quote(string(taken)))
	e.member(keySignal, orNull(law))
	e.member(keySense, number(r.SenseOhm))
	jig, err := r.Jig.encode()
	if err != nil {
		return nil, err
	}
	e.member(keyJig, jig)

	points := r.Curve.Points
	column := func(key string, value func(Point) float64) {
		e.array(key, len(points), func(i int) float64 { return value(points[i]) })
	}
	column(keyHz, func(p Point) float64 { return p.Hz })
	column(keyR, func(p Point) float64 { return real(p.Z) })
	column(keyX, func(p Point) float64 { return imag(p.Z) })
	column(keyUR, func(p Point) float64 { return math.Sqrt(p.Noise.RR) })
	column(keyUX, func(p Point) float64 { return math.Sqrt(p.Noise.II) })
	if slices.ContainsFunc(points, func(p Point) bool { return p.Noise.RI != 0 }) {
		column(keyCov, func(p Point) float64 { return p.Noise.RI })
	}
	if r.Coherence != nil {
		e.array(keyCoherence, len(r.Coherence), func(i int) float64 { return r.Coherence[i] })
	}
	if d := r.Drive; d != nil {
		text := "{" + quote(keyRMS) + ": " + number(d.RMSVolt) + ", " + quote(keyPeakVolt) + ": " + number(d.PeakVolt)
		if d.Watt > 0 {
			text += ", " + quote(keyWatt) + ": " + number(d.Watt)
		}
		e.member(keyDrive, text+"}")
	}
	if r.Distortion != nil {
		r.Distortion.encode(&e)
	}
	e.list(keyShared, len(r.Curve.Shared), func(i int) {
		s := r.Curve.Shared[i]
		e.open("{")
		e.member(keyID, quote(s.ID))
		e.array(keyDR, len(s.DZ), func(i int) float64 { return real(s.DZ[i]) })
		e.array(keyDX, len(s.DZ), func(i int) float64 { return imag(s.DZ[i]) })
		e.close("}")
	})
	e.list(keyWarnings, len(r.Warnings), func(i int) {
		w := r.Warnings[i]
		item := "{" + quote(keyCode) + ": " + quote(w.Code) + ", " + quote(keyText) + ": " + quote(w.Text)
		if len(w.Hz) > 0 {
			bands := make([]string, len(w.Hz))
			for k, b := range w.Hz {
				bands[k] = "[" + number(b.Low) + ", " + number(b.High) + "]"
			}
			item += ", " + quote(keyBands) + ": [" + strings.Join(bands, ", ") + "]"
		}
		e.item(item + "}")
	})
	e.trimComma()
	e.buf.WriteString("}\n")
	return e.buf.Bytes(), nil
}

func (j *JigNote) encode() (string, error) {
	if j == nil {
		return "null", nil
	}
	taken, err := j.Taken.MarshalText()
	if err != nil {
		return "", fmt.Errorf("%s.%s: %w", keyJig, keyTaken, err)
	}
	standards := ""
	for i, s := range j.Standards {
		if i > 0 {
			standards += ", "
		}
		standards += quote(s)
	}
	return "{" + quote(keyID) + ": " + quote(j.ID) + ", " + quote(keyTaken) + ": " + quote(string(taken)) +
		", " + quote(keyStandards) + ": [" + standards + "]}", nil
}

// encoder lays JSON out for people: members one a line, several numbers a
// line. Every item ends in a comma, which close takes away from the last.
type encoder struct {
	buf    bytes.Buffer
	indent string
}

func (e *encoder) item(text string) { e.buf.WriteString(e.indent + text + ",\n") }

func (e *encoder) member(key, value string) { e.item(quote(key) + ": " + value) }

func (e *encoder) open(text string) {
	e.buf.WriteString(e.indent + text + "\n")
	e.indent += "  "
}

func (e *encoder) close(text string) {
	e.indent = e.indent[2:]
	e.trimComma()
	e.item(text)
}

func (e *encoder) trimComma() {
	if b := e.buf.Bytes(); bytes.HasSuffix(b, []byte(",\n")) {
		e.buf.Truncate(len(b) - 2)
		e.buf.WriteByte('\n')
	}
}

func (e *encoder) array(key string, n int, value func(int) float64) {
	e.open(quote(key) + ": [")
	e.values(n, value)
	e.close("]")
}

// values writes the elements of an array of numbers.
func (e *encoder) values(n int, value func(int) float64) {
	for i := range n {
		switch {
		case i%valuesPerLine == 0:
			e.buf.WriteString(e.indent)
		default:
			e.buf.WriteByte(' ')
		}
		e.buf.WriteString(number(value(i)) + ",")
		if i%valuesPerLine == valuesPerLine-1 || i == n-1 {
			e.buf.WriteByte('\n')
		}
	}
}

func (e *encoder) list(key string, n int, item func(int)) {
	if n == 0 {
		e.member(key, "[]")
		return
	}
	e.open(quote(key) + ": [")
	for i := range n {
		item(i)
	}
	e.close("]")
}

// number returns the shortest text that reads back as x.
func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// quote returns s as a JSON string, with <, > and & left readable.
func quote(s string) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic(err) // a string always encodes
	}
	return string(bytes.TrimSuffix(b.Bytes(), []byte("\n")))
}

func orNull(raw json.RawMessage) string {
	if raw == nil {
		return "null"
	}
	return string(raw)
}

// compactObject returns raw without space between its tokens, nil for null,
// and an error for anything but null or an object.
func compactObject(raw json.RawMessage) (json.RawMessage, error) {
	if len(raw) == 0 {
		return nil, nil
	}
	var b bytes.Buffer
	if err := json.Compact(&b, raw); err != nil {
		return nil, err
	}
	switch c := b.Bytes(); {
	case string(c) == "null":
		return nil, nil
	case c[0] != '{':
		return nil, fmt.Errorf("expected an object or null, found %s", showJSON(c))
	case !utf8.Valid(c):
		return nil, fmt.Errorf("not valid UTF-8")
	default:
		return c, nil
	}
}

// showJSON returns JSON that has been parsed before, on one line and short, for
// an error message.
func showJSON(raw json.RawMessage) string {
	var b bytes.Buffer
	_ = json.Compact(&b, raw)
	return short(b.String())
}

// short cuts s to a length fit for an error message.
func short(s string) string {
	const most = 40
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most]) + "..."
}
