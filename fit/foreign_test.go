package fit_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/fixtures/bench/foreign"
	"tapload/measure/verdict"
)

// tally is how the fits of a population came out.
type tally struct {
	loads, refused   int
	re               []float64 // relative errors
	reInside         int
	hz, hzInside     int
	bound            int // Re above the least Re Z of the load
	wrong, undecided int // ratings
}

func (a *tally) add(b tally) {
	a.loads += b.loads
	a.refused += b.refused
	a.re = append(a.re, b.re...)
	a.reInside += b.reInside
	a.hz += b.hz
	a.hzInside += b.hzInside
	a.bound += b.bound
	a.wrong += b.wrong
	a.undecided += b.undecided
}

// offBy returns the part p of the relative errors of Re.
func (a tally) offBy(p float64) float64 {
	if len(a.re) == 0 {
		return math.Inf(1)
	}
	slices.Sort(a.re)
	return a.re[int(p*float64(len(a.re)-1))]
}

func (a tally) reShare() float64 { return float64(a.reInside) / float64(len(a.re)) }
func (a tally) hzShare() float64 { return float64(a.hzInside) / float64(a.hz) }

func (a tally) String() string {
	return fmt.Sprintf("%4d %8d %6d %10d %6d %8.3f %8.3f %8.1f %8.1f",
		a.loads, a.refused, a.wrong, a.undecided, a.bound, 100*a.offBy(0.5), 100*a.offBy(0.9), 100*a.reShare(), 100*a.hzShare())
}

const tallyHead = "                                     all  refused  wrong  undecided  above  Re off, %  9 of 10  Re held  fs held, %"

// judge fits one load and holds what the fit says against the truth.
func judge(l foreign.Load) (a tally, said string) {
	a.loads = 1
	c := l.Curve(0)
	r, err := fit.Curve(context.Background(), c, fit.Options{})
	if err != nil {
		a.refused = 1
		return a, err.Error()
	}
	off := math.Abs(r.Re.Value - l.Re)
	a.re = []float64{off / l.Re}
	if off <= 2*r.Re.U {
		a.reInside = 1
	}
	for _, hz := range l.Hz {
		a.hz++
		if found(l, r, hz) {
			a.hzInside++
		}
	}
	if !l.Crossover {
		// The fit sees the least Re Z through the noise of its points, and allows for four
		// standard deviations of it.
		least := math.Inf(1)
		for _, p := range c.Points {
			least = min(least, real(l.Impedance(p.Hz))+4*math.Sqrt(p.Noise.RR))
		}
		if r.Re.Value > least {
			a.bound = 1
		}
	}
	rated, err := rating.Of(c, r, rating.Options{})
	switch {
	case err != nil:
		a.refused = 1
	case rated.Verdict == verdict.Undecided:
		a.undecided = 1
	case rated.Ohm != l.RatedOhm && math.Abs(rated.MinOhm.Value-l.MinOhm) > 3*rated.MinOhm.U:
		a.wrong = 1
	case rated.Ohm != l.RatedOhm && math.Abs(l.MinOhm-0.8*max(rated.Ohm, l.RatedOhm)) > 3*rated.MinOhm.U:
		a.wrong = 1
	}
	return a, fmt.Sprintf("Re %.4g (u %.2g) is %.4g; fs %v is %.4g; %+v", r.Re.Value, r.Re.U, l.Re, r.Resonances[0].Hz, l.Hz, r.Model)
}

// found reports whether a main resonance of r is the one at hz within k = 2. Of
// a cluster, each of several may be any inside it.
func found(l foreign.Load, r fit.Result, hz float64) bool {
	main := r.Main()
	for _, m := range main {
		if math.Abs(m.Hz.Value-hz) <= 2*m.Hz.U {
			return true
		}
		if len(main) > 1 && l.LowHz > 0 && m.Hz.Value >= l.LowHz-2*m.Hz.U && m.Hz.Value <= l.HighHz+2*m.Hz.U {
			return true
		}
	}
	return false
}

// The fit is right on loads that no model of it is. The limits of shares allow
// for the number of loads: four binomial standard deviations by default. All of
// 12 x 50 is TAPLOAD_FOREIGN=50, kept in testdata/figures/foreign.txt.
func TestForeignLoads(t *testing.T) {
	if testing.Short() {
		t.Skip("some dozens of fits of every model")
	}
	count := 3
	if n, err := strconv.Atoi(os.Getenv("TAPLOAD_FOREIGN")); err == nil {
		count = n
	}
	kinds := foreign.Kinds()
	tallies := make([]tally, len(kinds))
	said := make([][]string, len(kinds))
	crossover := make([]bool, len(kinds))
	var running sync.WaitGroup
	for i, k := range kinds {
		running.Go(func() {
			for seed := range uint64(count) {
				l := k.Draw(seed)
				crossover[i] = l.Crossover
				a, words := judge(l)
				tallies[i].add(a)
				said[i] = append(said[i], fmt.Sprintf("%v: %s", l, words))
			}
		})
	}
	running.Wait()
	var all, plain, crossed tally
	t.Log(tallyHead)
	for i, k := range kinds {
		t.Logf("%-36s %v", k.Name, tallies[i])
		all.add(tallies[i])
		if crossover[i] {
			crossed.add(tallies[i])
		} else {
			plain.add(tallies[i])
		}
		if os.Getenv("TAPLOAD_VERBOSE") != "" {
			for _, s := range said[i] {
				t.Log(s)
			}
		}
	}
	t.Logf("%-36s %v", "without a crossover", plain)
	t.Logf("%-36s %v", "with a crossover", crossed)
	t.Logf("%-36s %v", "all", all)
	if all.refused+all.wrong+all.bound > 0 {
		t.Errorf("%d refused, %d rated wrong beyond doubt, %d with Re above the bound", all.refused, all.wrong, all.bound)
	}
	if e := plain.offBy(0.5); e > 0.002 {
		t.Errorf("Re without a crossover is off by %.2f %% in the middle", 100*e)
	}
	if e := crossed.offBy(0.5); e > 0.01 {
		t.Errorf("Re with a crossover is off by %.2f %% in the middle", 100*e)
	}
	slack := 4 * math.Sqrt(0.95*0.05/float64(all.loads))
	if count >= 50 {
		slack = 0.02
	}
	for what, share := range map[string]float64{"Re": all.reShare(), "fs": all.hzShare()} {
		if share < 0.95-slack {
			t.Errorf("%.1f %% of %s lie within k = 2", 100*share, what)
		}
	}
}
