package exactjson

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

type part struct {
	Name string   `json:"name"`
	Ohm  *float64 `json:"ohm,omitempty"`
}

type thing struct {
	Count  int             `json:"count"`
	Sound  bool            `json:"sound,omitempty"`
	Taken  time.Time       `json:"taken"`
	Law    json.RawMessage `json:"law"`
	Jig    *part           `json:"jig"`
	Pair   [2]int          `json:"pair"`
	Values []float64       `json:"values"`
	Rows   [][]float64     `json:"rows,omitempty"`
	Parts  []part          `json:"parts"`
	Bands  [][2]float64    `json:"bands,omitempty"`
}

func TestLayout(t *testing.T) {
	ohm := 8.0
	got, err := Encode(thing{
		Count: 3, Sound: true, Taken: time.Date(2026, 3, 1, 14, 5, 0, 0, time.UTC), Law: json.RawMessage(`{ "kind": "chirp" }`), Jig: &part{"a<b", &ohm},
		Pair: [2]int{1, 2}, Values: []float64{1, 2, 3, 4, 5, 0.1}, Parts: []part{{"x", nil}, {"y", &ohm}},
	})
	if err != nil {
		t.Fatal(err)
	}
	const want = `{
  "count": 3,
  "sound": true,
  "taken": "2026-03-01T14:05:00Z",
  "law": {"kind":"chirp"},
  "jig": {"name": "a<b", "ohm": 8},
  "pair": [1, 2],
  "values": [
    1, 2, 3, 4, 5,
    0.1
  ],
  "parts": [
    {"name": "x"},
    {"name": "y", "ohm": 8}
  ]
}
`
	if string(got) != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
}

func TestWhatIsWrittenReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		numbers := rapid.SliceOfN(rapid.Float64(), 0, 12)
		parts := rapid.Custom(func(t *rapid.T) part {
			return part{rapid.String().Draw(t, "name"), rapid.Ptr(rapid.Float64(), true).Draw(t, "ohm")}
		})
		was := thing{
			Count: rapid.Int().Draw(t, "count"), Sound: rapid.Bool().Draw(t, "sound"), Taken: time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), 0).UTC(),
			Pair: [2]int{rapid.Int().Draw(t, "a"), rapid.Int().Draw(t, "b")}, Values: numbers.Draw(t, "values"),
			Parts: rapid.SliceOfN(parts, 0, 3).Draw(t, "parts"), Jig: rapid.Ptr(parts, true).Draw(t, "jig"),
			Rows: rapid.SliceOfN(numbers, 0, 3).Draw(t, "rows"),
		}
		if len(was.Rows) == 0 {
			was.Rows = nil
		}
		if len(was.Parts) == 0 {
			was.Parts = nil
		}
		text, err := Encode(was)
		if err != nil {
			t.Fatal(err)
		}
		var is thing
		if err := Decode(text, "thing", &is); err != nil {
			t.Fatalf("%v:\n%s", err, text)
		}
		if !reflect.DeepEqual(is, was) {
			t.Errorf("%+v\nread back\n%+v", was, is)
		}
	})
}

func TestDecodeRefuses(t *testing.T) {
	const sound = `{"count": 3, "taken": "2026-03-01T14:05:00Z", "law": null, "jig": null, "pair": [1, 2], "values": [1], "parts": [{"name": "a"}]}`
	if err := Decode([]byte(sound), "thing", new(thing)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, old, text, want string }{
		{"part of one", `"count": 3`, `"count": 3.5`, "count: 3.5 must be a whole number"},
		{"count beyond all", `"count": 3`, `"count": 1e300`, "count: 1e300 must be a whole number"},
		{"no truth", `"count": 3`, `"count": 3, "sound": 1`, "sound: expected true or false, found 1"},
		{"three of two", "[1, 2]", "[1, 2, 3]", "pair has 3 values; it must have 2"},
		{"one of two", "[1, 2]", "[1]", "pair has 1 values; it must have 2"},
		{"null that is none", `{"name": "a"}`, `{"name": "a", "ohm": null}`, "parts[0].ohm: expected a number, found null"},
		{"null in a list", `{"name": "a"}`, "null", "parts[0]: expected an object, found null"},
		{"null for a list", "[1]", "null", "values: expected an array, found null"},
		{"deep", `[1, 2]`, strings.Repeat("[", 50000), "pair[0]: expected a number, found an array"},
		{"deep law", `"law": null`, `"law": ` + strings.Repeat("[", 50000), `law: not JSON at "["`},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := Decode([]byte(strings.Replace(sound, c.old, c.text, 1)), "thing", new(thing))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v\nwant\n%s", err, c.want)
			}
		})
	}
}

func TestTableOfAnyKeys(t *testing.T) {
	var of struct {
		Parts map[string]part `json:"parts"`
	}
	if err := Decode([]byte(`{"parts": {"x": {"name": "a"}, "y": {"name": "b"}}}`), "thing", &of); err != nil || len(of.Parts) != 2 || of.Parts["y"].Name != "b" {
		t.Errorf("%+v, %v", of, err)
	}
	err := Decode([]byte(`{"parts": {"x": {"name": 1}}}`), "thing", &of)
	if err == nil || err.Error() != "parts.x.name: expected a string, found 1" {
		t.Error(err)
	}
}

// Some editors of Windows put a mark before a text.
func TestReadLeavesTheMarkOut(t *testing.T) {
	got, err := Read(strings.NewReader("\ufeff{}"), "thing")
	if err != nil || string(got) != "{}" {
		t.Errorf("%q, %v", got, err)
	}
}
