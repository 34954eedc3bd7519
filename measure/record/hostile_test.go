package record

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"tapload/measure/impedance"
	"tapload/measure/infile/hostile"
)

// soundRecords are a record with all that it may hold, and one with little.
func soundRecords(t testing.TB) []string {
	whole := invented()
	whole.Distortion, whole.Drive = distorted().Distortion, &Drive{RMSVolt: 0.5, PeakVolt: 0.7, Watt: 0.03}
	return []string{write(t, whole), write(t, Record{Label: "little", Curve: impedance.Curve{Points: []impedance.Point{{Hz: 50, Z: 8}}}})}
}

// readRecord holds what reads to write and read the same in every format.
func readRecord(t testing.TB, text string) error {
	r, err := Read(strings.NewReader(text))
	if err != nil {
		checkErrorStyle(t, err)
		return err
	}
	if !json.Valid([]byte(strings.TrimPrefix(text, "\ufeff"))) {
		t.Fatalf("accepted what is not JSON")
	}
	again, err := Read(strings.NewReader(write(t, r)))
	if err != nil {
		t.Fatal(err)
	}
	if !sameRecord(r, again) {
		t.Fatalf("read %+v\nthen %+v", r, again)
	}
	var csv, ts bytes.Buffer
	if err := r.WriteCSV(&csv); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadCSV(&csv); err != nil {
		t.Fatal(err)
	}
	if err := r.WriteTouchstone(&ts); err != nil {
		t.Fatal(err)
	}
	c, err := ReadTouchstone(&ts)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range c.Points {
		if q := r.Curve.Points[i]; p.Hz != q.Hz || p.Z != q.Z {
			t.Fatalf("point %d: %v through Touchstone, %v in the record", i, p, q)
		}
	}
	return nil
}

// Brackets without end took gigabytes, and messages had the words of a program.
func TestMalformedRecords(t *testing.T) {
	hostile.Test(t, hostile.JSON, soundRecords(t), readRecord)
}

func FuzzReadRecord(f *testing.F) {
	f.Add(`{"format": "tapload sweep", "version": 1, "label": "\ud800", "taken": "2026-03-01T14:05:00.5+00:00", "signal": {"a": [1e400]}, "sense_ohm": 0, "jig": null, "frequency_hz": [10], "resistance_ohm": [-0], "reactance_ohm": [0], "u_resistance_ohm": [-0], "u_reactance_ohm": [1e-160], "cov_noise_ohm2": [0], "shared": [], "warnings": []}`)
	f.Add(`{"format": "tapload sweep", "version": 1, "frequency_hz": [NaN]`)
	f.Add(strings.Replace(soundRecords(f)[1], "50\n", "1e300\n", 1))
	f.Add(strings.Replace(soundRecords(f)[1], "8\n", "1e200\n", 1))
	hostile.Fuzz(f, hostile.JSON, soundRecords(f), readRecord)
}

var (
	soundCSV = []string{
		"frequency_hz,resistance_ohm,reactance_ohm,u_resistance_ohm,u_reactance_ohm\n20,30,40,0.1,0.2\n50.5,0,-8,0,0\n1e3,8.5,1.25,0.01,0.01\n",
		"\ufeff# a\r\nfrequency_hz;modulus_ohm;phase_deg;u_modulus_ohm;u_phase_deg\r\n20;30;400;1;2\r\n100;8;-45;0.1;0.5\r\n",
		"frequency_hz,resistance_ohm,reactance_ohm,modulus_ohm,phase_deg\n20,30,40,50,53.13\n50,8,0,8,0\n",
	}
	csvRows = hostile.Rows(",", append(csvKnown, "resistance_kohm", "phase_rad", "frequency_khz", "frequency (Hz)", "Phase(Deg)", "sep=;", "note", "# note", ";", "\t", "\"", "20;8;0", "0,5")...)
)

func readCSV(t testing.TB, text string) error {
	c, err := ReadCSV(strings.NewReader(text))
	if err != nil {
		return err
	}
	if err := c.Check(); err != nil {
		t.Fatalf("a curve that is none: %v", err)
	}
	readRecordOf(t, Record{Curve: c})
	return nil
}

// readRecordOf holds a record of a curve that was read to go into a file and out
// of it.
func readRecordOf(t testing.TB, r Record) {
	t.Helper()
	if err := readRecord(t, write(t, r)); err != nil {
		t.Fatal(err)
	}
}

func TestMalformedCSV(t *testing.T) { hostile.Test(t, csvRows, soundCSV, readCSV) }

func FuzzReadCSV(f *testing.F) {
	f.Add("frequency_hz,modulus_ohm,phase_deg\n1,1e308,1e308\n")
	hostile.Fuzz(f, csvRows, soundCSV, readCSV)
}

var (
	soundTouchstone = []string{
		"# MHz Z MA R 75\n100 0.99 -4\n200 0.5 90\n",
		"! x\n[Version] 2.0\n# kHz Z DB R 8\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Reference]\n8\n[Begin Information]\n[End Information]\n[Network Data]\n1 20 30\n[End]\n",
		"! y\n[Version] 2.1\n# Hz Z RI R 50\n[Number of Ports] 1\n[Number of Frequencies] 3\n[Reference] 50\n[Matrix Format] Full\n[Network Data]\n20 8 1 ! low\n200 9.5 -2\n2e3 12 8\n[End]\n",
	}
	touchstoneRows = hostile.Rows(" ", "!", "#", "Hz", "kHz", "GHz", "S", "Y", "Z", "RI", "MA", "DB", "R", "[Version]", "2.0", "1.1", "[End]", "[Network Data]", "[Reference]", "[Number", "of", "Ports]", "Frequencies]", "[Noise Data]", "[Begin Information]", "[Mixed-Mode Order]", "[", "]", "[]", "# Hz Z RI R 50", "20 8 1")
)

func readTouchstone(t testing.TB, text string) error {
	c, err := ReadTouchstone(strings.NewReader(text))
	if err != nil {
		checkErrorStyle(t, err)
		return err
	}
	var b bytes.Buffer
	if err := (Record{Curve: c}).WriteTouchstone(&b); err != nil {
		t.Fatal(err)
	}
	again, err := ReadTouchstone(&b)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(c, again) {
		t.Fatalf("read %v, then %v", c, again)
	}
	readRecordOf(t, Record{Curve: c})
	return nil
}

func TestMalformedTouchstone(t *testing.T) {
	hostile.Test(t, touchstoneRows, soundTouchstone, readTouchstone)
}

func FuzzReadTouchstone(f *testing.F) {
	hostile.Fuzz(f, touchstoneRows, soundTouchstone, readTouchstone)
}

// Each was a sentence as long as the file, or one in the words of a decoder, or held
// a character that is not seen.
func TestSentencesOfBadRecords(t *testing.T) {
	long := strings.Repeat("k", 3000)
	for _, c := range []struct {
		read       func(testing.TB, string) error
		text, want string
	}{
		{readRecord, `{"format": "tapload sweep", "version": 1, "` + long + `": 1}`, `key "` + long[:40] + `..." is unknown`},
		{readCSV, "frequency_hz,resistance_ohm,reactance_ohm\n20,8\"x\",0\n", `line 2: not a table of comma-separated values: a value holds a " but does not begin with one`},
		{readCSV, "frequency_hz,resistance_ohm,reactance_ohm\n20,\"8\"x,0\n", `line 2: not a table of comma-separated values: a value that begins with " goes on behind its second one, or has none`},
		{readTouchstone, "[Version] 2.0\n# Hz Z RI R 50\n[a\x00b] 1\n", `line 3: keyword [a\x00b] is not known in a one-port file`},
	} {
		if err := hostile.Read(t, c.text, c.read); err == nil || err.Error() != c.want {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
}

// What went wrong: a line at 1e300 Hz was imported without a word, and the plot of it
// took gigabytes.
func TestFarLinesOfTables(t *testing.T) {
	for _, c := range []struct {
		read       func(testing.TB, string) error
		text, want string
	}{
		{readCSV, "frequency_hz,resistance_ohm,reactance_ohm\n20,8,0\n1e300,8,0\n", "line 3: frequency 1e+300 Hz must be from 0.001 Hz to 1 GHz; look at its unit, or leave it out"},
		{readCSV, "frequency_hz,modulus_ohm,phase_deg\n20,1e30,0\n", "line 2: |Z| of 1e+30 ohm must be at most 1e+20 ohm, more than any open end shows; leave the point out"},
		{readTouchstone, "# GHz Z RI R 50\n1 1 0\n2 1 0\n", "line 3: frequency 2e+09 Hz must be from 0.001 Hz to 1 GHz; look at its unit, or leave it out"},
		{readTouchstone, "# Hz Z RI R 50\n1 1e200 0\n", "line 2: |Z| of 5e+201 ohm must be at most 1e+20 ohm, more than any open end shows; leave the point out"},
	} {
		if err := hostile.Read(t, c.text, c.read); err == nil || err.Error() != c.want {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
}
