package identify

import (
	"encoding/json"
	"strings"
	"testing"

	"tapload/fixtures/netlist"
	"tapload/measure/infile/hostile"
	"tapload/measure/record"
)

// soundFits are fits of loads with one resonance and with two.
func soundFits(t testing.TB) []string {
	two := inventedDriver
	two.Resonances = append([]netlist.Resonance{{Hz: 40, Qm: 7, Res: 30}}, two.Resonances...)
	var all []string
	for _, d := range []netlist.Driver{inventedDriver, two} {
		r, err := Record(t.Context(), record.Record{Label: "driver", Curve: inventedCurve(d)}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, string(text))
	}
	return all
}

// readKept holds a fit that reads to give a curve, or a reason why it gives none.
func readKept(t testing.TB, text string) error {
	if !IsKept([]byte(text)) {
		if _, err := Unfitted("a.json", []byte(text), "a proof"); err != nil {
			return err
		}
	}
	k, err := ReadKept(strings.NewReader(text), "fit:a")
	if err != nil {
		return err
	}
	c, err := k.Curve([]float64{20, 200, 2000})
	if err != nil {
		return err
	}
	if err := c.Check(); err != nil {
		t.Errorf("a curve that is none: %v", err)
	}
	_, err = k.With(Known{MarkedOhm: 8, Drivers: 2})
	return err
}

// A kept fit without its parameters ended in a panic.
func TestMalformedFits(t *testing.T) { hostile.Test(t, hostile.JSON, soundFits(t), readKept) }

func FuzzReadKept(f *testing.F) { hostile.Fuzz(f, hostile.JSON, soundFits(f), readKept) }

// A number of 20,000 digits stood in the sentence as a whole.
func TestLongNumberOfAFit(t *testing.T) {
	err := hostile.Read(t, `{"re_ohm": {"value": `+strings.Repeat("9", 20_000)+`}}`, readKept)
	if want := "not a fit: re_ohm.value cannot be " + strings.Repeat("9", 40) + "..."; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}
