package report

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"
	"unicode/utf8"

	"tapload/fit"
	"tapload/fit/identify"
	"tapload/fit/rating"
	"tapload/fixtures/amp"
	"tapload/fixtures/bench/foreign"
	"tapload/fixtures/hookup"
	"tapload/fixtures/netlist"
	"tapload/fixtures/plan"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// onScreen is a page at a terminal of 80 columns, which it fits into.
func onScreen(t *testing.T, d Document, details bool) string {
	t.Helper()
	var b strings.Builder
	if err := d.Terminal(&b, 80, details); err != nil {
		t.Fatal(err)
	}
	for line := range strings.SplitSeq(b.String(), "\n") {
		if utf8.RuneCountInString(line) > 80 {
			t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
		}
	}
	return b.String()
}

// short holds a page to one screen, with its answer in the first line.
func short(t *testing.T, page, begins string) {
	t.Helper()
	if n := strings.Count(page, "\n"); n > screenRows {
		t.Errorf("%d lines:\n%s", n, page)
	}
	if !strings.HasPrefix(page, begins) {
		t.Errorf("the page begins with %.80q, want %q", page, begins)
	}
}

// invented is a cabinet of that Re in ohm.
func invented(re float64) *impedance.Curve {
	d := netlist.Driver{Re: re, Coil: netlist.Coil{K: 0.003 * re, N: 0.68}, Resonances: []netlist.Resonance{{Hz: 92, Qm: 5.2, Res: 7 * re}}}
	var c impedance.Curve
	for i, hz := 0, 20.; hz < 20e3; i, hz = i+1, hz*math.Exp2(1./24) {
		z := d.Impedance(hz) * complex(1+5e-4*float64(1-2*(i/2%2)), 0)
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Circular(1e-6 * cmplx.Abs(z) * cmplx.Abs(z))})
	}
	return &c
}

// Whatever a fit is made of, its page has words for it.
func TestFitPageOfEveryPart(t *testing.T) {
	for _, kind := range foreign.Kinds() {
		drawn := kind.Draw(1)
		r, err := identify.Record(t.Context(), record.Record{Label: "driver", Curve: drawn.Curve(0)}, identify.Options{})
		if err != nil {
			t.Fatalf("%v: %v", drawn, err)
		}
		if page := onScreen(t, Fit(r), true); strings.ContainsAny(page, "{}") {
			t.Errorf("%v:\n%s", drawn, page)
		}
		short(t, onScreen(t, Fit(r), false), "driver: ")
	}
}

// A load that is called safe says whose word comes first; one that is not needs
// no such word. What was asked for needs no details.
func TestFitPage(t *testing.T) {
	rec := record.Record{Label: "cab", Curve: *invented(6.6)}
	for _, c := range []struct {
		known    identify.Known
		explain  bool
		has, not []string
	}{
		{identify.Known{}, false, []string{"safe on an 8 ohm tap", "CAUTION: The maker's instructions come first", "(--details: What might read so, Coil and model, Models tried)"}, []string{"probability", "criterion", "Kramers"}},
		{identify.Known{Drivers: 4, MarkedOhm: 16}, false, []string{"cab: MOST LIKELY A DEAD DRIVER", "CAUTION: Before anything is played, take the leads off"}, []string{"probability", "could be", "criterion"}},
		{identify.Known{Drivers: 2}, false, []string{"safe on an 8 ohm tap", "probability", "two 16 ohm in parallel"}, []string{"could be", "Check: "}},
		{identify.Known{Drivers: 7, MarkedOhm: 16}, false, []string{"No cabinet of equal drivers"}, []string{"probability"}},
		{identify.Known{}, true, []string{"probability", "criterion", ", chosen"}, []string{"Kramers"}},
	} {
		r, err := identify.Record(t.Context(), rec, identify.Options{Known: c.known})
		if err != nil {
			t.Fatal(err)
		}
		r.Explain = c.explain
		page := onScreen(t, Fit(r), false)
		if !c.explain {
			short(t, page, "cab: ")
		}
		for _, want := range c.has {
			if !strings.Contains(page, want) {
				t.Errorf("%+v: no %q in\n%s", c.known, want, page)
			}
		}
		for _, want := range c.not {
			if strings.Contains(page, want) {
				t.Errorf("%+v: %q in\n%s", c.known, want, page)
			}
		}
	}
}

func assessed(t *testing.T, a amp.Amplifier, formula string, loads ...hookup.Load) amp.Assessment {
	t.Helper()
	tree, err := hookup.Parse(formula)
	if err != nil {
		t.Fatal(err)
	}
	s, err := amp.Assess(t.Context(), a, tree, loads, 0, amp.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestHookupPage(t *testing.T) {
	valve := amp.Amplifier{TapOhm: []float64{4, 8, 16}, Watts: 50, PrimaryOhm: 4000, Damping: 4}
	a := hookup.Load{Name: "a", RatedOhm: 8, Watts: 15, Curve: invented(6.6)}
	b := hookup.Load{Name: "b", RatedOhm: 16, Watts: 60, Curve: invented(13.2)}
	c := hookup.Load{Name: "c", RatedOhm: 16}
	dead := a
	dead.Dead = &rating.Explanation{Cause: "four drivers, one open", Wiring: rating.Wiring{DriverOhm: 8, Series: 2, Parallel: 2}, Fault: rating.Open, Probability: 0.9}
	var many []hookup.Load
	for _, name := range []string{"p", "q", "r", "s", "t", "u"} {
		many = append(many, hookup.Load{Name: name, RatedOhm: 8, Watts: 30})
	}
	many[4].Watts = 1
	for _, tc := range []struct {
		s        amp.Assessment
		begins   string
		has, not []string
	}{
		{assessed(t, valve, "a || b", a, b), "a || b on the 4 ohm tap: high, safe for the amplifier, but OVERDRIVES a at",
			[]string{"OVERDRIVES a at 50 W", "CAN damage", "Lethal voltage", "common practice, no source", "15 W: OVERDRIVEN", "OPEN, not safe", "4 ohm tap, in use"}, []string{"damping"}},
		{assessed(t, valve, "(a + b) || c", a, b, c), "(a + b) || c on the ", []string{"a at 8 ohm, b at 16 ohm, c at 16 ohm (rated only)", "not known"}, nil},
		{assessed(t, amp.Amplifier{TapOhm: []float64{16}}, "c", c), "c on the 16 ohm tap: matched; no box to build", []string{"Nothing is measured"}, []string{"lowest |Z|"}},
		{assessed(t, amp.Amplifier{TapOhm: []float64{16}}, "a", a), "a on the 16 ohm tap: LOW, not safe, do not run it; no box to build", nil, nil},
		{assessed(t, amp.Amplifier{Kind: amp.SolidState, MinOhm: 4}, "a || b", a, b), "a || b against the lowest load of 4 ohm: high, safe; ", []string{"bridged output", "lowest load, 4 ohm"}, []string{"Lethal"}},
		{assessed(t, valve, "a || b", dead, b), "MOST LIKELY A DEAD DRIVER in a (", []string{"nothing is called"}, []string{", safe"}},
		{assessed(t, valve, "p || q || r || s || t || u", many...), "p || q || r || s || t || u on the ", []string{"\nt ", "\n3 more", "All shares"}, nil},
	} {
		page := onScreen(t, Hookup(tc.s), false)
		if !strings.Contains(tc.s.Tree.String(), "u") && len(tc.s.Dead) == 0 {
			short(t, page, tc.begins)
		}
		page = strings.ReplaceAll(page, "\n  ", " ")
		if !strings.HasPrefix(page, tc.begins) {
			t.Errorf("the page begins with %.90q, want %q", page, tc.begins)
		}
		for _, want := range tc.has {
			if !strings.Contains(page, want) {
				t.Errorf("no %q in\n%s", want, page)
			}
		}
		for _, want := range tc.not {
			if strings.Contains(page, want) {
				t.Errorf("%q in\n%s", want, page)
			}
		}
		if all := onScreen(t, Hookup(tc.s), true); strings.Count(all, "CAUTION") != 1 {
			t.Errorf("not one caution in\n%s", all)
		}
	}
	all := onScreen(t, Hookup(assessed(t, valve, "a || b", a, b)), true)
	for _, want := range []string{"a damping factor of 4.00 on this tap", "gives b ", "primary sees", "first overdriven  a, when", "plug of b pulled, load b open: a plays alone"} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q in\n%s", want, all)
		}
	}
}

func TestPlanPage(t *testing.T) {
	loads := func(ohm ...float64) (all []hookup.Load) {
		for i, r := range ohm {
			all = append(all, hookup.Load{Name: string(rune('a' + i)), RatedOhm: r})
		}
		return all
	}
	measured := loads(8, 16, 16)
	measured[0].Curve = invented(6.6)
	dead := loads(8, 16)
	dead[0].Dead = &rating.Explanation{Wiring: rating.Wiring{DriverOhm: 8, Series: 1, Parallel: 1}, Fault: rating.Open, Probability: 0.9}
	valve := amp.Amplifier{TapOhm: []float64{4, 8, 16}}
	for _, tc := range []struct {
		a        amp.Amplifier
		loads    []hookup.Load
		begins   string
		has, not []string
	}{
		{valve, measured, "6 hookups of 3 loads; ", []string{"; best: ", "\n1.  ", "\n3.  ", "lowest |Z|", "± is k = 2", "CAN damage", "More hookups"}, []string{"\n4.  "}},
		{valve, loads(8, 8, 8, 8), "10 hookups of 4 loads; 9 safe; best: ", []string{"Do not use:\n-  a || b || c || d, "}, []string{"± is"}},
		{amp.Amplifier{TapOhm: []float64{16}}, loads(2, 2), "2 hookups of 2 loads: NO HOOKUP OF THESE IS SAFE ON THIS AMPLIFIER\n", []string{"\n- use an amplifier with a 4 ohm tap", "Do not use:"}, []string{"\n1. "}},
		{amp.Amplifier{Kind: amp.SolidState, MinOhm: 4}, loads(8), "one load; 1 safe; best: a against", []string{"8 ohm is above"}, []string{"Lethal"}},
		{valve, dead, "MOST LIKELY A DEAD DRIVER in a (", nil, []string{", safe", " safe;"}},
	} {
		r, err := plan.Find(t.Context(), tc.a, tc.loads, plan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		page := onScreen(t, Plan(r), false)
		short(t, page, tc.begins)
		for _, want := range tc.has {
			if !strings.Contains(page, want) {
				t.Errorf("no %q in\n%s", want, page)
			}
		}
		for _, want := range tc.not {
			if strings.Contains(page, want) {
				t.Errorf("%q in\n%s", want, page)
			}
		}
		onScreen(t, Plan(r), true)
	}
}

// What a section of details says in full is not said twice.
func TestBriefStandsForDetails(t *testing.T) {
	d := Document{Title: "page", Lead: "answer", Sections: []Section{
		{Pieces: []Piece{Words("the worst of it")}, Brief: true},
		{Heading: "All", Pieces: []Piece{Words("all of it")}, Details: true},
	}}
	var text, html strings.Builder
	if err := d.Text(&text, 80); err != nil {
		t.Fatal(err)
	}
	if err := d.HTML(t.Context(), &html, A4); err != nil {
		t.Fatal(err)
	}
	for where, c := range map[string]struct {
		page string
		all  bool
	}{"terminal": {onScreen(t, d, false), false}, "details": {onScreen(t, d, true), true}, "text": {text.String(), true}, "HTML": {html.String(), true}} {
		if strings.Contains(c.page, "all of it") != c.all || strings.Contains(c.page, "the worst of it") == c.all {
			t.Errorf("%s:\n%s", where, c.page)
		}
	}
}

// What is made of an invented record says so on every page and picture.
func TestInventedIsMarked(t *testing.T) {
	for _, c := range []struct {
		title    string
		invented bool
		want     string
	}{{"Hookup a + b", true, "Hookup a + b (invented)"}, {"Hookup a + b", false, "Hookup a + b"}, {"Job 1 (invented)", true, "Job 1 (invented)"}} {
		if got := marked(c.title, c.invented); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// An inductance is told in mH, a capacitor in uF, a wire in ohm.
func TestUnitsOfParts(t *testing.T) {
	load := fit.Result{Coil: fit.Coil{Kind: fit.Power, LeAt1k: quantity.Of(0.47e-3, 1e-6)}, Capacitor: quantity.Of(68e-6, 1e-7)}
	rows := fmt.Sprint(modelTable(identify.Result{Load: load}).Rows)
	for _, want := range []string{"coil 0.4700 mH ±", "a capacitor in series, 68.00 uF ±"} {
		if !strings.Contains(rows, want) {
			t.Errorf("no %q in %s", want, rows)
		}
	}
	if got := wireOhm(0.0123); got != "0.012 ohm" {
		t.Errorf("0.0123 ohm are %s", got)
	}
}
