package identify

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// What a fault of the curve does to the first line and to JSON: the first line doubts
// everything only where the rating hangs on it, a phase that is off by a little
// is stated in degrees with what it moves, and a rating is never withheld.
func TestWhatACurveFaultMatters(t *testing.T) {
	degree := math.Pi / 180
	for _, tc := range []struct {
		name    string
		re      float64 // ohm of an invented driver: 7.4 is rated 8 with a margin of 17 %
		by      func(hz float64) complex128
		first   string // what the first line begins with
		warning string // "" for none
		fault   string // in JSON, "" for null
		changes bool
	}{
		{"none", 7.4, func(float64) complex128 { return 1 }, "rated 8 ohm; ", "", "", false},
		{"lag of 1.5 degrees", 7.4, func(float64) complex128 { return cmplx.Rect(1, -1.5*degree) },
			"rated 8 ohm; ", "the phase of the curve is off by 1.5 degrees throughout, or its level drifts by +", "drift", false},
		{"lag of 1.5 degrees that may decide", 6.5, func(float64) complex128 { return cmplx.Rect(1, -1.5*degree) },
			"doubtful curve, see the warning; rated 8 ohm; ", "the rating may be another without it", "drift", true},
		{"gain step", 7.4, func(hz float64) complex128 {
			if hz > 1000 {
				return 1.05
			}
			return 1
		}, "faulty curve, see the warning; rated 8 ohm; ", "the curve is faulty: its level steps by +", "level step", false},
		{"gain step that decides", 6.25, func(hz float64) complex128 {
			if hz > 150 {
				return 1.05
			}
			return 1
		}, "FAULTY CURVE, believe none of this: see the warning; rated 8 ohm; ", "the rating may be another without it", "level step", true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			driver := netlist.Driver{Re: tc.re, Coil: netlist.Inductor(0.5e-3), Resonances: []netlist.Resonance{{Hz: 90, Qm: 3, Res: 40}}}
			rng := rand.New(rand.NewPCG(1, 2))
			var c impedance.Curve
			for hz := 15.0; hz < 20e3; hz *= math.Exp2(1. / 24) {
				z := driver.Impedance(hz) * tc.by(hz)
				u := 2e-4 * cmplx.Abs(z)
				z += complex(u*rng.NormFloat64(), u*rng.NormFloat64())
				c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Circular(2 * u * u)})
			}
			r, err := Record(t.Context(), record.Record{Label: "cab", Curve: c}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if line := r.Headline(); !strings.HasPrefix(line, "cab: "+tc.first) {
				t.Errorf("the first line begins with %.120q, want %q", line, tc.first)
			}
			said := ""
			for _, w := range r.Warnings {
				said += w.Text + "\n"
			}
			if !strings.Contains(said, tc.warning) || tc.warning == "" && said != "" {
				t.Errorf("warned %q, want %q", said, tc.warning)
			}
			if r.Tap() > 0 == tc.changes {
				t.Errorf("called safe on a tap of %g ohm with a fault that changes the rating: %v", r.Tap(), tc.changes)
			}

			data, err := json.Marshal(r)
			if err != nil {
				t.Fatal(err)
			}
			var got struct {
				Rated *float64 `json:"rated_ohm"`
				Fault *struct {
					Fault   string   `json:"fault"`
					Re      *float64 `json:"re_percent"`
					Changes bool     `json:"changes_rating"`
				} `json:"curve_fault"`
			}
			if err := json.Unmarshal(data, &got); err != nil {
				t.Fatal(err)
			}
			if got.Rated == nil || *got.Rated != 8 {
				t.Errorf("the rating is withheld: %s", data)
			}
			switch {
			case tc.fault == "":
				if got.Fault != nil {
					t.Errorf("fault %+v, want none", got.Fault)
				}
			case got.Fault == nil || got.Fault.Fault != tc.fault || got.Fault.Changes != tc.changes || got.Fault.Re == nil:
				t.Errorf("fault %+v, want %q that changes the rating: %v", got.Fault, tc.fault, tc.changes)
			}
		})
	}
}

// A curve long enough to fit but too short for the Kramers-Kronig test must say
// that nothing has tested it.
func TestRecordSaysWhatWasNotTested(t *testing.T) {
	driver := netlist.Driver{Re: 6.2, Coil: netlist.Inductor(0.5e-3), Resonances: []netlist.Resonance{{Hz: 90, Qm: 2, Res: 40}}}
	for _, tc := range []struct {
		points   int
		untested bool
	}{{20, true}, {60, false}} {
		var c impedance.Curve
		for i := range tc.points {
			hz := 20 * math.Pow(200, float64(i)/float64(tc.points-1))
			z := driver.Impedance(hz)
			u := 1e-4 * math.Hypot(real(z), imag(z))
			c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z, Noise: impedance.Cov{RR: u * u, II: u * u}})
		}
		r, err := Record(t.Context(), record.Record{Label: "short", Curve: c}, Options{})
		if err != nil {
			t.Fatalf("%d points: %v", tc.points, err)
		}
		if got := slices.ContainsFunc(r.Warnings, func(w impedance.Warning) bool { return w.Code == "kk-untested" }); got != tc.untested {
			t.Errorf("%d points: warned that the curve is untested: %v, want %v", tc.points, got, tc.untested)
		}
		if (r.KK == nil) != tc.untested {
			t.Errorf("%d points: Kramers-Kronig says %v", tc.points, r.KK)
		}
	}
}
