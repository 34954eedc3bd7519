package impedance

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// scan walks a JSON text of known layout, knows where it is, and refuses what
// it does not expect. The decoder of structs in encoding/json would take
// repeated keys, keys in other letters and null for a number.
type scan struct {
	data []byte
	dec  *json.Decoder
}

// A field is a key of an object and the reading of its value. Places are
// given as people write them: "shared[0].id".
type field struct {
	key      string
	read     func(place string) error
	optional bool
}

func newScan(data []byte) *scan {
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	return &scan{data, dec}
}

// token returns the next token at place.
func (s *scan) token(place string) (json.Token, error) {
	at := s.dec.InputOffset()
	t, err := s.dec.Token()
	if err != nil {
		return nil, s.syntax(place, at, err)
	}
	return t, nil
}

// syntax returns the error for JSON that cannot be read on from an offset.
func (s *scan) syntax(place string, offset int64, err error) error {
	rest := bytes.TrimLeft(s.data[offset:], " \t\r\n,:")
	line := lineAt(s.data, len(s.data)-len(rest))
	if place == "" {
		place = "record"
	}
	if len(rest) == 0 || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("line %d: %s: the file ends in the middle", line, place)
	}
	word := string(rest)
	if end := strings.IndexAny(word[1:], " \t\r\n,:[]{}\""); end >= 0 {
		word = word[:1+end]
	}
	switch strings.ToLower(strings.TrimLeft(word, "+-")) {
	case "nan", "inf", "infinity":
		return fmt.Errorf("line %d: %s: %s is not a finite number", line, place, word)
	}
	return fmt.Errorf("line %d: %s: not JSON at %s: %w", line, place, strconv.Quote(short(word)), err)
}

// object reads an object that has each of the fields once, in any order.
func (s *scan) object(place string, fields []field) error {
	if err := s.delim(place, '{', "an object"); err != nil {
		return err
	}
	seen := make(map[string]bool, len(fields))
	for s.dec.More() {
		t, err := s.token(place)
		if err != nil {
			return err
		}
		key, ok := t.(string)
		if !ok {
			return fmt.Errorf("%sexpected a key, found %s", prefix(place), describe(t))
		}
		if seen[key] {
			return fmt.Errorf("%skey %q is there twice", prefix(place), key)
		}
		seen[key] = true
		i := 0
		for i < len(fields) && fields[i].key != key {
			i++
		}
		if i == len(fields) {
			return fmt.Errorf("%skey %q is unknown", prefix(place), key)
		}
		inner := key
		if place != "" {
			inner = place + "." + key
		}
		if err := fields[i].read(inner); err != nil {
			return err
		}
	}
	if _, err := s.token(place); err != nil {
		return err
	}
	for _, f := range fields {
		if !f.optional && !seen[f.key] {
			return fmt.Errorf("%skey %q is missing", prefix(place), f.key)
		}
	}
	return nil
}

func prefix(place string) string {
	if place == "" {
		return ""
	}
	return place + ": "
}

// delim reads an opening bracket.
func (s *scan) delim(place string, want json.Delim, name string) error {
	t, err := s.token(place)
	if err != nil {
		return err
	}
	if t != want {
		return fmt.Errorf("%sexpected %s, found %s", prefix(place), name, describe(t))
	}
	return nil
}

// list returns a reader of an array whose elements item reads.
func (s *scan) list(item func(place string) error) func(string) error {
	return func(place string) error {
		if err := s.delim(place, '[', "an array"); err != nil {
			return err
		}
		for i := 0; s.dec.More(); i++ {
			if err := item(fmt.Sprintf("%s[%d]", place, i)); err != nil {
				return err
			}
		}
		_, err := s.token(place)
		return err
	}
}

// numbers returns a reader of an array of finite numbers, which is never nil
// once read.
func (s *scan) numbers(to *[]float64) func(string) error {
	return func(place string) error {
		*to = []float64{}
		return s.list(func(place string) error {
			var x float64
			if err := s.number(&x)(place); err != nil {
				return err
			}
			*to = append(*to, x)
			return nil
		})(place)
	}
}

func (s *scan) number(to *float64) func(string) error {
	return func(place string) error {
		t, err := s.token(place)
		if err != nil {
			return err
		}
		n, ok := t.(json.Number)
		if !ok {
			return fmt.Errorf("%s: expected a number, found %s", place, describe(t))
		}
		if *to, err = strconv.ParseFloat(string(n), 64); err != nil {
			return fmt.Errorf("%s: %s is too large for a floating-point number", place, short(string(n)))
		}
		return nil
	}
}

func (s *scan) text(to *string) func(string) error {
	return func(place string) error {
		t, err := s.token(place)
		if err != nil {
			return err
		}
		v, ok := t.(string)
		if !ok {
			return fmt.Errorf("%s: expected a string, found %s", place, describe(t))
		}
		*to = v
		return nil
	}
}

func (s *scan) time(to *time.Time) func(string) error {
	return func(place string) error {
		var text string
		if err := s.text(&text)(place); err != nil {
			return err
		}
		if err := to.UnmarshalText([]byte(text)); err != nil {
			return fmt.Errorf("%s: %q is not a date and time of RFC 3339, such as 2026-03-01T14:05:00Z", place, short(text))
		}
		return nil
	}
}

// law returns a reader of any object, or of null, which gives nil.
func (s *scan) law(to *json.RawMessage) func(string) error {
	return func(place string) error {
		at := s.dec.InputOffset()
		var raw json.RawMessage
		err := s.dec.Decode(&raw)
		if err != nil {
			return s.syntax(place, at, err)
		}
		if *to, err = compactObject(raw); err != nil {
			return fmt.Errorf("%s: %w", place, err)
		}
		return nil
	}
}

// orNull reads null, or else whatever read reads.
func (s *scan) orNull(place string, read func() error) error {
	rest := bytes.TrimLeft(s.data[s.dec.InputOffset():], " \t\r\n:,")
	if bytes.HasPrefix(rest, []byte("null")) {
		_, err := s.token(place)
		return err
	}
	return read()
}

// skip reads a value that was looked at before.
func (s *scan) skip(place string) error {
	at := s.dec.InputOffset()
	var raw json.RawMessage
	if err := s.dec.Decode(&raw); err != nil {
		return s.syntax(place, at, err)
	}
	return nil
}

// end returns an error when anything but space follows.
func (s *scan) end() error {
	at := s.dec.InputOffset()
	rest := bytes.TrimLeft(s.data[at:], " \t\r\n")
	if len(rest) > 0 {
		return fmt.Errorf("line %d: the record has ended but %s follows", lineAt(s.data, len(s.data)-len(rest)), strconv.Quote(short(string(rest))))
	}
	return nil
}

// describe names a token for an error message.
func describe(t json.Token) string {
	switch v := t.(type) {
	case nil:
		return "null"
	case json.Delim:
		switch v {
		case '{':
			return "an object"
		case '[':
			return "an array"
		}
		return v.String()
	case string:
		return strconv.Quote(short(v))
	case json.Number:
		return short(string(v))
	default:
		return fmt.Sprint(v)
	}
}
