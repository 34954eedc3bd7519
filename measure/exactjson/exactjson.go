// Package exactjson reads JSON that must be exactly what a struct describes. The
// decoder of encoding/json takes keys twice and in other letters, leaves out what
// is missing, and null for anything; and its messages speak of the types of Go.
package exactjson

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"tapload/measure/infile"
	"tapload/measure/oneline"
)

// Read reads all of r as text of JSON. What has nothing in it, is no text, or is
// beyond what the program's own files have, is an error that says that a thing was
// expected. The mark that some editors of Windows put before a text is left out.
func Read(r io.Reader, thing string) ([]byte, error) {
	data, err := infile.Read(r, MostBytes)
	if err != nil {
		return nil, err
	}
	if err := infile.Narrow(data); err != nil {
		return nil, err
	}
	data = infile.Unmarked(data)
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, fmt.Errorf("the file is empty; a %s was expected", thing)
	}
	if line := BadLine(data); line > 0 {
		return nil, fmt.Errorf("line %d: not UTF-8 text; a %s was expected", line, thing)
	}
	if err := bounded(data); err != nil {
		return nil, err
	}
	return data, nil
}

// BadLine returns the first line of data that is not text, 0 where all is.
func BadLine(data []byte) int {
	for at := 0; at < len(data); {
		r, n := utf8.DecodeRune(data[at:])
		if r == utf8.RuneError && n == 1 {
			return lineAt(data, at)
		}
		at += n
	}
	return 0
}

func lineAt(data []byte, offset int) int { return 1 + bytes.Count(data[:offset], []byte("\n")) }

// Head returns an error when data is an object of JSON whose keys "format" and
// "version" are not those given, which are those of a thing. It goes before
// Decode, so that a file of another kind or a later version is told by them, and
// not by the keys that this version does not know. What is no object is left to
// Decode, which knows the place.
func Head(data []byte, thing, format string, version int) error {
	var head map[string]json.RawMessage
	if json.Unmarshal(data, &head) != nil {
		return nil
	}
	var was string
	raw, ok := head["format"]
	switch {
	case !ok:
		return fmt.Errorf("not a %s: key \"format\" is missing", thing)
	case json.Unmarshal(raw, &was) != nil || was != format:
		return fmt.Errorf("format %s is not %q; a %s was expected", onLine(raw), format, thing)
	}
	raw, ok = head["version"]
	switch {
	case !ok:
		return errors.New(`key "version" is missing`)
	case string(raw) != strconv.Itoa(version):
		return fmt.Errorf("version %s is unknown; this program reads version %d", onLine(raw), version)
	}
	return nil
}

// onLine returns JSON that has been read before on one line and short.
func onLine(raw json.RawMessage) string {
	var b bytes.Buffer
	_ = json.Compact(&b, raw)
	return oneline.Short(b.String())
}

// Decode fills in the struct that into points to from one object of JSON, a
// thing, and nothing after it. Its tags "json" name the keys. Each must be there
// once, but for those marked omitempty, and no other may. Null is for the other
// pointers, and for json.RawMessage, which takes an object otherwise. Numbers are
// finite, those of int whole; an array of Go has as many values. An error names
// the line or the place, as in "shared[0].id".
func Decode(data []byte, thing string, into any) error {
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	r := reader{data, dec, thing}
	if err := r.value("", reflect.ValueOf(into).Elem()); err != nil {
		return err
	}
	at := dec.InputOffset()
	if rest := bytes.TrimLeft(data[at:], space); len(rest) > 0 {
		return fmt.Errorf("line %d: the %s has ended but %s follows", lineAt(data, len(data)-len(rest)), thing, oneline.Quote(string(rest)))
	}
	return nil
}

const space = " \t\r\n"

// reader walks a text and knows where it is. Places are given as people write
// them; that of the whole is "".
type reader struct {
	data  []byte
	dec   *json.Decoder
	thing string
}

var (
	timeType = reflect.TypeFor[time.Time]()
	rawType  = reflect.TypeFor[json.RawMessage]()
)

// value reads what stands at place into v.
func (r reader) value(place string, v reflect.Value) error {
	switch {
	case v.Type() == timeType:
		return r.time(place, v)
	case v.Type() == rawType:
		return r.law(place, v)
	}
	switch v.Kind() {
	case reflect.Pointer:
		if r.null() {
			_, err := r.token(place)
			return err
		}
		v.Set(reflect.New(v.Type().Elem()))
		return r.value(place, v.Elem())
	case reflect.Struct:
		return r.object(place, v)
	case reflect.Map:
		return r.table(place, v)
	case reflect.Slice:
		// Long lists are those of numbers: their places are made where one is wrong.
		if to, ok := v.Addr().Interface().(*[]float64); ok {
			return r.numbers(place, to)
		}
		v.SetZero()
		return r.list(place, func(place string, _ int) error {
			item := reflect.New(v.Type().Elem()).Elem()
			err := r.value(place, item)
			v.Set(reflect.Append(v, item))
			return err
		})
	case reflect.Array:
		n := 0
		err := r.list(place, func(inner string, i int) error {
			n++
			item := v.Index(min(i, v.Len()-1))
			return r.value(inner, item)
		})
		if err == nil && n != v.Len() {
			err = fmt.Errorf("%s has %d values; it must have %d", place, n, v.Len())
		}
		return err
	case reflect.String:
		text, err := r.text(place)
		v.SetString(text)
		return err
	case reflect.Bool:
		return r.truth(place, v)
	case reflect.Float64, reflect.Int:
		return r.number(place, v)
	}
	panic(fmt.Sprintf("exactjson: %s is of type %s, which is not read", place, v.Type()))
}

// token returns the next token at place.
func (r reader) token(place string) (json.Token, error) {
	at := r.dec.InputOffset()
	t, err := r.dec.Token()
	if err != nil {
		return nil, r.syntax(place, at, err)
	}
	return t, nil
}

// syntax returns the error for JSON that cannot be read on from an offset.
func (r reader) syntax(place string, offset int64, err error) error {
	rest := bytes.TrimLeft(r.data[offset:], space+",:")
	line := lineAt(r.data, len(r.data)-len(rest))
	if place == "" {
		place = r.thing
	}
	if len(rest) == 0 || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("line %d: %s: the file ends in the middle", line, place)
	}
	word := string(rest)
	if end := strings.IndexAny(word[1:], space+",:[]{}\""); end >= 0 {
		word = word[:1+end]
	}
	switch strings.ToLower(strings.TrimLeft(word, "+-")) {
	case "nan", "inf", "infinity":
		return fmt.Errorf("line %d: %s: %s is not a finite number", line, place, word)
	}
	return fmt.Errorf("line %d: %s: not JSON at %s", line, place, oneline.Quote(word))
}

// null reports whether null comes next.
func (r reader) null() bool {
	return bytes.HasPrefix(bytes.TrimLeft(r.data[r.dec.InputOffset():], space+":,"), []byte("null"))
}

// fields are those of a struct by their keys, the fields of structs embedded in
// it among them.
func fields(t reflect.Type) (keys []string, optional map[string]bool, index map[string][]int) {
	optional, index = map[string]bool{}, map[string][]int{}
	for _, f := range reflect.VisibleFields(t) {
		key, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if key == "" || key == "-" {
			continue
		}
		keys = append(keys, key)
		optional[key], index[key] = slices.Contains(strings.Split(options, ","), "omitempty"), f.Index
	}
	return keys, optional, index
}

// object reads an object into a struct.
func (r reader) object(place string, v reflect.Value) error {
	keys, optional, index := fields(v.Type())
	seen, err := r.members(place, func(key, inner string) error {
		if index[key] == nil {
			return fmt.Errorf("%skey %s is unknown", prefix(place), oneline.Quote(key))
		}
		f := v.FieldByIndex(index[key])
		if f.Kind() == reflect.Pointer && optional[key] {
			f.Set(reflect.New(f.Type().Elem()))
			f = f.Elem()
		}
		return r.value(inner, f)
	})
	if err != nil {
		return err
	}
	for _, key := range keys {
		if !optional[key] && !seen[key] {
			return fmt.Errorf("%skey %q is missing", prefix(place), key)
		}
	}
	return nil
}

// table reads an object of any keys into a map.
func (r reader) table(place string, v reflect.Value) error {
	v.Set(reflect.MakeMap(v.Type()))
	_, err := r.members(place, func(key, inner string) error {
		item := reflect.New(v.Type().Elem()).Elem()
		err := r.value(inner, item)
		v.SetMapIndex(reflect.ValueOf(key), item)
		return err
	})
	return err
}

// members reads an object, member by member, and returns its keys.
func (r reader) members(place string, read func(key, inner string) error) (seen map[string]bool, err error) {
	if err := r.delim(place, '{', "an object"); err != nil {
		return nil, err
	}
	seen = map[string]bool{}
	for r.dec.More() {
		t, err := r.token(place)
		if err != nil {
			return nil, err
		}
		key, ok := t.(string)
		switch {
		case !ok:
			return nil, fmt.Errorf("%sexpected a key, found %s", prefix(place), describe(t))
		case seen[key]:
			return nil, fmt.Errorf("%skey %s is there twice", prefix(place), oneline.Quote(key))
		}
		seen[key] = true
		if err := read(key, within(place, key)); err != nil {
			return nil, err
		}
	}
	_, err = r.token(place)
	return seen, err
}

// within returns the place of a member of what is at place.
func within(place, key string) string {
	key = oneline.Short(key)
	if place == "" {
		return key
	}
	return place + "." + key
}

func prefix(place string) string {
	if place == "" {
		return ""
	}
	return place + ": "
}

// delim reads an opening bracket.
func (r reader) delim(place string, want json.Delim, name string) error {
	t, err := r.token(place)
	if err != nil {
		return err
	}
	if t != want {
		return fmt.Errorf("%sexpected %s, found %s", prefix(place), name, describe(t))
	}
	return nil
}

// list reads an array, whose elements item reads.
func (r reader) list(place string, item func(place string, i int) error) error {
	if err := r.delim(place, '[', "an array"); err != nil {
		return err
	}
	for i := 0; r.dec.More(); i++ {
		if err := item(fmt.Sprintf("%s[%d]", place, i), i); err != nil {
			return err
		}
	}
	_, err := r.token(place)
	return err
}

// numbers reads an array of numbers, which is never nil once read.
func (r reader) numbers(place string, to *[]float64) error {
	if err := r.delim(place, '[', "an array"); err != nil {
		return err
	}
	*to = []float64{}
	for i := 0; r.dec.More(); i++ {
		at := r.dec.InputOffset()
		t, err := r.dec.Token()
		inner := func() string { return fmt.Sprintf("%s[%d]", place, i) }
		if err != nil {
			return r.syntax(inner(), at, err)
		}
		x, err := float(t)
		if err != nil {
			return fmt.Errorf("%s: %w", inner(), err)
		}
		*to = append(*to, x)
	}
	_, err := r.token(place)
	return err
}

// float returns the number that a token is. Errors go on after the place.
func float(t json.Token) (float64, error) {
	n, ok := t.(json.Number)
	if !ok {
		return 0, fmt.Errorf("expected a number, found %s", describe(t))
	}
	x, err := strconv.ParseFloat(string(n), 64)
	if err != nil {
		return 0, fmt.Errorf("%s is too large for a floating-point number", oneline.Short(string(n)))
	}
	return x, nil
}

func (r reader) number(place string, v reflect.Value) error {
	t, err := r.token(place)
	if err != nil {
		return err
	}
	x, err := float(t)
	if err != nil {
		return fmt.Errorf("%s: %w", place, err)
	}
	if v.Kind() == reflect.Float64 {
		v.SetFloat(x)
		return nil
	}
	n, err := strconv.ParseInt(t.(json.Number).String(), 10, strconv.IntSize)
	if err != nil {
		return fmt.Errorf("%s: %s must be a whole number", place, describe(t))
	}
	v.SetInt(n)
	return nil
}

func (r reader) text(place string) (string, error) {
	t, err := r.token(place)
	if err != nil {
		return "", err
	}
	text, ok := t.(string)
	if !ok {
		return "", fmt.Errorf("%s: expected a string, found %s", place, describe(t))
	}
	return text, nil
}

func (r reader) truth(place string, v reflect.Value) error {
	t, err := r.token(place)
	if err != nil {
		return err
	}
	is, ok := t.(bool)
	if !ok {
		return fmt.Errorf("%s: expected true or false, found %s", place, describe(t))
	}
	v.SetBool(is)
	return nil
}

func (r reader) time(place string, v reflect.Value) error {
	text, err := r.text(place)
	if err != nil {
		return err
	}
	var t time.Time
	if err := t.UnmarshalText([]byte(text)); err != nil {
		return fmt.Errorf("%s: %s is not a date and time of RFC 3339, such as 2026-03-01T14:05:00Z", place, oneline.Quote(text))
	}
	v.Set(reflect.ValueOf(t))
	return nil
}

// law reads any object in its shortest form, or null, which gives nil.
func (r reader) law(place string, v reflect.Value) error {
	at := r.dec.InputOffset()
	var raw json.RawMessage
	if err := r.dec.Decode(&raw); err != nil {
		return r.syntax(place, at, err)
	}
	raw, err := CompactObject(raw)
	if err != nil {
		return fmt.Errorf("%s: %w", place, err)
	}
	v.SetBytes(raw)
	return nil
}

// CompactObject returns an object of JSON without space between its tokens, and
// nil for null or nothing.
func CompactObject(raw json.RawMessage) (json.RawMessage, error) {
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
	case !utf8.Valid(c):
		return nil, errors.New("not valid UTF-8")
	case c[0] != '{':
		return nil, fmt.Errorf("expected an object or null, found %s", oneline.Harmless(oneline.Short(string(c))))
	default:
		return c, nil
	}
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
		return oneline.Quote(v)
	case json.Number:
		return oneline.Short(string(v))
	default:
		return fmt.Sprint(v) // true or false
	}
}
