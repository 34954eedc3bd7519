package record

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/cmplx"
	"strings"
	"testing"
	"unicode/utf16"

	"pgregory.net/rapid"

	"tapload/measure/impedance"
)

// A curve comes back from what WriteCSV makes of it, but for its shared
// sources, which the table cannot hold.
func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c impedance.Curve
		hz := 0.0
		for range rapid.IntRange(1, 20).Draw(t, "points") {
			hz += rapid.Float64Range(0.01, 1000).Draw(t, "step")
			part := rapid.Float64Range(-1e5, 1e5)
			u := rapid.Float64Range(0, 10)
			a, b := u.Draw(t, "ur"), u.Draw(t, "ux")
			c.Points = append(c.Points, impedance.Point{Hz: hz, Z: complex(part.Draw(t, "r"), part.Draw(t, "x")), Noise: impedance.Cov{RR: a * a, II: b * b}})
		}
		var b bytes.Buffer
		if err := (Record{Curve: c}).WriteCSV(&b); err != nil {
			t.Fatal(err)
		}
		got, err := ReadCSV(&b)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Points) != len(c.Points) {
			t.Fatalf("%d points, want %d", len(got.Points), len(c.Points))
		}
		for i, p := range got.Points {
			want := c.Points[i]
			// The square root and the square of a variance round once each.
			if p.Hz != want.Hz || p.Z != want.Z || math.Abs(p.Noise.RR-want.Noise.RR) > 1e-15*want.Noise.RR || math.Abs(p.Noise.II-want.Noise.II) > 1e-15*want.Noise.II {
				t.Fatalf("point %d: %+v, want %+v", i, p, want)
			}
		}
	})
}

func TestReadCSVForms(t *testing.T) {
	want := []impedance.Point{{Hz: 20, Z: 30 + 40i}, {Hz: 50.5, Z: -8i}}
	for name, text := range map[string]string{
		"plain":                     "frequency_hz,resistance_ohm,reactance_ohm\n20,30,40\n50.5,0,-8\n",
		"no last line end":          "frequency_hz,resistance_ohm,reactance_ohm\n20,30,40\n50.5,0,-8",
		"CR LF and byte order mark": "\ufefffrequency_hz,resistance_ohm,reactance_ohm\r\n20,30,40\r\n50.5,0,-8\r\n",
		"other order, capitals":     "Reactance_ohm, note ,Frequency_Hz,resistance_ohm\n40,a,20,30\n-8,\"b, c\",5.05e1,0\n",
		"comments and empty lines":  "# invented, for a test\n\nfrequency_hz,resistance_ohm,reactance_ohm\n# more; of it\n20,30,40\n\n50.5,0,-8\n",
		"semicolons":                "frequency_hz;resistance_ohm;reactance_ohm\n20;30;40\n50.5;0;-8\n",
		"modulus and phase":         "frequency_hz,modulus_ohm,phase_deg\n20,50,53.13010235415598\n50.5,8,-90\n",
		"both":                      "frequency_hz,modulus_ohm,phase_deg,resistance_ohm,reactance_ohm\n20,50,53.1,30,40\n50.5,8,-90,0,-8\n",
		"modulus beside, no phase":  "frequency_hz,modulus_ohm,resistance_ohm,reactance_ohm\n20,50,30,40\n50.5,8,0,-8\n",
		// What went wrong: tabs and units in brackets were told as another unit, lines that end
		// in CR as no points, and the line by which spreadsheets name the separator as no names.
		"tabs":                         "frequency_hz\tnote\tresistance_ohm\treactance_ohm\n20\t\t30\t40\n50.5\ta, b\t 0\t-8\n",
		"CR alone":                     "# a\rfrequency_hz,resistance_ohm,reactance_ohm\r20,30,40\r50.5,0,-8\r",
		"units in brackets":            "Frequency (Hz),Modulus [Ohm],Phase(Deg)\n20,50,53.13010235415598\n50.5,8,-90\n",
		"units as signs":               "frequency hertz,Resistance (Ω),Reactance (\u2126)\n20,30,40\n50.5,0,-8\n",
		"a line that says a semicolon": "sep=;\r\nfrequency_hz;resistance_ohm;reactance_ohm;note\r\n20;30;40;a, b\r\n50.5;0;-8;\r\n",
		"a line that says a tab":       "\ufeff\"sep=\t\"\nfrequency_hz\tresistance_ohm\treactance_ohm\n20\t30\t40\n50.5\t0\t-8\n",
		"a line that says a comma":     "sep=,\nfrequency_hz,resistance_ohm,reactance_ohm\n20,30,40\n50.5,0,-8\n",
		"names quoted as RFC 4180 has": "\"frequency_hz\",\"resistance_ohm\",\"reactance_ohm\"\n\"20\",\"30\",\"40\"\n50.5,0,-8\n",
	} {
		t.Run(name, func(t *testing.T) {
			c, err := ReadCSV(strings.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			if len(c.Points) != len(want) {
				t.Fatalf("%d points, want %d", len(c.Points), len(want))
			}
			for i, p := range c.Points {
				if p.Hz != want[i].Hz || cmplx.Abs(p.Z-want[i].Z) > 1e-12 || p.Noise != (impedance.Cov{}) {
					t.Errorf("point %d: %+v, want %+v", i, p, want[i])
				}
			}
		})
	}
}

// By hand: 10 ohm at 90 degrees with 0.1 ohm along it and 0.02 rad across it
// has u(X) = 0.1 ohm and u(R) = 10 * 0.02 = 0.2 ohm.
func TestReadCSVPolarUncertainty(t *testing.T) {
	c, err := ReadCSV(strings.NewReader("frequency_hz,modulus_ohm,phase_deg,u_modulus_ohm,u_phase_deg\n100,10,90,0.1,1.1459155902616465\n"))
	if err != nil {
		t.Fatal(err)
	}
	n := c.Points[0].Noise
	if math.Abs(n.RR-0.04) > 1e-12 || math.Abs(n.II-0.01) > 1e-12 || math.Abs(n.RI) > 1e-12 {
		t.Errorf("noise %+v, want RR 0.04, II 0.01", n)
	}
}

func TestReadCSVErrors(t *testing.T) {
	const head = "frequency_hz,resistance_ohm,reactance_ohm\n"
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "no line of column names"},
		{"comments only", "# a\n", "no line of column names"},
		{"no points", head, "no points"},
		{"no names", "20,30,40\n", "line 1: no column frequency_hz"},
		{"kilohertz", "frequency_khz,resistance_ohm,reactance_ohm\n1,2,3\n", `line 1: column "frequency_khz" has another unit than frequency_hz`},
		{"no unit", "frequency,resistance_ohm,reactance_ohm\n1,2,3\n", "line 1: column frequency says no unit; if it is in that of frequency_hz, name it so"},
		// What went wrong: names between blanks were one column of another unit.
		{"blanks", "# a\nfrequency_hz  resistance_ohm reactance_ohm\n1 2 3\n", "line 2: blanks stand between the names of the columns; put commas, semicolons or tabs between all columns"},
		{"a line that says something else", "sep=|\nfrequency_hz|resistance_ohm|reactance_ohm\n1|2|3\n", `line 1: "|" stands between the columns; it must be a comma, a semicolon or a tab`},
		{"the line of a separator", "sep=;\nfrequency_hz;resistance_ohm;reactance_ohm\n20;8;0\n20;8;0\n", "line 4: frequency_hz: 20 is repeated"},
		{"twice by its unit", "frequency_hz,frequency (Hz),resistance_ohm,reactance_ohm\n1,1,2,3\n", "frequency_hz is there twice"},
		{"milliohm as a sign", "frequency_hz,Resistance (mΩ),reactance_ohm\n1,2,3\n", "another unit than resistance_ohm"},
		{"unit in brackets", "frequency (kHz),resistance_ohm,reactance_ohm\n1,2,3\n", "another unit than frequency_hz"},
		{"radian", "# x\nfrequency_hz,modulus_ohm,phase_rad\n1,2,3\n", `line 2: column "phase_rad" has another unit than phase_deg`},
		{"milliohm", "frequency_hz,resistance_mohm,reactance_ohm\n1,2,3\n", "another unit than resistance_ohm"},
		{"half a pair", "frequency_hz,resistance_ohm\n1,2\n", "column resistance_ohm without reactance_ohm"},
		{"modulus alone", "frequency_hz,modulus_ohm\n1,2\n", "column modulus_ohm without phase_deg"},
		{"one uncertainty", "frequency_hz,resistance_ohm,reactance_ohm,u_resistance_ohm\n1,2,3,4\n", "without u_reactance_ohm"},
		{"uncertainty of the other pair", "frequency_hz,modulus_ohm,phase_deg,u_resistance_ohm,u_reactance_ohm\n1,2,3,4,5\n", "not of the columns"},
		{"no impedance", "frequency_hz,note\n1,2\n", "no impedance"},
		{"column twice", "frequency_hz,frequency_hz,resistance_ohm,reactance_ohm\n1,1,2,3\n", "frequency_hz is there twice"},
		{"repeated", head + "20,8,0\n# x\n20,8,0\n", "line 4: frequency_hz: 20 is repeated"},
		{"falling", head + "20,8,0\n19,8,0\n", "line 3: frequency_hz: 19 is below the one before it, 20"},
		{"zero", head + "0,8,0\n", "line 2: frequency_hz: 0 must be above 0"},
		{"not a number", head + "20,8,0\n21,NaN,0\n", "line 3: resistance_ohm: NaN is not a finite number"},
		{"infinite", head + "20,8,-Inf\n", "line 2: reactance_ohm: -Inf is not a finite number"},
		{"missing", head + "20,8,\n", "line 2: reactance_ohm: the value is missing"},
		{"word", head + "20,8 ohm,0\n", `line 2: resistance_ohm: "8 ohm" is not a finite decimal number`},
		{"decimal comma", head + "20,5,8,0,1\n", "line 2: 5 values for 3 columns; numbers need a decimal point"},
		{"decimal comma with semicolons", "frequency_hz;resistance_ohm;reactance_ohm\n20,5;8;0\n", `line 2: frequency_hz: "20,5" has a decimal comma`},
		{"short line", head + "20,8\n", "line 2: 2 values for 3 columns"},
		{"modulus below 0", "frequency_hz,modulus_ohm,phase_deg\n1,-2,3\n", "line 2: modulus_ohm: -2 is below 0"},
		{"disagreement", "frequency_hz,modulus_ohm,phase_deg,resistance_ohm,reactance_ohm\n20,50,53,40,30\n", "line 2: modulus_ohm and phase_deg disagree"},
		{"too large", head + "20,1e308,1.7e308\n", "line 2: the impedance is not a finite number"},
		{"open quote", head + "20,8,\"0\n", "not a table"},
		{"binary", head + "20,8,\xff\n", "line 2: not valid UTF-8"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ReadCSV(strings.NewReader(c.text))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v\nwant   %s", err, c.want)
			}
		})
	}
}

// What went wrong: a text that a spreadsheet had saved as "Unicode" was no UTF-8, no
// JSON or had a bare character in it, and nobody was told what to do.
func TestUTF16IsSaid(t *testing.T) {
	const want = "the text is saved as UTF-16, which some programs call Unicode; save it as UTF-8"
	for what, c := range map[string]struct {
		sound string
		read  func(testing.TB, string) error
	}{"CSV": {soundCSV[0], readCSV}, "Touchstone": {soundTouchstone[0], readTouchstone}, "record": {soundRecords(t)[0], readRecord}} {
		for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
			for _, mark := range []string{"", "\ufeff"} {
				var wide []byte
				for _, c := range utf16.Encode([]rune(mark + c.sound)) {
					wide = order.AppendUint16(wide, c)
				}
				if err := c.read(t, string(wide)); err == nil || err.Error() != want {
					t.Errorf("%s, %v, mark %q: %v", what, order, mark, err)
				}
			}
		}
	}
}
