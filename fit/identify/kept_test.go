package identify

import (
	"bytes"
	"encoding/json"
	"math"
	"math/cmplx"
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
	for i, hz := range Grid() {
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
	f, err := Record(t.Context(), record.Record{Label: "driver", Curve: inventedCurve(inventedDriver)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	if !IsKept(data) {
		t.Fatal("a fit is not taken for one")
	}
	k, err := ReadKept(bytes.NewReader(data), "fit:x")
	if err != nil {
		t.Fatal(err)
	}
	at := []float64{30, f.Load.Resonances[0].Hz.Value, f.Load.Min.Hz, 5000}
	c, err := k.Curve(at)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range c.Points {
		if want := f.Load.Impedance(p.Hz); cmplx.Abs(p.Z-want) > 1e-12*cmplx.Abs(want) {
			t.Errorf("at %g Hz the kept fit is %v, the fit %v", p.Hz, p.Z, want)
		}
		if m, u := c.Modulus(i); u < 0.006*m || u > 0.01*m {
			t.Errorf("at %g Hz |Z| is %g ± %g; the sense resistor alone makes 0.6 %%", p.Hz, m, u)
		}
	}
	if _, u := c.Modulus(2); math.Abs(u/f.Load.Min.Ohm.U-1) > 0.02 {
		t.Errorf("u of the minimum is %g, the fit says %g", u, f.Load.Min.Ohm.U)
	}
	if last := c.Shared[len(c.Shared)-1].ID; last != "sense-resistor:invented" {
		t.Errorf("the sense resistor, which other curves share, has become %q", last)
	}
	if ohm, doubt := k.Rating.CountsAs(); ohm != 8 || doubt != nil {
		t.Errorf("rated %g ohm, %v; want 8", ohm, doubt)
	}
}

// Whatever a fit is made of goes into its JSON and comes back; a fit of what lies
// below a crossover does not stand for the curve. Two loads of each kind, or one
// with -short.
func TestKeptFitOfEveryPart(t *testing.T) {
	seeds := 2
	if testing.Short() {
		seeds = 1
	}
	for _, kind := range foreign.Kinds() {
		for seed := range uint64(seeds) {
			drawn := kind.Draw(seed)
			f, err := Record(t.Context(), record.Record{Label: "driver", Curve: drawn.Curve(0)}, Options{})
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			data, err := json.Marshal(f)
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			k, err := ReadKept(bytes.NewReader(data), "fit:x")
			if f.Load.Crossover == fit.Split {
				if err == nil || !strings.Contains(err.Error(), "below a crossover") {
					t.Errorf("%v: a fit of part of the curve stands for it: %v", drawn, err)
				}
				continue
			}
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			c, err := k.Curve([]float64{20, 60, 150, 1000, 9000})
			if err != nil {
				t.Fatalf("%v: %v", drawn, err)
			}
			for _, p := range c.Points {
				if want := f.Load.Impedance(p.Hz); cmplx.Abs(p.Z-want) > 1e-9*cmplx.Abs(want) {
					t.Errorf("%v: at %g Hz the kept fit is %v, the fit %v; %+v", drawn, p.Hz, p.Z, want, f.Load.Model)
				}
			}
		}
	}
}

// A fit that has nothing but its values, as any program may write it.
func TestKeptFitWithoutCovariance(t *testing.T) {
	const text = `{"label":"d","re_ohm":{"value":6,"u":0.06},"resonances":[{"f_hz":{"value":40,"u":0},"q_ms":{"value":4,"u":0},"r_es_ohm":{"value":53,"u":0}}],
		"coil":{"kind":"inductor","l_h":{"value":4e-4,"u":4e-6}},"z_min":{"ohm":6.3,"hz":200},"rated_ohm":null,"rated":{"candidates":[4,8],"verdict":"undecided"}}`
	k, err := ReadKept(strings.NewReader(text), "fit:d")
	if err != nil {
		t.Fatal(err)
	}
	c, err := k.Curve([]float64{1000})
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
	if ohm, doubt := k.Rating.CountsAs(); ohm != 4 || len(doubt) != 1 || doubt[0].Code != "rating-undecided" {
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
		if _, err := ReadKept(strings.NewReader(bad), "fit:d"); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s changed: %v; want it to say %q", change, err, says)
		}
	}
}

// What a file says of its uncertainties must go with its parameters, and what it
// lacks is said in words of the file.
func TestKeptFitIsHeldToItsParameters(t *testing.T) {
	r, err := Record(t.Context(), record.Record{Label: "driver", Curve: inventedCurve(inventedDriver)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	changed := func(change func(map[string]any)) string {
		var o map[string]any
		if err := json.Unmarshal(data, &o); err != nil {
			t.Fatal(err)
		}
		change(o)
		text, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	first := func(o map[string]any) map[string]any { return o["parameters"].([]any)[0].(map[string]any) }
	for says, text := range map[string]string{
		"no parameters that they are of":            changed(func(o map[string]any) { delete(o, "parameters") }),
		`there is no parameter "magic"`:             changed(func(o map[string]any) { first(o)["name"] = "magic" }),
		"is listed twice":                           changed(func(o map[string]any) { o["parameters"] = append(o["parameters"].([]any), first(o)) }),
		"is not among the parameters":               changed(func(o map[string]any) { o["parameters"] = o["parameters"].([]any)[1:] }),
		"the covariance does not go":                changed(func(o map[string]any) { o["covariance"] = o["covariance"].([]any)[1:] }),
		"does not go with the parameters":           changed(func(o map[string]any) { o["shifts"].([]any)[0].(map[string]any)["parameters"] = []float64{1} }),
		"re_ohm.value must be a number, not a text": changed(func(o map[string]any) { o["re_ohm"] = map[string]any{"value": "six"} }),
		// What went wrong: "must not be a bool" did not say what it must be, and a fit that was
		// cut short or had something behind it was told as another thing.
		"shifts.parameters must be a list, not true or false": changed(func(o map[string]any) { o["shifts"].([]any)[0].(map[string]any)["parameters"] = true }),
		"rated_ohm must be a number, not a list":              changed(func(o map[string]any) { o["rated_ohm"] = []int{8} }),
		"label must be a text, not a number":                  changed(func(o map[string]any) { o["label"] = 8 }),
		"coil must be an object of keys, not a text":          changed(func(o map[string]any) { o["coil"] = "power" }),
		`the fit has ended but "\x1a" follows; take that out`: string(data) + "\x1a",
		`the fit has ended but "\x00" follows; take that out`: string(data) + "\n\x00\n",
		"none of a load: ":                             changed(func(o map[string]any) { o["shifts"].([]any)[0].(map[string]any)["parameters"].([]any)[0] = 1e300 }),
		"z_min of 0 ± 0 ohm":                           changed(func(o map[string]any) { delete(o, "z_min") }),
		"no rated_ohm":                                 changed(func(o map[string]any) { o["rated_ohm"] = nil }),
		"a fit is an object of keys, not a list":       "[1]",
		"it ends too early":                            string(data[:len(data)/2]),
		`line 1: it is no JSON at "="`:                 "=",
		`there is no verdict "perhaps"`:                changed(func(o map[string]any) { o["rated"].(map[string]any)["verdict"] = "perhaps" }),
		"no loudspeaker was fitted; use the record it": changed(func(o map[string]any) { o["re_ohm"] = nil }),
	} {
		k, err := ReadKept(strings.NewReader(text), "fit:d")
		if err == nil {
			_, err = k.Curve([]float64{20, 200})
		}
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v; want it to say %q", err, says)
			continue
		}
		for _, word := range []string{"json:", "Go ", "identify.", "unmarshal", "struct"} {
			if strings.Contains(err.Error(), word) {
				t.Errorf("%v speaks of %q", err, word)
			}
		}
	}
}

// What went wrong: half of a kept fit was told to have the unknown key "re_ohm" of a
// record.
func TestCutFitIsTakenForOne(t *testing.T) {
	whole := soundFits(t)[0]
	for text, want := range map[string]bool{
		whole: true, whole[:len(whole)/2]: true, whole + "\x00": true, "\ufeff" + whole: true,
		`{"label": "re_ohm", "x"`: false, `{"format": "tapload sweep", "re_ohm": 1}`: false, `{"re_ohm": 1, "format": "x"}`: false, `[{"re_ohm": 1}]`: false, "": false,
	} {
		if got := IsKept([]byte(text)); got != want {
			t.Errorf("%.60s: %v", text, got)
		}
	}
}
