package record

import (
	"bytes"
	"fmt"
	"math"
	"math/cmplx"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tapload/measure/impedance"
	"tapload/measure/oneline"
)

func TestWriteTouchstone(t *testing.T) {
	r := Record{
		Label: "invented é [End] ! x",
		Taken: time.Date(2026, 3, 1, 14, 5, 0, 0, time.UTC),
		Curve: impedance.Curve{Points: []impedance.Point{{Hz: 10, Z: 6.5 + 0.25i}, {Hz: 20000, Z: 1e-7 - 12i}}},
	}
	const want = `! "invented \u00e9 [End] ! x"
! taken 2026-03-01T14:05:00Z; uncertainties are in the sweep record only
[Version] 2.0
# Hz Z RI R 50
[Number of Ports] 1
[Number of Frequencies] 2
[Reference] 50
[Network Data]
10 6.5 0.25
20000 1e-07 -12
[End]
`
	var b bytes.Buffer
	if err := r.WriteTouchstone(&b); err != nil {
		t.Fatal(err)
	}
	if b.String() != want {
		t.Errorf("wrote\n%s\nwant\n%s", b.String(), want)
	}
	got, err := ReadTouchstone(&b)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, r.Curve) {
		t.Errorf("read back %v, want %v", got, r.Curve)
	}
}

// Whatever the label holds, the file keeps its lines and stays printable ASCII.
func TestLabelStaysInItsComment(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		label := rapid.Map(rapid.StringN(0, 60, -1), oneline.Harmless).Filter(func(s string) bool { return oneline.Check(s) == nil })
		r := Record{Label: label.Draw(t, "label"), Curve: impedance.Curve{Points: []impedance.Point{{Hz: 10, Z: 8}}}}
		var b bytes.Buffer
		if err := r.WriteTouchstone(&b); err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(b.String(), "\n"); n != 10 {
			t.Fatalf("%d lines:\n%s", n, b.String())
		}
		for _, c := range b.Bytes() {
			if c != '\n' && (c < 0x20 || c > 0x7e) {
				t.Fatalf("byte %#x in\n%q", c, b.String())
			}
		}
	})
}

// The equal pair that the Touchstone 2.0 standard (IBIS Open Forum) publishes
// to show that version 1 divides an impedance by the reference and version 2
// does not.
func TestPublishedPair(t *testing.T) {
	const v1 = `! 1-port Z-parameter file
# MHz Z MA R 75
!freq magZ11 angZ11
100 0.99 -4
200 0.80 -22
300 0.707 -45
400 0.40 -62
500 0.01 -89
`
	const v2 = `! 1-port Z-parameter file
[Version] 2.0
# MHz Z MA
[Number of Ports] 1
[Number of Frequencies] 5
[Reference] 20.0
[Network Data]
!freq magZ11 angZ11
100 74.25 -4
200 60 -22
300 53.025 -45
400 30 -62
500 0.75 -89
[End]
`
	want := []struct{ mhz, ohm, deg float64 }{{100, 74.25, -4}, {200, 60, -22}, {300, 53.025, -45}, {400, 30, -62}, {500, 0.75, -89}}
	for name, text := range map[string]string{"1.0": v1, "2.0": v2} {
		c, err := ReadTouchstone(strings.NewReader(text))
		if err != nil {
			t.Errorf("version %s: %v", name, err)
			continue
		}
		if len(c.Points) != len(want) {
			t.Errorf("version %s: %d points, want %d", name, len(c.Points), len(want))
			continue
		}
		for i, w := range want {
			p := c.Points[i]
			if p.Hz != w.mhz*1e6 || math.Abs(cmplx.Abs(p.Z)-w.ohm) > 1e-14*w.ohm || math.Abs(cmplx.Phase(p.Z)*180/math.Pi-w.deg) > 1e-13*90 {
				t.Errorf("version %s, point %d: %v, want %v MHz, %v ohm at %v degrees", name, i, p, w.mhz, w.ohm, w.deg)
			}
		}
	}
}

// One curve in every unit and form, written by the test, reads as the same.
func TestTouchstoneUnitsAndForms(t *testing.T) {
	points := []impedance.Point{{Hz: 20, Z: 6 + 1i}, {Hz: 1500, Z: -3i}, {Hz: 20000, Z: 25 - 40i}}
	units := map[string]float64{"Hz": 1, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
	forms := map[string]func(complex128) (a, b float64){
		"RI": func(z complex128) (a, b float64) { return real(z), imag(z) },
		"MA": func(z complex128) (a, b float64) { return cmplx.Abs(z), cmplx.Phase(z) * 180 / math.Pi },
		"DB": func(z complex128) (a, b float64) {
			return 20 * math.Log10(cmplx.Abs(z)), cmplx.Phase(z) * 180 / math.Pi
		},
	}
	check := func(name, text string) {
		t.Helper()
		c, err := ReadTouchstone(strings.NewReader(text))
		if err != nil {
			t.Errorf("%s: %v in\n%s", name, err, text)
			return
		}
		if err := impedance.SameGrid(c, impedance.Curve{Points: points}); err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
		for i, p := range points {
			if e := cmplx.Abs(c.Points[i].Z - p.Z); e > 1e-14*cmplx.Abs(p.Z) {
				t.Errorf("%s, point %d: %v, want %v", name, i, c.Points[i].Z, p.Z)
			}
		}
	}
	for unit, hz := range units {
		for form, parts := range forms {
			for _, v := range []struct {
				name, head, reference, tail string
				ohm                         float64
			}{
				{"1.x", "", "R 8", "", 8},
				{"2.0", "[Version] 2.0\n", "R 8", "[End]", 1},
				{"2.1", "[version]2.1\n", "r 8", "[END]\n! over\n", 1},
			} {
				data := ""
				for _, p := range points {
					a, b := parts(p.Z / complex(v.ohm, 0))
					data += fmt.Sprintf(" %v\t%v %v ! a comment\n", p.Hz/hz, a, b)
				}
				head := v.head + "# " + strings.Join([]string{v.reference, form, "z", unit}, " ") + "\n"
				if v.head != "" {
					head += "[Number of Ports] 1\n[Number of Frequencies] 3\n[Reference]\n50.0\n[Matrix Format] Full\n[Begin Information]\n[Made by] us\n20 1 2\n[End Information]\n[Network Data]\n"
				}
				text := head + data + v.tail
				name := strings.Join([]string{v.name, unit, form}, " ")
				check(name, text)
				check(name+" CR LF", strings.ReplaceAll(text, "\n", "\r\n"))
				check(name+" CR", strings.ReplaceAll(text, "\n", "\r"))
				// What went wrong: the mark that some editors put before a text was "before
				// the option line", where CSV and JSON were taken with it.
				check(name+" byte order mark", "\ufeff"+text)
				check(name+" capitals", strings.ToUpper(text))
			}
		}
	}
	// Defaults of the standard: GHz, MA, R 50.
	check("defaults", "# Z\n20e-9 0.12165525060596439 9.462322208025617\n1500e-9 0.06 -90\n20000e-9 0.9433981132056604 -57.99461679191651\n")
}

func TestReadTouchstoneRefuses(t *testing.T) {
	const v1 = "# Hz Z RI R 50\n10 1 2\n20 3 4\n"
	const v2 = "[Version] 2.0\n# Hz Z RI\n[Number of Ports] 1\n[Number of Frequencies] 2\n[Reference] 50\n[Network Data]\n10 1 2\n20 3 4\n[End]\n"
	for _, tt := range []struct{ name, sound, old, new, want string }{
		{"nothing", v1, v1, "", "not a Touchstone file: no option line, such as # Hz Z RI R 50"},
		{"only comments", v1, v1, "! x\n! y\n", "not a Touchstone file: no option line, such as # Hz Z RI R 50"},
		{"something else", v1, v1, "frequency,ohm\n", `line 1: "frequency,ohm" comes before the option line, such as # Hz Z RI R 50`},
		{"no data", v1, "10 1 2\n20 3 4\n", "", "the file has no network data"},
		{"S", v1, " Z", " S", "line 1: option line: parameter S is not read, only Z"},
		{"default parameter", v1, " Z", "", "line 1: option line names no parameter, which means S; only Z is read"},
		{"unit", v1, " Hz", " THz", `line 1: option line: "thz" is not a unit of frequency, a parameter, a form of numbers or R`},
		{"two units", v1, " Hz", " Hz kHz", "line 1: option line gives the unit of frequency twice"},
		{"two forms", v1, " RI", " RI MA", "line 1: option line gives the form of numbers twice"},
		{"two parameters", v1, " Z", " Z Y", "line 1: option line gives the parameter twice"},
		{"two references", v1, "R 50", "R 50 R 75", "line 1: option line gives the reference twice"},
		{"reference missing", v1, "R 50", "R", "line 1: option line ends after R; a number of ohms must follow"},
		{"reference 0", v1, "R 50", "R 0", "line 1: option line: reference 0 ohm must be above 0"},
		{"reference in words", v1, "R 50", "R fifty", `line 1: "fifty" is not a finite decimal number`},
		{"second option line", v1, "20 3", "# Hz Z\n20 3", `line 3: a second option line "# Hz Z"; there must be one`},
		{"two-port data", v1, "10 1 2", "10 1 2 3 4", "line 2: 5 values; one-port data is a frequency and two values a line"},
		{"NaN", v1, "10 1", "10 NaN", `line 2: "NaN" is not a finite decimal number`},
		{"Inf", v1, "3 4", "3 -Inf", `line 3: "-Inf" is not a finite decimal number`},
		{"hexadecimal", v1, "3 4", "3 0x4p0", `line 3: "0x4p0" is not a finite decimal number`},
		{"too large", v1, "3 4", "3 4e999", `line 3: "4e999" is not a finite decimal number`},
		{"too large by the reference", v1, "3 4", "3 1.7e308", "line 3: the impedance is not a finite number"},
		{"zero hertz", v1, "10 1", "0 1", "line 2: frequency 0 Hz must be finite and above 0; take the line out"},
		{"unsorted", v1, "20 3", "5 3", "line 3: frequency 5 Hz must be above the one before it, 10 Hz"},
		{"repeated", v2, "20 3", "10 3", "line 8: frequency 10 Hz must be above the one before it, 10 Hz"},
		{"negative magnitude", v1, "# Hz Z RI R 50\n10 1", "# Hz Z MA R 50\n10 -1", "line 2: magnitude -1 is below 0"},
		{"keyword in version 1", v1, "10 1", "[Reference] 50\n10 1", "line 2: keyword [reference] comes before [Version]; a version 1 file has no keywords"},
		{"version late", v1, "10 1", "[Version] 2.0\n10 1", "line 2: [Version] must come before everything but comments"},
		{"later version", v2, "2.0", "3.0", `line 1: version "3.0" is unknown; 1.x (without keywords), 2.0 and 2.1 are read`},
		{"no option line", v2, "# Hz Z RI\n", "", "line 2: keyword [number of ports] comes before the option line, such as # Hz Z RI R 50"},
		{"two ports", v2, "Ports] 1", "Ports] 2", `line 3: "2" ports; an impedance curve is a one-port`},
		{"no ports", v2, "[Number of Ports] 1\n", "", "line 5: [Network Data] comes before [Number of Ports]"},
		{"no number", v2, "[Number of Frequencies] 2\n", "", "line 5: [Network Data] comes before [Number of Frequencies]"},
		{"bad number", v2, "Frequencies] 2", "Frequencies] two", `line 4: number of frequencies "two" is not a whole number above 0`},
		{"other number", v2, "Frequencies] 2", "Frequencies] 3", "[Number of Frequencies] is 3 but there are 2 lines of network data"},
		{"two references in 2.0", v2, "[Reference] 50", "[Reference] 50 75", `line 5: reference "50 75" is not one number of ohms above 0`},
		{"reference left out", v2, "[Reference] 50", "[Reference]", "line 6: keyword [network data] comes where the value of [Reference] is expected"},
		{"keyword twice", v2, "[Reference] 50", "[Reference] 50\n[reference] 50", "line 6: keyword [reference] is there twice"},
		{"unknown keyword", v2, "[Reference] 50", "[Mixed-Mode Order] D2,3", "line 5: keyword [mixed-mode order] is not known in a one-port file"},
		{"matrix format", v2, "[Reference] 50", "[Matrix Format] Half", `line 5: matrix format "Half" is not Full, Lower or Upper`},
		{"open bracket", v2, "[Reference]", "[Reference", `line 5: keyword "[Reference 50" has no closing bracket`},
		{"early data", v2, "[Network Data]\n", "", `line 6: "10 1 2" comes before [Network Data]`},
		{"noise data", v2, "[End]", "[Noise Data]\n[End]", "line 9: keyword [noise data] in the network data; only [End] may follow it in a one-port file"},
		{"end of no information", v2, "[Reference] 50", "[End Information]", "line 5: [End Information] without [Begin Information]"},
		{"information without end", v2, "[Reference] 50", "[Begin Information]", "the file ends before [End]"},
		{"early end", v2, "[Network Data]", "[End]", "line 6: [End] comes before [Network Data]"},
		{"no end", v2, "[End]\n", "", "the file ends before [End]"},
		{"after the end", v2, "[End]", "[End]\n30 1 2", `line 10: "30 1 2" comes after [End]`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := ReadTouchstone(strings.NewReader(tt.sound)); err != nil {
				t.Fatal(err)
			}
			text := strings.Replace(tt.sound, tt.old, tt.new, 1)
			if text == tt.sound {
				t.Fatalf("%q is not in the sound file", tt.old)
			}
			c, err := ReadTouchstone(strings.NewReader(text))
			wantError(t, err, tt.want)
			if !reflect.DeepEqual(c, impedance.Curve{}) {
				t.Errorf("a failed reading returned %v", c)
			}
			if err != nil {
				checkErrorStyle(t, err)
			}
		})
	}
}
