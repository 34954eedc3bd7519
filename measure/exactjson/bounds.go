package exactjson

import (
	"encoding/json"
	"fmt"
	"unicode/utf8"

	"tapload/measure/oneline"
)

// The bounds of a file, far above those that this program writes: the largest has
// 50,000 points, and a few sources that they share.
const (
	MostBytes  = 24 << 20
	mostDepth  = 32
	mostValues = 1_500_000
	mostKeys   = 20_000
	mostText   = 4000 // characters
)

// bounded goes over text before it is decoded, which takes memory and time by its
// brackets and keys, and returns what in it is beyond all bounds, or what a string
// holds that is not to be seen. What is no JSON is left to the decoder.
func bounded(data []byte) error {
	depth, values, keys := 0, 0, 0
	last := "" // string before this one, which is its key where a colon follows
	for at := 0; at < len(data); at++ {
		switch data[at] {
		case '[', '{':
			depth++
		case ']', '}':
			depth--
		case ',':
			values++
		case ':':
			keys++
		case '"':
			text, end, err := stringAt(data, at)
			if err != nil {
				return fmt.Errorf("line %d: the text after %s %w", lineAt(data, at), oneline.Quote(last), err)
			}
			at = end
			last = text
		}
		switch {
		case depth > mostDepth:
			return fmt.Errorf("line %d: brackets are nested more than %d deep", lineAt(data, at), mostDepth)
		case values >= mostValues:
			return fmt.Errorf("line %d: there are more than %d values", lineAt(data, at), mostValues)
		case keys > mostKeys:
			return fmt.Errorf("line %d: there are more than %d keys", lineAt(data, at), mostKeys)
		}
	}
	return nil
}

// stringAt returns the string that begins at a quote, and where it ends. Errors go
// on after the place.
func stringAt(data []byte, at int) (text string, end int, err error) {
	end, escaped := at+1, false
	for ; end < len(data) && data[end] != '"'; end++ {
		if data[end] == '\\' {
			end++
			escaped = true
		}
	}
	if end >= len(data) {
		return "", len(data), nil
	}
	if escaped {
		if json.Unmarshal(data[at:end+1], &text) != nil {
			return "", end, nil
		}
	} else {
		text = string(data[at+1 : end])
	}
	if n := utf8.RuneCountInString(text); n > mostText {
		return "", end, fmt.Errorf("has %d characters; it may have at most %d", n, mostText)
	}
	return text, end, oneline.Plain(text)
}
