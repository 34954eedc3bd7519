package identify

import (
	"encoding/json"
	"strings"
	"testing"

	"tapload/measure/infile/hostile"
	"tapload/measure/record"
)

// A kept fit without its parameters ended in a panic.
func FuzzReadKept(f *testing.F) {
	r, err := Record(f.Context(), record.Record{Label: "driver", Curve: inventedCurve(inventedDriver)}, Options{})
	if err != nil {
		f.Fatal(err)
	}
	sound, err := json.Marshal(r)
	if err != nil {
		f.Fatal(err)
	}
	for _, text := range hostile.JSON(string(sound)) {
		f.Add(text)
	}
	hz := []float64{20, 200, 2000}
	f.Fuzz(func(t *testing.T, text string) {
		hostile.Read(t, text, func(text string) error {
			k, err := ReadKept(strings.NewReader(text), "fit:a")
			if err == nil {
				_, err = k.Curve(hz)
			}
			if err == nil {
				_, err = k.With(Known{MarkedOhm: 8, Drivers: 2})
			}
			return err
		})
	})
}
