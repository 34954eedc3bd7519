package fit

import (
	"regexp"
	"strings"
	"testing"

	"tapload/measure/impedance"
)

// What went wrong: "the data leave re open" named a key of the JSON to a person, and
// did not say what to do.
func TestWhatIsOpenIsSaidInWords(t *testing.T) {
	keys := regexp.MustCompile(`\b(re|f\d|qms\d|res\d|creep|leak|leakhz|leakmass)\b`)
	for _, l := range tableLoads() {
		model := l.load()
		one := &trial{load: model, p: make([]float64, model.size())}
		for k, name := range model.names()[:model.coilAt()] {
			if name == "leakmass" {
				continue // may stay open
			}
			open := one.open(k)
			if open.what == "" || open.remedy == "" || keys.MatchString(open.Error()) {
				t.Errorf("%s: %q; %q", name, open.Error(), open.remedy)
			}
			if inside := k >= model.suspensionAt(); open.suspension != inside {
				t.Errorf("%s is of the suspension: %v", name, open.suspension)
			}
		}
	}
}

// A curve above the resonance, buried in noise: of Re it says nothing.
func TestOpenReIsSaid(t *testing.T) {
	l := Result{Re: known(45.84), Coil: Coil{Kind: Inductor, L: known(6.657e-3)}, Resonances: []Resonance{resonance(28.47, 1.698, 145)}}
	r, err := Curve(t.Context(), measured(l.Impedance, 0.0654, 110).Within(186, 642), Options{})
	if r.Status != Underdetermined || err == nil || !strings.Contains(err.Error(), "does not determine Re (the DC resistance); sweep from further below") {
		t.Errorf("%v: %v", r.Status, err)
	}
}

// What went wrong: a resonance that was sound while models were chosen was none any
// more once the chosen one had been brought to its end, with all that it leaves
// counted. A source of 1000 ohm at one point, and a last point at 1e20 Hz, did that;
// what was then asked of the last resonance was asked of none, which ended in a panic.
func TestNoResonanceStandsInTheEnd(t *testing.T) {
	l := Result{Re: known(6.6), Coil: Coil{Kind: Inductor, L: known(0.5e-3)}, Resonances: []Resonance{resonance(109, 5.3, 45)}}
	for what, spoil := range map[string]func(*impedance.Curve){
		"a source": func(c *impedance.Curve) {
			s := impedance.Source{ID: "sense", DZ: make([]complex128, len(c.Points))}
			for i, p := range c.Points {
				s.DZ[i] = p.Z / 100
			}
			s.DZ[0] = 1000
			c.Shared = append(c.Shared, s)
		},
		"a vast source": func(c *impedance.Curve) {
			s := impedance.Source{ID: "sense", DZ: make([]complex128, len(c.Points))}
			s.DZ[len(s.DZ)/2] = 1e39
			c.Shared = append(c.Shared, s)
		},
		"a far point":    func(c *impedance.Curve) { c.Points[len(c.Points)-1].Hz = impedance.MostHz },
		"a near point":   func(c *impedance.Curve) { c.Points[0].Hz = impedance.LeastHz },
		"a vast point":   func(c *impedance.Curve) { c.Points[len(c.Points)/2].Z = impedance.MostOhm },
		"a vanished one": func(c *impedance.Curve) { c.Points[len(c.Points)/2].Z = 1e-200 },
		"vast noise":     func(c *impedance.Curve) { c.Points[len(c.Points)/2].Noise = impedance.Circular(1e79) },
		"least noise":    func(c *impedance.Curve) { c.Points[len(c.Points)/2].Noise = impedance.Circular(1e-300) },
	} {
		c := measured(l.Impedance, 1e-3, 48).Within(20, 20000)
		spoil(&c)
		if err := c.Check(); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		r, err := Curve(t.Context(), c, Options{})
		if (err == nil) != (r.Status == Converged) || err == nil && len(r.Resonances) == 0 {
			t.Errorf("%s: %v with %d resonances: %v", what, r.Status, len(r.Resonances), err)
		}
	}
}
