package record

import (
	"bytes"
	"strings"
	"testing"

	"tapload/measure/impedance"
	"tapload/measure/infile/hostile"
)

// Brackets without end took gigabytes, and messages had the words of a program.
func FuzzRead(f *testing.F) {
	var sound bytes.Buffer
	r := Record{Label: "invented", SenseOhm: 10, Curve: impedance.Curve{
		Points: []impedance.Point{{Hz: 10, Z: 8, Noise: impedance.Circular(1e-4)}, {Hz: 20, Z: 9 + 1i, Noise: impedance.Circular(1e-4)}},
		Shared: []impedance.Source{{ID: "R", DZ: []complex128{0.1, 0.1}}},
	}, Warnings: []impedance.Warning{{Code: "low-level", Text: "quiet", Hz: []impedance.Band{{Low: 10, High: 20}}}}}
	if err := r.Write(&sound); err != nil {
		f.Fatal(err)
	}
	for _, text := range hostile.JSON(sound.String()) {
		f.Add(text)
	}
	f.Add("frequency_hz,resistance_ohm,reactance_ohm\n20,8,\n")
	f.Add("# Hz Z RI R 50\n20 8 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		hostile.Read(t, text, func(text string) error { _, err := Read(strings.NewReader(text)); return err })
		hostile.Read(t, text, func(text string) error { _, err := ReadCSV(strings.NewReader(text)); return err })
		hostile.Read(t, text, func(text string) error { _, err := ReadTouchstone(strings.NewReader(text)); return err })
	})
}
