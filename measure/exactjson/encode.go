package exactjson

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"
)

// numbersPerLine are those of a long array of numbers.
const numbersPerLine = 5

// Encode lays a struct that Decode reads out for people: a member a line, several
// numbers a line, small objects on one. The same value always gives the same
// bytes. Numbers have the shortest form that reads back exactly. Of the fields
// marked omitempty, those that are 0 or have nothing in them are left out.
func Encode(v any) ([]byte, error) {
	e := encoder{}
	if err := e.open("", reflect.ValueOf(v)); err != nil {
		return nil, err
	}
	e.buf.WriteByte('\n')
	return e.buf.Bytes(), nil
}

type encoder struct {
	buf    bytes.Buffer
	indent string
}

// long reports whether values of a type take more than a line.
func long(t reflect.Type) bool {
	switch t.Kind() {
	case reflect.Pointer:
		return long(t.Elem())
	case reflect.Slice:
		k := t.Elem().Kind()
		return k == reflect.Float64 || k == reflect.Int || long(t.Elem())
	case reflect.Struct:
		for _, f := range reflect.VisibleFields(t) {
			if f.IsExported() && t != timeType && long(f.Type) {
				return true
			}
		}
	}
	return false
}

// open writes a value over several lines where it is long, or a list of objects.
func (e *encoder) open(place string, v reflect.Value) error {
	for v.Kind() == reflect.Pointer && !v.IsNil() {
		v = v.Elem()
	}
	t := v.Type()
	switch {
	case v.Kind() == reflect.Struct && (long(t) || e.indent == ""):
		members := present(v)
		return e.lines('{', len(members), 1, '}', func(i int) error {
			e.buf.WriteString(quote(members[i].key) + ": ")
			return e.open(within(place, members[i].key), members[i].value)
		})
	case v.Kind() == reflect.Slice && t != rawType && v.Len() > 0 && (long(t) || t.Elem().Kind() == reflect.Struct):
		perLine := numbersPerLine
		if k := t.Elem().Kind(); k != reflect.Float64 && k != reflect.Int {
			perLine = 1
		}
		return e.lines('[', v.Len(), perLine, ']', func(i int) error { return e.open(fmt.Sprintf("%s[%d]", place, i), v.Index(i)) })
	}
	text, err := inline(place, v)
	e.buf.WriteString(text)
	return err
}

// lines writes n items between brackets, so many a line.
func (e *encoder) lines(opening byte, n, perLine int, closing byte, item func(i int) error) error {
	e.buf.WriteByte(opening)
	e.indent += "  "
	for i := range n {
		if i%perLine == 0 {
			e.buf.WriteString("\n" + e.indent)
		} else {
			e.buf.WriteByte(' ')
		}
		if err := item(i); err != nil {
			return err
		}
		if i < n-1 {
			e.buf.WriteByte(',')
		}
	}
	e.indent = e.indent[2:]
	e.buf.WriteString("\n" + e.indent)
	e.buf.WriteByte(closing)
	return nil
}

type member struct {
	key   string
	value reflect.Value
}

// present returns the members of a struct that are not left out.
func present(v reflect.Value) (members []member) {
	keys, optional, index := fields(v.Type())
	for _, key := range keys {
		f := v.FieldByIndex(index[key])
		if optional[key] && (f.IsZero() || f.Kind() == reflect.Slice && f.Len() == 0) {
			continue
		}
		members = append(members, member{key, f})
	}
	return members
}

// inline returns a value on one line.
func inline(place string, v reflect.Value) (string, error) {
	switch x := v.Interface().(type) {
	case time.Time:
		text, err := x.MarshalText()
		if err != nil {
			return "", fmt.Errorf("%s: %w", place, err)
		}
		return quote(string(text)), nil
	case json.RawMessage:
		raw, err := CompactObject(x)
		if err != nil {
			return "", fmt.Errorf("%s: %w", place, err)
		}
		if raw == nil {
			return "null", nil
		}
		return string(raw), nil
	}
	var items []string
	add := func(key, place string, v reflect.Value) error {
		text, err := inline(place, v)
		items = append(items, key+text)
		return err
	}
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return "null", nil
		}
		return inline(place, v.Elem())
	case reflect.String:
		return quote(v.String()), nil
	case reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'g', -1, 64), nil
	case reflect.Bool:
		return strconv.FormatBool(v.Bool()), nil
	case reflect.Int:
		return strconv.FormatInt(v.Int(), 10), nil
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			if err := add("", fmt.Sprintf("%s[%d]", place, i), v.Index(i)); err != nil {
				return "", err
			}
		}
		return "[" + strings.Join(items, ", ") + "]", nil
	case reflect.Struct:
		for _, m := range present(v) {
			if err := add(quote(m.key)+": ", within(place, m.key), m.value); err != nil {
				return "", err
			}
		}
		return "{" + strings.Join(items, ", ") + "}", nil
	}
	panic(fmt.Sprintf("exactjson: %s is of type %s, which is not written", place, v.Type()))
}

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
