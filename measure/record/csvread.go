package record

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tapload/measure/exactjson"
	"tapload/measure/impedance"
	"tapload/measure/infile"
	"tapload/measure/oneline"
)

// Columns that ReadCSV understands.
const (
	keyHz       = "frequency_hz"
	keyR        = "resistance_ohm"
	keyX        = "reactance_ohm"
	keyUR       = "u_resistance_ohm"
	keyUX       = "u_reactance_ohm"
	keyModulus  = "modulus_ohm"
	keyPhase    = "phase_deg"
	keyUModulus = "u_modulus_ohm"
	keyUPhase   = "u_phase_deg"
)

var csvKnown = []string{keyHz, keyR, keyX, keyModulus, keyPhase, keyUR, keyUX, keyUModulus, keyUPhase}

// ReadCSV reads a curve as RFC 4180 text: a line of column names, then one
// line a point. Columns may have any order. There must be frequency_hz and
// either resistance_ohm and reactance_ohm or modulus_ohm and phase_deg; where
// a file has both pairs they must agree within 1 %, and the first is taken.
// Optional columns are the standard uncertainties (k = 1) u_resistance_ohm and
// u_reactance_ohm, or u_modulus_ohm and u_phase_deg, each pair taken as
// uncorrelated noise. Without them Noise is 0 and means unknown. Other columns
// are left out, among them the u_total columns of WriteCSV: a total does not
// say which part of it is noise.
//
// A byte order mark, lines that start with #, any line ending, a semicolon or a
// tab between the columns, a first line such as "sep=;" that says which, and the
// unit in words or brackets, as in "Phase (deg)", are accepted. A known quantity
// in another unit, a decimal comma, a number that is not finite and a frequency that does
// not rise are errors that name the line.
func ReadCSV(r io.Reader) (impedance.Curve, error) {
	data, err := infile.Read(r, exactjson.MostBytes)
	if err != nil {
		return impedance.Curve{}, err
	}
	if err := infile.Narrow(data); err != nil {
		return impedance.Curve{}, err
	}
	data = infile.Unmarked(data)
	if line := exactjson.BadLine(data); line > 0 {
		return impedance.Curve{}, fmt.Errorf("line %d: not valid UTF-8; save the table as plain text", line)
	}
	data = bytes.ReplaceAll(bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n")), []byte("\r"), []byte("\n"))
	data, separator, err := csvSeparator(data)
	if err != nil {
		return impedance.Curve{}, err
	}
	in := csv.NewReader(bytes.NewReader(data))
	in.Comment = '#'
	in.TrimLeadingSpace = separator != '\t' // it would take tabs with it
	in.FieldsPerRecord = -1                 // counted here, for a sentence of our own
	in.Comma = separator

	names, err := in.Read()
	if errors.Is(err, io.EOF) {
		return impedance.Curve{}, fmt.Errorf("the file has no line of column names, such as %s,%s,%s", keyHz, keyR, keyX)
	}
	if err != nil {
		return impedance.Curve{}, csvSyntax(err)
	}
	line, _ := in.FieldPos(0)
	t, err := parseCSVHead(names)
	if err != nil {
		return impedance.Curve{}, fmt.Errorf("line %d: %w", line, err)
	}
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return impedance.Curve{}, csvSyntax(err)
		}
		line, _ := in.FieldPos(0)
		if err := t.row(row); err != nil {
			return impedance.Curve{}, fmt.Errorf("line %d: %w", line, err)
		}
	}
	if len(t.points) == 0 {
		return impedance.Curve{}, errors.New("the file has column names but no points")
	}
	return impedance.Curve{Points: t.points}, tooMany(len(t.points))
}

// csvSeparator returns what stands between the names of the first line that is
// no comment: spreadsheets of countries with a decimal comma write semicolons. A
// line before it that says so is made a comment.
func csvSeparator(data []byte) (table []byte, separator rune, err error) {
	first, rest, _ := bytes.Cut(data, []byte("\n"))
	if said, ok := strings.CutPrefix(strings.ToLower(strings.Trim(string(first), `" `)), "sep="); ok {
		if said != "," && said != ";" && said != "\t" {
			return nil, 0, fmt.Errorf("line 1: %s stands between the columns; it must be a comma, a semicolon or a tab", oneline.Quote(said))
		}
		return append([]byte("#\n"), rest...), rune(said[0]), nil
	}
	for line := range bytes.Lines(data) {
		if len(bytes.TrimSpace(line)) == 0 || line[0] == '#' {
			continue
		}
		for _, other := range ";\t" {
			if bytes.ContainsRune(line, other) && !bytes.ContainsRune(line, ',') {
				return data, other, nil
			}
		}
		break
	}
	return data, ',', nil
}

func csvSyntax(err error) error {
	var p *csv.ParseError
	switch {
	case errors.Is(err, csv.ErrBareQuote) && errors.As(err, &p):
		return fmt.Errorf("line %d: not a table of comma-separated values: a value holds a \" but does not begin with one", p.Line)
	case errors.As(err, &p):
		return fmt.Errorf("line %d: not a table of comma-separated values: a value that begins with \" goes on behind its second one, or has none", p.Line)
	}
	return err
}

// csvTable is a table while it is read.
type csvTable struct {
	columns int
	at      map[string]int // of the known columns that are there
	polar   bool           // modulus and phase are the only pair
	points  []impedance.Point
}

func parseCSVHead(names []string) (*csvTable, error) {
	t := &csvTable{columns: len(names), at: map[string]int{}}
	if words := strings.Fields(strings.ToLower(names[0])); len(names) == 1 && len(words) > 1 && csvQuantity(words[0]) != "" && csvQuantity(words[1]) != "" {
		return nil, errors.New("blanks stand between the names of the columns; put commas, semicolons or tabs between all columns")
	}
	for i, name := range names {
		name = strings.ToLower(strings.TrimSpace(name))
		known := csvQuantity(name)
		if known == "" {
			continue
		}
		quantity, unit := csvUnit(known)
		given := csvUnits[strings.Trim(strings.TrimPrefix(name, quantity), "_ ()[]")]
		switch {
		case name == quantity:
			return nil, fmt.Errorf("column %s says no unit; if it is in that of %s, name it so", name, known)
		case given != unit:
			return nil, fmt.Errorf("column %s has another unit than %s; convert the column and name it so", oneline.Quote(name), known)
		}
		if _, twice := t.at[known]; twice {
			return nil, fmt.Errorf("column %s is there twice", known)
		}
		t.at[known] = i
	}
	if !t.has(keyHz) {
		return nil, fmt.Errorf("no column %s among %s; the first line must name the columns with their units", keyHz, oneline.Quote(strings.Join(names, ",")))
	}
	for _, pair := range [][2]string{{keyR, keyX}, {keyModulus, keyPhase}, {keyUR, keyUX}, {keyUModulus, keyUPhase}} {
		for i, name := range pair {
			if other := pair[1-i]; t.has(name) && !t.has(other) && (name != keyUModulus && name != keyModulus || !t.has(keyR)) {
				return nil, fmt.Errorf("column %s without %s; a complex value needs both", name, other)
			}
		}
	}
	t.polar = !t.has(keyR)
	switch {
	case t.polar && !t.has(keyModulus):
		return nil, fmt.Errorf("no impedance: the columns must include %s and %s, or %s and %s", keyR, keyX, keyModulus, keyPhase)
	case t.polar && t.has(keyUR), !t.polar && t.has(keyUPhase) && !t.has(keyUR):
		return nil, fmt.Errorf("the uncertainties are not of the columns that hold the impedance; give %s and %s with %s, or %s and %s with %s",
			keyUR, keyUX, keyR, keyUModulus, keyUPhase, keyModulus)
	}
	return t, nil
}

// csvQuantity returns the known column of the quantity that name holds, with
// the unit it should have, or "" for any other column.
func csvQuantity(name string) string {
	for _, known := range csvKnown {
		quantity, _ := csvUnit(known)
		if unit, ok := strings.CutPrefix(name, quantity); ok && (unit == "" || strings.ContainsAny(unit[:1], "_ ([")) {
			return known
		}
	}
	return ""
}

// csvUnit takes the name of a known column apart.
func csvUnit(known string) (quantity, unit string) {
	at := strings.LastIndexByte(known, '_')
	return known[:at], known[at+1:]
}

// csvUnits are the units of known columns, by what people call them, in small
// letters.
var csvUnits = map[string]string{
	"hz": "hz", "hertz": "hz",
	"ohm": "ohm", "ohms": "ohm", "ω": "ohm", // of the letter as of the ohm sign
	"deg": "deg", "degree": "deg", "degrees": "deg", "°": "deg",
}

func (t *csvTable) has(name string) bool {
	_, ok := t.at[name]
	return ok
}

// row takes in the line of one point.
func (t *csvTable) row(cells []string) error {
	if len(cells) != t.columns {
		hint := ""
		if len(cells) > t.columns {
			hint = "; numbers need a decimal point, not a comma"
		}
		return fmt.Errorf("%d values for %d columns%s", len(cells), t.columns, hint)
	}
	v := map[string]float64{}
	for _, name := range csvKnown {
		i, ok := t.at[name]
		if !ok {
			continue
		}
		x, err := csvNumber(cells[i])
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if x < 0 && (name == keyModulus || strings.HasPrefix(name, "u_")) {
			return fmt.Errorf("%s: %v is below 0", name, x)
		}
		v[name] = x
	}
	p := impedance.Point{Hz: v[keyHz]}
	switch n := len(t.points); {
	case p.Hz <= 0:
		return fmt.Errorf("%s: %v must be above 0; take the line out", keyHz, p.Hz)
	case n > 0 && p.Hz == t.points[n-1].Hz:
		return fmt.Errorf("%s: %v is repeated; leave one line for each frequency", keyHz, p.Hz)
	case n > 0 && p.Hz < t.points[n-1].Hz:
		return fmt.Errorf("%s: %v is below the one before it, %v; sort the lines by frequency", keyHz, p.Hz, t.points[n-1].Hz)
	}
	const radian = math.Pi / 180
	if t.polar {
		direction := cmplx.Rect(1, v[keyPhase]*radian)
		p.Z = complex(v[keyModulus], 0) * direction
		along, across := v[keyUModulus], v[keyModulus]*v[keyUPhase]*radian
		p.Noise = impedance.Cov{RR: along * along, II: across * across}.Times(direction)
	} else {
		p.Z = complex(v[keyR], v[keyX])
		p.Noise = impedance.Cov{RR: v[keyUR] * v[keyUR], II: v[keyUX] * v[keyUX]}
		if t.has(keyModulus) && t.has(keyPhase) {
			polar := cmplx.Rect(v[keyModulus], v[keyPhase]*radian)
			if off := cmplx.Abs(polar - p.Z); off > 0.01*cmplx.Abs(p.Z) {
				return fmt.Errorf("%s and %s disagree with %s and %s by %.2g ohm; take out the pair that is wrong", keyModulus, keyPhase, keyR, keyX, off)
			}
		}
	}
	if err := p.Check(); err != nil {
		return err
	}
	t.points = append(t.points, p)
	return nil
}

func csvNumber(s string) (float64, error) {
	s = strings.TrimSpace(s)
	x, err := tsNumber(s)
	switch {
	case err == nil:
		return x, nil
	case s == "":
		return 0, errors.New("the value is missing")
	case slices.Contains([]string{"nan", "inf", "infinity"}, strings.ToLower(strings.TrimLeft(s, "+-"))):
		return 0, fmt.Errorf("%s is not a finite number; take the line out", oneline.Short(s))
	case strings.Count(s, ",") == 1:
		return 0, fmt.Errorf("%s has a decimal comma; write a decimal point", oneline.Quote(s))
	}
	return 0, err
}
