package record

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tapload/measure/impedance"
	"tapload/measure/oneline"
)

// invented is a small record of our own making, one of everything.
func invented() Record {
	return Record{
		Label:    `Invented "A" <4x12> & co`,
		Taken:    time.Date(2026, 3, 1, 14, 5, 0, 0, time.FixedZone("", 3600)),
		Signal:   json.RawMessage(`{"kind":"chirp","rate_hz":48000}`),
		SenseOhm: 10,
		Jig:      &JigNote{ID: "bench-jig-1", Taken: time.Date(2026, 2, 28, 9, 0, 0, 0, time.UTC), Standards: []string{"open", "short", "known"}},
		Curve: impedance.Curve{
			Points: []impedance.Point{
				{Hz: 10, Z: 6.5 + 0.25i, Noise: impedance.Cov{RR: 0.0625, RI: -0.03125, II: 0.25}},
				{Hz: 20, Z: 7, Noise: impedance.Cov{RR: 0.0625, II: 0.25}},
				{Hz: 40.5, Z: 8 - 1i, Noise: impedance.Cov{RR: 0.0625, II: 0.25}},
				{Hz: 80, Z: 9.125, Noise: impedance.Cov{}},
				{Hz: 160, Z: 10, Noise: impedance.Cov{}},
				{Hz: 20000, Z: 1e-7 + 1.5e12i, Noise: impedance.Cov{}},
			},
			Shared: []impedance.Source{{ID: "sense-resistor:bench-jig-1", DZ: []complex128{0.065, 0.07, 0.08 - 0.01i, 0.09, 0.1, 1.5e21}}},
		},
		Warnings: []impedance.Warning{
			{Code: "low-level", Text: "the input level is low"},
			{Code: "hum", Text: "hum at two places", Hz: []impedance.Band{{Low: 49.5, High: 50.5}, {Low: 100, High: 100}}},
		},
	}
}

const inventedFile = `{
  "format": "tapload sweep",
  "version": 1,
  "label": "Invented \"A\" <4x12> & co",
  "taken": "2026-03-01T14:05:00+01:00",
  "signal": {"kind":"chirp","rate_hz":48000},
  "sense_ohm": 10,
  "jig": {"id": "bench-jig-1", "taken": "2026-02-28T09:00:00Z", "standards": ["open", "short", "known"]},
  "frequency_hz": [
    10, 20, 40.5, 80, 160,
    20000
  ],
  "resistance_ohm": [
    6.5, 7, 8, 9.125, 10,
    1e-07
  ],
  "reactance_ohm": [
    0.25, 0, -1, 0, 0,
    1.5e+12
  ],
  "u_resistance_ohm": [
    0.25, 0.25, 0.25, 0, 0,
    0
  ],
  "u_reactance_ohm": [
    0.5, 0.5, 0.5, 0, 0,
    0
  ],
  "cov_noise_ohm2": [
    -0.03125, 0, 0, 0, 0,
    0
  ],
  "shared": [
    {
      "id": "sense-resistor:bench-jig-1",
      "d_resistance_ohm": [
        0.065, 0.07, 0.08, 0.09, 0.1,
        1.5e+21
      ],
      "d_reactance_ohm": [
        0, 0, -0.01, 0, 0,
        0
      ]
    }
  ],
  "warnings": [
    {"code": "low-level", "text": "the input level is low"},
    {"code": "hum", "text": "hum at two places", "hz": [[49.5, 50.5], [100, 100]]}
  ]
}
`

func write(t interface {
	Helper()
	Fatal(...any)
}, r Record) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestWriteLayout(t *testing.T) {
	if got := write(t, invented()); got != inventedFile {
		t.Errorf("wrote\n%s\nwant\n%s", got, inventedFile)
	}
}

func TestWriteWithoutOptionalParts(t *testing.T) {
	got := write(t, Record{Taken: time.Unix(0, 0).UTC(), Curve: impedance.Curve{Points: []impedance.Point{{Hz: 50, Z: 8}}}})
	want := `{
  "format": "tapload sweep",
  "version": 1,
  "label": "",
  "taken": "1970-01-01T00:00:00Z",
  "signal": null,
  "sense_ohm": 0,
  "jig": null,
  "frequency_hz": [
    50
  ],
  "resistance_ohm": [
    8
  ],
  "reactance_ohm": [
    0
  ],
  "u_resistance_ohm": [
    0
  ],
  "u_reactance_ohm": [
    0
  ],
  "shared": [],
  "warnings": []
}
`
	if got != want {
		t.Errorf("wrote\n%s\nwant\n%s", got, want)
	}
}

// sameRecord compares two records; times by instant and by zone.
func sameRecord(a, b Record) bool {
	sameTime := func(a, b *time.Time) bool {
		_, za := a.Zone()
		_, zb := b.Zone()
		same := a.Equal(*b) && za == zb
		*a, *b = time.Time{}, time.Time{}
		return same
	}
	same := sameTime(&a.Taken, &b.Taken)
	if a.Jig != nil && b.Jig != nil {
		ja, jb := *a.Jig, *b.Jig
		a.Jig, b.Jig = &ja, &jb
		same = same && sameTime(&ja.Taken, &jb.Taken)
	}
	return same && reflect.DeepEqual(a, b)
}

func TestReadWhatPeopleMayEdit(t *testing.T) {
	// Another order of keys and other white space are the same record.
	var members map[string]json.RawMessage
	if err := json.Unmarshal([]byte(inventedFile), &members); err != nil {
		t.Fatal(err)
	}
	sorted, err := json.MarshalIndent(members, "", "\t")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"as written": inventedFile, "sorted keys": string(sorted), "CR LF": strings.ReplaceAll(inventedFile, "\n", "\r\n")} {
		t.Run(name, func(t *testing.T) {
			got, err := Read(strings.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			if want := invented(); !sameRecord(got, want) {
				t.Errorf("read %+v\nwant %+v", got, want)
			}
		})
	}
}

func drawRecord(t *rapid.T) Record {
	seen := rapid.Rune().Filter(func(r rune) bool { return oneline.Plain(string(r)) == nil })
	text := rapid.StringOfN(seen, 0, 40, -1).Filter(func(s string) bool { return oneline.Check(s) == nil })
	name := rapid.StringOfN(seen, 1, 20, -1)
	value := rapid.OneOf(rapid.Float64Range(-1e19, 1e19), rapid.Float64Range(-100, 100), rapid.Just(0.0), rapid.Just(math.SmallestNonzeroFloat64))
	u := rapid.OneOf(rapid.Float64Range(1e-150, 1e39), rapid.Float64Range(1e-6, 10), rapid.Just(0.0))
	moment := rapid.Custom(func(t *rapid.T) time.Time {
		zone := time.FixedZone("", 60*rapid.IntRange(-14*60, 14*60).Draw(t, "minutes"))
		return time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).In(zone)
	})
	r := Record{
		Label:    text.Draw(t, "label"),
		Taken:    moment.Draw(t, "taken"),
		SenseOhm: rapid.Float64Range(0, 1e6).Draw(t, "sense"),
	}
	if rapid.Bool().Draw(t, "signal") {
		law, err := json.Marshal(map[string]string{"kind": text.Draw(t, "kind")})
		if err != nil {
			t.Fatal(err)
		}
		r.Signal = law
	}
	if rapid.Bool().Draw(t, "jig") {
		r.Jig = &JigNote{ID: name.Draw(t, "jig id"), Taken: moment.Draw(t, "jig taken")}
		if s := rapid.SliceOfDistinct(name, rapid.ID).Draw(t, "standards"); len(s) > 0 {
			r.Jig.Standards = s
		}
	}
	n := rapid.IntRange(1, 13).Draw(t, "points")
	hz := rapid.Float64Range(impedance.LeastHz, 1).Draw(t, "first")
	for range n {
		ur, ux := u.Draw(t, "ur"), u.Draw(t, "ux")
		r.Curve.Points = append(r.Curve.Points, impedance.Point{
			Hz:    hz,
			Z:     complex(value.Draw(t, "r"), value.Draw(t, "x")),
			Noise: impedance.Cov{RR: ur * ur, RI: rapid.Float64Range(-1, 1).Draw(t, "correlation") * ur * ux, II: ux * ux},
		})
		hz = math.Nextafter(hz*rapid.Float64Range(1, 3).Draw(t, "step"), math.Inf(1))
	}
	for _, id := range rapid.SliceOfNDistinct(name, 0, 3, rapid.ID).Draw(t, "sources") {
		dz := make([]complex128, n)
		for i := range dz {
			dz[i] = complex(value.Draw(t, "dr"), value.Draw(t, "dx"))
		}
		r.Curve.Shared = append(r.Curve.Shared, impedance.Source{ID: id, DZ: dz})
	}
	for range rapid.IntRange(0, 2).Draw(t, "warnings") {
		w := impedance.Warning{Code: name.Draw(t, "code"), Text: text.Draw(t, "text")}
		for range rapid.IntRange(0, 2).Draw(t, "bands") {
			low := rapid.Float64Range(0, 1e6).Draw(t, "low")
			w.Hz = append(w.Hz, impedance.Band{Low: low, High: low + rapid.Float64Range(0, 100).Draw(t, "wide")})
		}
		r.Warnings = append(r.Warnings, w)
	}
	return r
}

func TestRecordRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawRecord(t)
		first := write(t, want)
		got, err := Read(strings.NewReader(first))
		if err != nil {
			t.Fatalf("%v in\n%s", err, first)
		}
		if !sameRecord(got, want) {
			t.Fatalf("read %+v\nwant %+v", got, want)
		}
		if second := write(t, got); second != first {
			t.Fatalf("written again\n%s\nat first\n%s", second, first)
		}
	})
}

// The file holds square roots of the variances. The square of a correctly
// rounded root is within (1 + 2^-53)^3 of its variance.
func TestVarianceRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(1e-300, 1e79).Draw(t, "variance")
		r := Record{Taken: time.Unix(0, 0), Curve: impedance.Curve{Points: []impedance.Point{{Hz: 1, Z: 8, Noise: impedance.Cov{RR: v, II: v}}}}}
		got, err := Read(strings.NewReader(write(t, r)))
		if err != nil {
			t.Fatal(err)
		}
		if back := got.Curve.Points[0].Noise.RR; math.Abs(back-v) > 4e-16*v {
			t.Fatalf("variance %v came back as %v", v, back)
		}
	})
}

func TestWriteRefuses(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(*Record)
		want  string
	}{
		{"label", func(r *Record) { r.Label = "a\xff" }, `label is not valid UTF-8; write it anew as plain text`},
		{"warning text", func(r *Record) { r.Warnings[0].Text = "\xff" }, `warnings[0].text is not valid UTF-8; write it anew as plain text`},
		{"warning code", func(r *Record) { r.Warnings[0].Code = "" }, "warnings[0].code must not be empty"},
		{"sense", func(r *Record) { r.SenseOhm = -1 }, "sense_ohm: -1 ohm must be finite and at least 0, where 0 means unknown"},
		{"sense NaN", func(r *Record) { r.SenseOhm = math.NaN() }, "sense_ohm: NaN ohm must be finite and at least 0, where 0 means unknown"},
		{"jig id", func(r *Record) { r.Jig.ID = "" }, "jig.id must not be empty"},
		{"standards", func(r *Record) { r.Jig.Standards[1] = "open" }, `jig.standards[1]: "open" is listed twice`},
		{"signal array", func(r *Record) { r.Signal = json.RawMessage(" [1]") }, "signal: expected an object or null, found [1]"},
		{"signal broken", func(r *Record) { r.Signal = json.RawMessage("{") }, "signal: unexpected end of JSON input"},
		{"signal not text", func(r *Record) { r.Signal = json.RawMessage("{\"a\":\"\xff\"}") }, "signal: not valid UTF-8"},
		{"year", func(r *Record) { r.Taken = time.Date(12026, 1, 1, 0, 0, 0, 0, time.UTC) }, "taken: Time.MarshalText: year outside of range [0,9999]"},
		{"jig year", func(r *Record) { r.Jig.Taken = time.Date(12026, 1, 1, 0, 0, 0, 0, time.UTC) }, "jig.taken: Time.MarshalText: year outside of range [0,9999]"},
		{"curve", func(r *Record) { r.Curve.Points[1].Z = complex(math.NaN(), 0) }, "point 1 (20 Hz): the impedance is not a finite number"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := invented()
			tt.spoil(&r)
			var b bytes.Buffer
			wantError(t, r.Write(&b), tt.want)
			if b.Len() > 0 {
				t.Errorf("wrote %d bytes in spite of the error", b.Len())
			}
		})
	}
}

func TestReadRefuses(t *testing.T) {
	// A short record: two points, one source, one warning.
	const sound = `{"format": "tapload sweep", "version": 1, "label": "x", "taken": "2026-03-01T14:05:00Z", "signal": null, "sense_ohm": 10, "jig": null,
"frequency_hz": [10, 20], "resistance_ohm": [6, 7], "reactance_ohm": [0.5, 1], "u_resistance_ohm": [0.1, 0.2], "u_reactance_ohm": [0.3, 0.4],
"shared": [{"id": "a", "d_resistance_ohm": [1, 2], "d_reactance_ohm": [3, 4]}],
"warnings": [{"code": "c", "text": "t"}]}`
	if _, err := Read(strings.NewReader(sound)); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ name, old, new, want string }{
		{"nothing", sound, " \n", "the file is empty; a sweep record was expected"},
		{"not JSON", sound, "RIFF....WAVE", `line 1: record: not JSON at "RIFF....WAVE"`},
		{"not text", sound, "{\n\xff\xfe}", "line 2: not UTF-8 text; a sweep record was expected"},
		{"array", sound, "[1, 2]", "expected an object, found an array"},
		{"null", sound, "null", `not a sweep record: key "format" is missing`},
		{"truncated in a list", sound, sound[:strings.Index(sound, "7], ")], "line 2: resistance_ohm[1]: the file ends in the middle"},
		{"truncated at the end", "\"t\"}]}", "\"t\"}]", "line 4: record: the file ends in the middle"},
		{"trailing garbage", "\"t\"}]}", "\"t\"}]} x", `line 4: the record has ended but "x" follows`},
		{"two records", "\"t\"}]}", "\"t\"}]}{}", `line 4: the record has ended but "{}" follows`},
		{"missing comma", "[6, 7]", "[6 7]", `line 2: resistance_ohm[1]: not JSON at "7"`},

		{"other format", "tapload sweep", "tapload jig", `format "tapload jig" is not "tapload sweep"; a sweep record was expected`},
		{"no format", `"format": "tapload sweep",`, "", `not a sweep record: key "format" is missing`},
		{"later version", `"version": 1`, `"version": 2, "news": true`, "version 2 is unknown; this program reads version 1"},
		{"version in words", `"version": 1`, `"version": "1"`, `version "1" is unknown; this program reads version 1`},
		{"no version", `"version": 1,`, "", `key "version" is missing`},

		{"unknown key", `"label"`, `"lable"`, `key "lable" is unknown`},
		{"key in capitals", `"label"`, `"Label"`, `key "Label" is unknown`},
		{"unknown key in a source", `"id": "a"`, `"id": "a", "k": 2`, `shared[0]: key "k" is unknown`},
		{"band of one number", `"text": "t"`, `"text": "t", "hz": [[50]]`, "warnings[0].hz[0] has 1 values; it must have 2"},
		{"band that falls", `"text": "t"`, `"text": "t", "hz": [[10, 20], [60, 50]]`, "warnings[0].hz[1]: 60 to 50 must rise from 0 or above"},
		{"band in words", `"text": "t"`, `"text": "t", "hz": "50"`, `warnings[0].hz: expected an array, found "50"`},
		{"missing key", `"label": "x",`, "", `key "label" is missing`},
		{"missing array", `"reactance_ohm": [0.5, 1], `, "", `key "reactance_ohm" is missing`},
		{"missing key in a warning", `, "text": "t"`, "", `warnings[0]: key "text" is missing`},
		{"key twice", `"label": "x"`, `"label": "x", "label": "y"`, `key "label" is there twice`},

		{"label null", `"label": "x"`, `"label": null`, "label: expected a string, found null"},
		{"label number", `"label": "x"`, `"label": 3`, "label: expected a string, found 3"},
		{"taken", "2026-03-01T14:05:00Z", "1 March", `taken: "1 March" is not a date and time of RFC 3339, such as 2026-03-01T14:05:00Z`},
		{"signal", `"signal": null`, `"signal": "chirp"`, `signal: expected an object or null, found "chirp"`},
		{"signal broken", `"signal": null`, `"signal": {"a": nan}`, `line 1: signal: not JSON at "{"`},
		{"sense", `"sense_ohm": 10`, `"sense_ohm": -10`, "sense_ohm: -10 ohm must be finite and at least 0, where 0 means unknown"},
		{"sense text", `"sense_ohm": 10`, `"sense_ohm": "10"`, `sense_ohm: expected a number, found "10"`},
		{"jig", `"jig": null`, `"jig": "mine"`, `jig: expected an object, found "mine"`},
		{"jig standards", `"jig": null`, `"jig": {"id": "j", "taken": "2026-03-01T14:05:00Z", "standards": ["open", 1]}`, "jig.standards[1]: expected a string, found 1"},
		{"jig taken", `"jig": null`, `"jig": {"id": "j", "taken": "", "standards": []}`, `jig.taken: "" is not a date and time of RFC 3339, such as 2026-03-01T14:05:00Z`},

		{"no points", `"frequency_hz": [10, 20]`, `"frequency_hz": []`, "frequency_hz is empty; a record holds at least one point"},
		{"short array", "[0.5, 1]", "[0.5]", "reactance_ohm has 1 values and frequency_hz has 2; they must be equally long"},
		{"long array", "[0.3, 0.4]", "[0.3, 0.4, 0.5]", "u_reactance_ohm has 3 values and frequency_hz has 2; they must be equally long"},
		{"short covariance", `"shared"`, `"cov_noise_ohm2": [0], "shared"`, "cov_noise_ohm2 has 1 values and frequency_hz has 2; they must be equally long"},
		{"short source", "[3, 4]", "[3]", "shared[0].d_reactance_ohm has 1 values and frequency_hz has 2; they must be equally long"},
		{"object for array", "[6, 7]", "{}", "resistance_ohm: expected an array, found an object"},
		{"NaN", "[6, 7]", "[6, NaN]", "line 2: resistance_ohm[1]: NaN is not a finite number"},
		{"Infinity", "[3, 4]", "[3,\n-Infinity]", "line 4: shared[0].d_reactance_ohm[1]: -Infinity is not a finite number"},
		{"too large", "[6, 7]", "[6, 1e999]", "resistance_ohm[1]: 1e999 is too large for a floating-point number"},
		{"null in array", "[6, 7]", "[null, 7]", "resistance_ohm[0]: expected a number, found null"},
		{"string in array", "[6, 7]", `[6, "7"]`, `resistance_ohm[1]: expected a number, found "7"`},
		{"array in array", "[6, 7]", "[6, [7]]", "resistance_ohm[1]: expected a number, found an array"},

		{"unsorted", "[10, 20]", "[20, 10]", "point 1: frequency 10 Hz must be above that of the point before it, 20 Hz"},
		{"repeated", "[10, 20]", "[10, 10]", "point 1: frequency 10 Hz must be above that of the point before it, 10 Hz"},
		{"zero hertz", "[10, 20]", "[0, 20]", "point 0: frequency 0 Hz must be finite and above 0"},
		{"negative u", "[0.1, 0.2]", "[0.1, -0.2]", "u_resistance_ohm[1]: -0.2 ohm is below 0; a standard uncertainty is at least 0"},
		{"tiny u", "[0.3, 0.4]", "[1e-200, 0.4]", "u_reactance_ohm[0]: 1e-200 ohm is too small or too large; a standard uncertainty is 0 or within 1e-150 to 1e+40 ohm"},
		{"huge u", "[0.3, 0.4]", "[1e200, 0.4]", "u_reactance_ohm[0]: 1e+200 ohm is too small or too large; a standard uncertainty is 0 or within 1e-150 to 1e+40 ohm"},
		{"correlation", `"shared"`, `"cov_noise_ohm2": [0, 0.5], "shared"`, "point 1 (20 Hz): its noise is not a covariance: both variances must be finite and at least 0, and the square of what they share at most their product"},
		{"source twice", `"shared": [`, `"shared": [{"id": "a", "d_resistance_ohm": [1, 2], "d_reactance_ohm": [3, 4]}, `, `shared source "a" is listed twice; one physical thing has one id`},
		{"nameless source", `"id": "a"`, `"id": ""`, "shared[0].id must not be empty"},
		{"nameless warning", `"code": "c"`, `"code": ""`, "warnings[0].code must not be empty"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			text := strings.Replace(sound, tt.old, tt.new, 1)
			if text == sound {
				t.Fatalf("%q is not in the sound record", tt.old)
			}
			r, err := Read(strings.NewReader(text))
			wantError(t, err, tt.want)
			if !reflect.DeepEqual(r, Record{}) {
				t.Errorf("a failed reading returned %+v", r)
			}
			if err != nil {
				checkErrorStyle(t, err)
			}
		})
	}
}

func TestReadRecordPassesOnReadErrors(t *testing.T) {
	want := errReader{}
	if _, err := Read(want); err != error(want) {
		t.Errorf("error %v, want that of the reader", err)
	}
	if _, err := ReadTouchstone(want); err != error(want) {
		t.Errorf("error %v, want that of the reader", err)
	}
}

type errReader struct{}

func (e errReader) Read([]byte) (int, error) { return 0, e }
func (errReader) Error() string              { return "disk on fire" }

func TestErrorsStayOnOneLine(t *testing.T) {
	for _, text := range []string{
		"{\"format\": {\n\"a\":\n1}}",
		"{\"format\": \"tapload sweep\", \"version\": [\n1]}",
		"{\"format\": \"tapload sweep\", \"version\": 1, \"a\\nb\": 1}",
		"{\"format\": \"tapload sweep\", \"version\": 1, \"signal\": [\n1,\n2]}",
		"{\"format\": \"tapload sweep\", \"version\": 1, \"taken\": \"a\\nb\"}",
		"{\"a\nb\": 1}",
		"{} a\nb",
	} {
		_, err := Read(strings.NewReader(text))
		if err == nil {
			t.Errorf("%q was read", text)
			continue
		}
		checkErrorStyle(t, err)
	}
}

func TestResampleIsExactAtItsPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawRecord(t).Curve
		got, err := c.Resample(c.Hz())
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Shared) == 0 {
			got.Shared = c.Shared // nil or empty
		}
		if !reflect.DeepEqual(got, c) {
			t.Fatalf("resampled at its own points\n%v\nwant\n%v", got, c)
		}
	})
}
