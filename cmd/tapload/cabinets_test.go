package main

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

func inventedCurve() (c impedance.Curve) {
	d := netlist.Driver{Re: 6.4, Coil: netlist.Coil{K: 0.02, N: 0.68}, Resonances: []netlist.Resonance{{Hz: 92, Qm: 5.2, Res: 48}}}
	for hz := 20.; hz < 20e3; hz *= math.Exp2(1. / 24) {
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: d.Impedance(hz), Noise: impedance.Circular(1e-6)})
	}
	return c
}

// One file given for two names is one curve, also behind another path to it.
func TestOneFileIsOneCurve(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "a"+recordSuffix)
	rec := record.Record{Label: "a", Curve: inventedCurve()}
	if err := (env{}).save(file{Path: path, Write: rec.Write}); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(path, filepath.Join(folder, "link.json")); err != nil {
		t.Skipf("no links here: %v", err)
	}
	o := cabinetFlags{rated: pairs{of: map[string]float64{"a": 16}}}
	command := newVersion(env{})
	command.SetContext(t.Context())
	for _, resample := range []bool{false, true} {
		o.resample = resample
		all, err := o.read(env{}, command, []string{path, "b=" + path, "c=" + filepath.Join(folder, "link.json"), "d=8"}, nil)
		if err != nil {
			t.Fatal(err)
		}
		l := all.Loads
		if len(l) != 4 || l[0].Curve == nil || l[0].Curve != l[1].Curve || l[1].Curve != l[2].Curve || l[3].Curve != nil {
			t.Errorf("resample %t: loads %+v; want one curve in the first three", resample, l)
		}
		if l[0].RatedOhm != 16 || l[1].RatedOhm != 8 || l[3].RatedOhm != 8 {
			t.Errorf("ratings %g, %g, %g; want 16 as given, 8 as found, 8", l[0].RatedOhm, l[1].RatedOhm, l[3].RatedOhm)
		}
	}
}
