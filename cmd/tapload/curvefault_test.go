package main

import (
	"context"
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"tapload/fixtures/netlist"
	"tapload/measure/impedance"
)

// What a fault of the curve does to the page and to JSON: the first line doubts
// everything only where the rating hangs on it, a phase that is off by a little
// is stated in degrees with what it moves, and a rating is never withheld.
func TestFitSaysWhatACurveFaultMatters(t *testing.T) {
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
			path := recorded(t, "cab", c)
			e, stdout, stderr := testEnv()
			if code := run(context.Background(), []string{"fit", path}, e); code != exitDone {
				t.Fatalf("exit code %d: %s", code, stderr)
			}
			if page := strings.ReplaceAll(stdout.String(), "\n", " "); !strings.HasPrefix(page, "cab: "+tc.first) {
				t.Errorf("the page begins with %.120q, want %q", page, tc.first)
			}
			if said := strings.ReplaceAll(stderr.String(), "\n", " "); !strings.Contains(said, tc.warning) || tc.warning == "" && said != "" {
				t.Errorf("warned %q, want %q", said, tc.warning)
			}

			e, stdout, stderr = testEnv()
			if code := run(context.Background(), []string{"fit", path, "--json"}, e); code != exitDone {
				t.Fatalf("--json: exit code %d: %s", code, stderr)
			}
			var got struct {
				Rated *float64 `json:"rated_ohm"`
				Fault *struct {
					Fault   string   `json:"fault"`
					Re      *float64 `json:"re_percent"`
					Changes bool     `json:"changes_rating"`
				} `json:"curve_fault"`
			}
			if err := json.Unmarshal(stdout.Bytes(), &got); err != nil {
				t.Fatal(err)
			}
			if got.Rated == nil || *got.Rated != 8 {
				t.Errorf("the rating is withheld: %s", stdout)
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
