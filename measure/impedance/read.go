package impedance

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"unicode/utf8"
)

// ReadRecord reads a record that Write wrote. It is strict: a text that is not
// JSON, another format or version, an unknown, missing or repeated key, arrays
// of unequal length, a number that is not finite, a frequency that does not
// rise, an uncertainty below 0 and anything after the record is an error that
// names the place. Array indices and points count from 0.
func ReadRecord(r io.Reader) (Record, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return Record{}, err
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return Record{}, errors.New("the file is empty; a sweep record was expected")
	}
	if !utf8.Valid(data) {
		return Record{}, fmt.Errorf("line %d: not UTF-8 text; a sweep record was expected", lineAt(data, invalidUTF8(data)))
	}
	// The head goes first, so that a record of a later version is told by its
	// version and not by the keys that this one does not know.
	if err := checkHead(data); err != nil {
		return Record{}, err
	}
	return decodeRecord(data)
}

func invalidUTF8(data []byte) int {
	at := 0
	for at < len(data) {
		r, n := utf8.DecodeRune(data[at:])
		if r == utf8.RuneError && n == 1 {
			break
		}
		at += n
	}
	return at
}

func lineAt(data []byte, offset int) int { return 1 + bytes.Count(data[:offset], []byte("\n")) }

// checkHead returns an error when data is JSON of another format or version.
// What is not a JSON object is left to the full reading, which knows the place.
func checkHead(data []byte) error {
	var head map[string]json.RawMessage
	if json.Unmarshal(data, &head) != nil {
		return nil
	}
	var format string
	raw, ok := head[keyFormat]
	switch {
	case !ok:
		return fmt.Errorf("not a sweep record: key %q is missing", keyFormat)
	case json.Unmarshal(raw, &format) != nil || format != RecordFormat:
		return fmt.Errorf("%s %s is not %q; a sweep record was expected", keyFormat, showJSON(raw), RecordFormat)
	}
	raw, ok = head[keyVersion]
	switch {
	case !ok:
		return fmt.Errorf("key %q is missing", keyVersion)
	case string(raw) != strconv.Itoa(RecordVersion):
		return fmt.Errorf("%s %s is unknown; this program reads version %d", keyVersion, showJSON(raw), RecordVersion)
	}
	return nil
}

// columns are the arrays of a record as the file holds them.
type columns struct {
	hz, r, x, ur, ux, cov []float64
	shared                []sharedColumns
}

type sharedColumns struct {
	id     string
	dr, dx []float64
}

func decodeRecord(data []byte) (Record, error) {
	var r Record
	var c columns
	s := newScan(data)
	err := s.object("", []field{
		{key: keyFormat, read: s.skip},
		{key: keyVersion, read: s.skip},
		{key: keyLabel, read: s.text(&r.Label)},
		{key: keyTaken, read: s.time(&r.Taken)},
		{key: keySignal, read: s.law(&r.Signal)},
		{key: keySense, read: s.number(&r.SenseOhm)},
		{key: keyJig, read: func(place string) error {
			return s.orNull(place, func() error {
				r.Jig = &JigNote{}
				return s.object(place, []field{
					{key: keyID, read: s.text(&r.Jig.ID)},
					{key: keyTaken, read: s.time(&r.Jig.Taken)},
					{key: keyStandards, read: s.list(func(place string) error {
						r.Jig.Standards = append(r.Jig.Standards, "")
						return s.text(&r.Jig.Standards[len(r.Jig.Standards)-1])(place)
					})},
				})
			})
		}},
		{key: keyHz, read: s.numbers(&c.hz)},
		{key: keyR, read: s.numbers(&c.r)},
		{key: keyX, read: s.numbers(&c.x)},
		{key: keyUR, read: s.numbers(&c.ur)},
		{key: keyUX, read: s.numbers(&c.ux)},
		{key: keyCov, read: s.numbers(&c.cov), optional: true},
		{key: keyCoherence, read: s.numbers(&r.Coherence), optional: true},
		{key: keyDrive, read: func(place string) error {
			r.Drive = &Drive{}
			return s.object(place, []field{
				{key: keyRMS, read: s.number(&r.Drive.RMSVolt)},
				{key: keyPeakVolt, read: s.number(&r.Drive.PeakVolt)},
				{key: keyWatt, read: s.number(&r.Drive.Watt), optional: true},
			})
		}, optional: true},
		{key: keyDistortion, read: func(place string) error {
			d, err := s.distortion(place)
			r.Distortion = &d
			return err
		}, optional: true},
		{key: keyShared, read: s.list(func(place string) error {
			c.shared = append(c.shared, sharedColumns{})
			sh := &c.shared[len(c.shared)-1]
			return s.object(place, []field{
				{key: keyID, read: s.text(&sh.id)},
				{key: keyDR, read: s.numbers(&sh.dr)},
				{key: keyDX, read: s.numbers(&sh.dx)},
			})
		})},
		{key: keyWarnings, read: s.list(func(place string) error {
			r.Warnings = append(r.Warnings, Warning{})
			w := &r.Warnings[len(r.Warnings)-1]
			return s.object(place, []field{
				{key: keyCode, read: s.text(&w.Code)},
				{key: keyText, read: s.text(&w.Text)},
				{key: keyBands, read: s.list(func(place string) error {
					var ends []float64
					if err := s.numbers(&ends)(place); err != nil {
						return err
					}
					if len(ends) != 2 {
						return fmt.Errorf("%s: a band is two numbers, its lowest and its highest frequency, not %d", place, len(ends))
					}
					w.Hz = append(w.Hz, Band{ends[0], ends[1]})
					return nil
				}), optional: true},
			})
		})},
	})
	if err != nil {
		return Record{}, err
	}
	if err := s.end(); err != nil {
		return Record{}, err
	}
	if r.Curve, err = c.curve(); err != nil {
		return Record{}, err
	}
	if err := r.check(); err != nil {
		return Record{}, err
	}
	return r, nil
}

// curve joins the columns, or names the first two that do not fit together.
func (c columns) curve() (Curve, error) {
	n := len(c.hz)
	if n == 0 {
		return Curve{}, fmt.Errorf("%s is empty; a record holds at least one point", keyHz)
	}
	if c.cov == nil {
		c.cov = make([]float64, n)
	}
	sameLength := func(key string, values []float64) error {
		if len(values) != n {
			return fmt.Errorf("%s has %d values and %s has %d; they must be equally long", key, len(values), keyHz, n)
		}
		return nil
	}
	for _, col := range []struct {
		key    string
		values []float64
	}{{keyR, c.r}, {keyX, c.x}, {keyUR, c.ur}, {keyUX, c.ux}, {keyCov, c.cov}} {
		if err := sameLength(col.key, col.values); err != nil {
			return Curve{}, err
		}
	}

	curve := Curve{Points: make([]Point, n)}
	for i := range curve.Points {
		rr, err := square(keyUR, i, c.ur[i])
		if err != nil {
			return Curve{}, err
		}
		ii, err := square(keyUX, i, c.ux[i])
		if err != nil {
			return Curve{}, err
		}
		curve.Points[i] = Point{Hz: c.hz[i], Z: complex(c.r[i], c.x[i]), Noise: Cov{RR: rr, RI: c.cov[i], II: ii}}
	}
	for i, sh := range c.shared {
		place := fmt.Sprintf("%s[%d].", keyShared, i)
		if err := sameLength(place+keyDR, sh.dr); err != nil {
			return Curve{}, err
		}
		if err := sameLength(place+keyDX, sh.dx); err != nil {
			return Curve{}, err
		}
		dz := make([]complex128, n)
		for k := range dz {
			dz[k] = complex(sh.dr[k], sh.dx[k])
		}
		curve.Shared = append(curve.Shared, Source{ID: sh.id, DZ: dz})
	}
	return curve, nil
}

// square returns the variance that belongs to the standard uncertainty u. It
// refuses a u whose square is no floating-point number, which would come back
// as 0 or as infinity.
func square(key string, i int, u float64) (float64, error) {
	switch v := u * u; {
	case u < 0:
		return 0, fmt.Errorf("%s[%d]: %v ohm is below 0; a standard uncertainty is at least 0", key, i, u)
	case math.Sqrt(v) != u:
		return 0, fmt.Errorf("%s[%d]: %v ohm is too small or too large; a standard uncertainty is 0 or within 1e-150 to 1e150 ohm", key, i, u)
	default:
		return v, nil
	}
}
