package record

import (
	"bytes"
	"math"
	"reflect"
	"strings"
	"testing"

	"tapload/measure/impedance"
)

func distorted() Record {
	return Record{
		Label: "bent",
		Curve: impedance.Curve{Points: []impedance.Point{{Hz: 100, Z: 6}}},
		Distortion: &Distortion{
			Hz: []float64{20, 40, 80},
			Orders: []Order{
				{2, []float64{-60.5, -70, -80}, []float64{-100, -100, -101}},
				{3, []float64{-40, -50}, []float64{-99, -98}},
				{4, []float64{}, []float64{}},
			},
			Residual: []float64{-90}, ResidualFloor: []float64{-95},
		},
	}
}

func TestDistortionComesBack(t *testing.T) {
	want := distorted()
	var b bytes.Buffer
	if err := want.Write(&b); err != nil {
		t.Fatal(err)
	}
	got, err := Read(&b)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got.Distortion, want.Distortion) {
		t.Errorf("got  %+v\nwant %+v", got.Distortion, want.Distortion)
	}
}

func TestDistortionRefusals(t *testing.T) {
	for _, c := range []struct {
		change func(*Distortion)
		want   string
	}{
		{func(d *Distortion) { d.Hz = nil }, "distortion.frequency_hz is empty"},
		{func(d *Distortion) { d.Hz[1] = 20 }, "distortion.frequency_hz[1]: 20 Hz must be finite, above 0 and above the one before"},
		{func(d *Distortion) { d.Orders[1].Number = 2 }, "distortion.orders[1]: 2 must be 2 or more and above the one before"},
		{func(d *Distortion) { d.Orders[0].Floor = nil }, "distortion.level_db[0] has 3 values, floor_db[0] 0 and frequency_hz 3"},
		{func(d *Distortion) { d.Orders[1].Level[0] = math.Inf(-1) }, "distortion: level_db[1] -Inf and floor_db[1] -99 at 20 Hz must be finite"},
		{func(d *Distortion) {
			d.Residual, d.ResidualFloor = make([]float64, 4), make([]float64, 4)
		}, "distortion.residual_db has 4 values"},
	} {
		r := distorted()
		c.change(r.Distortion)
		if err := r.Write(&bytes.Buffer{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want %q", err, c.want)
		}
	}
	var b bytes.Buffer
	if err := distorted().Write(&b); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ orders, want string }{
		{"2, 3", "distortion.orders has 2 values, level_db 3 rows and floor_db 3"},
		{"2, 3.5, 4", "distortion.orders[1]: 3.5 must be a whole number"},
	} {
		text := strings.Replace(b.String(), "2, 3, 4", c.orders, 1)
		if _, err := Read(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want %q", err, c.want)
		}
	}
}

func TestScrape(t *testing.T) {
	flat := func(db float64) []float64 { return []float64{db, db, db, db} }
	made := func(odd [3]float64, residual ...float64) Distortion {
		d := Distortion{Hz: []float64{20, 40, 80, 160}, Residual: residual, ResidualFloor: flat(-100)[:len(residual)]}
		for k := 2; k <= 8; k++ {
			l := -110.0
			if k%2 == 1 {
				l = odd[(k-3)/2]
			}
			d.Orders = append(d.Orders, Order{k, flat(l), flat(-110)})
		}
		return d
	}
	for name, c := range map[string]struct {
		d    Distortion
		want int
	}{
		"nothing":                            {made([3]float64{-60, -90, -110}, -100, -99, -101, -100), -1},
		"a bend that goes on as it fell":     {made([3]float64{-20, -35, -50}, -100, -66, -65, -100), -1},
		"more than the bend would have left": {made([3]float64{-20, -35, -50}, -100, -62, -60, -100), 2},
		"one band alone":                     {made([3]float64{-60, -90, -110}, -100, -60, -100, -100), -1},
		"orders that hardly fall":            {made([3]float64{-38, -41, -44}, -48, -47, -100), 1},
		"no residual":                        {made([3]float64{-60, -90, -110}), -1},
	} {
		if got := c.d.Scrape(); got != c.want {
			t.Errorf("%s: found at %d, want %d", name, got, c.want)
		}
	}
}
