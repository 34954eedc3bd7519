package fit

import (
	"regexp"
	"strings"
	"testing"
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
