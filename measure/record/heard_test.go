package record

import (
	"bytes"
	"strings"
	"testing"

	"tapload/measure/impedance"
)

// What only program material has comes back as it was, and a record that
// states it wrongly is refused by name.
func TestRecordOfProgramMaterial(t *testing.T) {
	r := Record{
		Label: "box", Curve: impedance.Curve{Points: []impedance.Point{{Hz: 100, Z: 8}, {Hz: 200, Z: 9}}},
		Coherence: []float64{0.96, 1}, Drive: &Drive{RMSVolt: 3.5, PeakVolt: 12, Watt: 1.25},
	}
	var text bytes.Buffer
	if err := r.Write(&text); err != nil {
		t.Fatal(err)
	}
	whole := text.String()
	back, err := Read(&text)
	if err != nil {
		t.Fatal(err)
	}
	if back.Coherence[0] != 0.96 || back.Coherence[1] != 1 || *back.Drive != *r.Drive {
		t.Errorf("came back as %v, %+v", back.Coherence, back.Drive)
	}
	for _, test := range []struct{ from, to, says string }{
		{"0.96, 1", "0.96", "coherence has 1 values and frequency_hz has 2"},
		{"0.96, 1", "0.96, 1.1", "coherence[1]: 1.1 must be 0 to 1"},
		{`"rms_volt": 3.5`, `"rms_volt": -3.5`, "load_level.rms_volt: -3.5 must be finite and at least 0"},
		{`"rms_volt": 3.5, `, "", `load_level: key "rms_volt" is missing`},
		{`, "watt": 1.25`, "", ""},
	} {
		edited := strings.Replace(whole, test.from, test.to, 1)
		if edited == whole {
			t.Fatalf("%q is not in\n%s", test.from, whole)
		}
		_, err := Read(strings.NewReader(edited))
		if (test.says == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), test.says) {
			t.Errorf("%q for %q: error %v, want %q", test.to, test.from, err, test.says)
		}
	}
}
