package main

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tapload/fit"
	"tapload/fixtures/bench/foreign"
	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// inventedCurve is a driver measured with 0.1 % noise, which a comb of signs
// stands in for, and a sense resistor of 0.6 %.
func inventedCurve(d netlist.Driver) impedance.Curve {
	var c impedance.Curve
	s := impedance.Source{ID: "sense-resistor:invented"}
	for i, hz := range fitGrid() {
		z := d.Impedance(hz)
		u := 0.001 * cmplx.Abs(z)
		sign := complex(float64(1-2*(i/2%2)), 0)
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z * (1 + 0.0007*sign), Noise: impedance.Circular(u * u)})
		s.DZ = append(s.DZ, z*0.006)
	}
	c.Shared = []impedance.Source{s}
	return c
}

var inventedDriver = netlist.Driver{Re: 6.4, Coil: netlist.Coil{K: 0.02, N: 0.68}, Resonances: []netlist.Resonance{{Hz: 92, Qm: 5.2, Res: 48}}}

// A kept fit stands for the fitted load: the same impedance, and the same
// uncertainty as the fit itself finds by its own derivatives.
func TestKeptFitIsTheFit(t *testing.T) {
	f, err := fitOptions{}.of(load{"driver", record.Record{Label: "driver", Curve: inventedCurve(inventedDriver)}})
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(f.object(fitOptions{}))
	if err != nil {
		t.Fatal(err)
	}
	if !isFit(data) {
		t.Fatal("a fit is not taken for one")
	}
	k, err := readFit(data, "fit:x")
	if err != nil {
		t.Fatal(err)
	}
	at := []float64{30, f.load.Resonances[0].Hz.Value, f.load.Min.Hz, 5000}
	c, err := k.curve(at)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range c.Points {
		if want := f.load.Impedance(p.Hz); cmplx.Abs(p.Z-want) > 1e-12*cmplx.Abs(want) {
			t.Errorf("at %g Hz the kept fit is %v, the fit %v", p.Hz, p.Z, want)
		}
		if m, u := c.Modulus(i); u < 0.006*m || u > 0.01*m {
			t.Errorf("at %g Hz |Z| is %g ± %g; the sense resistor alone makes 0.6 %%", p.Hz, m, u)
		}
	}
	if _, u := c.Modulus(2); math.Abs(u/f.load.Min.Ohm.U-1) > 0.02 {
		t.Errorf("u of the minimum is %g, the fit says %g", u, f.load.Min.Ohm.U)
	}
	if last := c.Shared[len(c.Shared)-1].ID; last != "sense-resistor:invented" {
		t.Errorf("the sense resistor, which other curves share, has become %q", last)
	}
	if ohm, doubt := k.ratedOhm(); ohm != 8 || doubt != nil {
		t.Errorf("rated %g ohm, %v; want 8", ohm, doubt)
	}
}

// Whatever a fit is made of goes into its JSON and comes back, and its page has
// words for it; a fit of what lies below a crossover does not stand for the
// curve.
func TestKeptFitOfEveryPart(t *testing.T) {
	for _, kind := range foreign.Kinds() {
		for seed := range uint64(2) {
			drawn := kind.Draw(seed)
			f, err := fitOptions{}.of(load{"driver", record.Record{Label: "driver", Curve: drawn.Curve(0)}})
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			var text strings.Builder
			if err := f.print(&text, fitOptions{}); err != nil || strings.ContainsAny(text.String(), "{}") {
				t.Errorf("%v: %v in the page\n%s", drawn, err, text.String())
			}
			data, err := json.Marshal(f.object(fitOptions{}))
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			k, err := readFit(data, "fit:x")
			if f.load.Crossover == fit.Split {
				if err == nil || !strings.Contains(err.Error(), "below a crossover") {
					t.Errorf("%v: a fit of part of the curve stands for it: %v", drawn, err)
				}
				continue
			}
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			c, err := k.curve([]float64{20, 60, 150, 1000, 9000})
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			for _, p := range c.Points {
				if want := f.load.Impedance(p.Hz); cmplx.Abs(p.Z-want) > 1e-9*cmplx.Abs(want) {
					t.Errorf("%v: at %g Hz the kept fit is %v, the fit %v; %+v", drawn, p.Hz, p.Z, want, f.load.Model)
				}
			}
		}
	}
}

// A fit that has nothing but its values, as any program may write it.
func TestKeptFitWithoutCovariance(t *testing.T) {
	const text = `{"label":"d","re_ohm":{"value":6,"u":0.06},"resonances":[{"f_hz":{"value":40,"u":0},"q_ms":{"value":4,"u":0},"r_es_ohm":{"value":53,"u":0}}],
		"coil":{"kind":"inductor","l_h":{"value":4e-4,"u":4e-6}},"z_min":{"ohm":6.3,"hz":200},"rated_ohm":null,"rated":{"candidates":[4,8],"verdict":"undecided"}}`
	k, err := readFit([]byte(text), "fit:d")
	if err != nil {
		t.Fatal(err)
	}
	c, err := k.curve([]float64{1000})
	if err != nil {
		t.Fatal(err)
	}
	// Closed form: dZ/dRe = 1, dZ/dL = s.
	got := map[string]complex128{}
	for _, s := range c.Shared {
		got[s.ID] = s.DZ[0]
	}
	for id, want := range map[string]complex128{"fit:d:re": 0.06, "fit:d:l": complex(0, 2*math.Pi*1000*4e-6)} {
		if cmplx.Abs(got[id]-want) > 1e-9 {
			t.Errorf("%s moves Z by %v, want %v", id, got[id], want)
		}
	}
	if len(got) != 2 {
		t.Errorf("sources %v; want re and l", got)
	}
	if ohm, doubt := k.ratedOhm(); ohm != 4 || doubt == nil || doubt.Code != "rating-undecided" {
		t.Errorf("rated %g ohm, %v; want the lower, with a warning", ohm, doubt)
	}
	for change, says := range map[string]string{
		`"inductor"`:       `there is no coil "magic"`,
		`"value":6,`:       "is no value of a load",
		`"label":"d"`:      "not a fit",
		`"undecided"}}`:    "more than one fit",
		`"resonances":[{"`: "this one has 0",
	} {
		bad := strings.Replace(text, change, map[string]string{
			`"inductor"`: `"magic"`, `"value":6,`: `"value":-6,`, `"label":"d"`: `"label":3`,
			`"undecided"}}`: `"undecided"}} {}`, `"resonances":[{"`: `"resonances":[],"x":[{"`,
		}[change], 1)
		if _, err := readFit([]byte(bad), "fit:d"); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s changed: %v; want it to say %q", change, err, says)
		}
	}
}

// One file given for two names is one curve, also behind another path to it.
func TestOneFileIsOneCurve(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "a"+recordSuffix)
	rec := record.Record{Label: "a", Curve: inventedCurve(inventedDriver)}
	if err := writeFiles(file{path: path, write: rec.Write}); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(path, filepath.Join(folder, "link.json")); err != nil {
		t.Skipf("no links here: %v", err)
	}
	o := cabinetFlags{rated: pairs{of: map[string]float64{"a": 16}}}
	for _, resample := range []bool{false, true} {
		o.resample = resample
		all, err := o.read(t.Context(), newVersion(env{}), []string{path, "b=" + path, "c=" + filepath.Join(folder, "link.json"), "d=8"})
		if err != nil {
			t.Fatal(err)
		}
		l := all.loads
		if len(l) != 4 || l[0].Curve == nil || l[0].Curve != l[1].Curve || l[1].Curve != l[2].Curve || l[3].Curve != nil {
			t.Errorf("resample %t: loads %+v; want one curve in the first three", resample, l)
		}
		if l[0].RatedOhm != 16 || l[1].RatedOhm != 8 || l[3].RatedOhm != 8 {
			t.Errorf("ratings %g, %g, %g; want 16 as given, 8 as found, 8", l[0].RatedOhm, l[1].RatedOhm, l[3].RatedOhm)
		}
	}
}
