package fit

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"tapload/fixtures/bench/foreign"
)

// perKind is how many loads of each foreign kind the tests draw: as many as
// TAPLOAD_FOREIGN says, or so few that they take seconds.
func perKind(t *testing.T, few int) int {
	s := os.Getenv("TAPLOAD_FOREIGN")
	if s == "" {
		return few
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("TAPLOAD_FOREIGN is %q; it must be a number of loads of each kind", s)
	}
	return n
}

// A good curve of a load that no model of the fit follows is not faulty: of 600
// at most one may be called so. -short draws one of every other kind.
func TestKKForeignLoadsAreNotFaulty(t *testing.T) {
	few, every := 2, 1
	if testing.Short() {
		few, every = 1, 2
	}
	n := perKind(t, few)
	all, faulty := 0, 0
	for k, kind := range foreign.Kinds() {
		if k%every != 0 {
			continue
		}
		for seed := range uint64(n) {
			l := kind.Draw(seed)
			c := l.Curve(0)
			load := fittedTo(t, c)
			r, err := KK(t.Context(), c, load)
			if err != nil {
				t.Fatal(err)
			}
			all++
			if w, bad := r.Warning(); bad {
				faulty++
				t.Logf("%v (fitted %v): %s", l, load.Status, w.Text)
			}
		}
	}
	t.Logf("%d of %d called faulty", faulty, all)
	if faulty > all/600 {
		t.Errorf("%d of %d good curves called faulty, want at most 1 of 600", faulty, all)
	}
}

// smoothErrors are angles, in degrees, that the phase of a measured curve may
// be off by where the inputs are not alike.
var smoothErrors = []struct {
	name string
	by   func(hz float64) float64
}{
	{"a lag of one degree", func(float64) float64 { return -1 }},
	{"a lead of two degrees", func(float64) float64 { return 2 }},
	{"two degrees at the top", func(hz float64) float64 { return -2 * hz / 20e3 }},
	{"two degrees at the bottom", func(hz float64) float64 { return 2 * 20 / hz }},
	{"-1 to 1 degree", func(hz float64) float64 { return math.Log10(hz/600) / 1.5 }},
	{"two degrees in the middle", func(hz float64) float64 { return 2 * math.Exp(-math.Pow(math.Log10(hz/600), 2)) }},
	{"one degree that comes and goes", func(hz float64) float64 { return math.Sin(2 * math.Log(hz/100)) }},
	{"1.5 degrees from 300 Hz on", func(hz float64) float64 { return 1.5 / (1 + math.Pow(300/hz, 2)) }},
	{"1.5 degrees up to 2 kHz", func(hz float64) float64 { return 1.5 / (1 + hz/2000) }},
}

// A phase that is off by a degree or two, and changes slowly, is stated as
// that: no step is made of it, no wrong sign and no load that is none.
func TestKKSmoothPhaseErrorIsNoFault(t *testing.T) {
	n := perKind(t, 1)
	long := os.Getenv("TAPLOAD_FOREIGN") != ""
	found := map[Fault]int{}
	for e, off := range smoothErrors {
		for k, kind := range foreign.Kinds() {
			if !long && k%len(smoothErrors) != e {
				continue
			}
			for seed := range uint64(n) {
				l := kind.Draw(1000 + seed)
				c := passed(l.Curve(0), off.by)
				r, err := KK(t.Context(), c, fittedTo(t, c))
				if err != nil {
					t.Fatal(err)
				}
				found[r.Fault]++
				if r.Faulty() || r.Fault == Inconsistent {
					w, _ := r.Warning()
					t.Errorf("%v, phase off by %s: %s", l, off.name, w.Text)
				}
			}
		}
	}
	t.Logf("%v", found)
}

// A constant angle is stated in degrees to within a third of a degree.
func TestKKStatesDegrees(t *testing.T) {
	for _, off := range []float64{-2, -1, 1, 2} {
		l := foreign.Kinds()[0].Draw(7)
		c := passed(l.Curve(0), func(float64) float64 { return off })
		r, err := KK(t.Context(), c, fittedTo(t, c))
		if err != nil {
			t.Fatal(err)
		}
		if got := degrees(r.Phase()); r.Fault != Drift || math.Abs(got-off) > 1./3 {
			t.Errorf("%v of %.2f degrees, want %v of %g", r.Fault, got, Drift, off)
		}
	}
}

// The sign of every foreign load is told, and that of its mirror image, with a
// phase that is off by two degrees too.
func TestMirroredForeignLoads(t *testing.T) {
	n := perKind(t, 10)
	for _, kind := range foreign.Kinds() {
		for seed := range uint64(n) {
			l := kind.Draw(seed)
			for _, off := range []float64{-2, 0, 2} {
				c := passed(l.Curve(0), func(float64) float64 { return off })
				if mirrored(c.Points) {
					t.Errorf("%v, phase off by %g degrees, is called mirrored", l, off)
				}
				if !mirrored((KKResult{Fault: PhaseSign}).Without(c)[0].Points) {
					t.Errorf("the mirror image of %v, phase off by %g degrees, passes", l, off)
				}
			}
		}
	}
}

// A step of 5 % or of 2 degrees is found in loads that no model follows, one in each
// load with -short and both without.
func TestKKNamesStepsInForeignLoads(t *testing.T) {
	n := perKind(t, 1)
	rng := rand.New(rand.NewPCG(11, 11))
	for i, fault := range []Fault{GainStep, PhaseStep} {
		all, named := 0, 0
		for k, kind := range foreign.Kinds() {
			if testing.Short() && k%2 != i {
				continue
			}
			for seed := range uint64(n) {
				l := kind.Draw(2000 + seed)
				c, hz := inject(l.Curve(0), fault, rng)
				r, err := KK(t.Context(), c, fittedTo(t, c))
				if err != nil {
					t.Fatal(err)
				}
				all++
				if r.Fault == fault && math.Abs(math.Log2(r.AtHz/hz)) < 1./12 {
					named++
					continue
				}
				w, _ := r.Warning()
				t.Logf("%v, %s at %.4g Hz: %s", l, kkFaults[fault], hz, w.Text)
			}
		}
		if named < all-all/50 {
			t.Errorf("%s: %d of %d named", kkFaults[fault], named, all)
		}
	}
}
