package recone

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapload/measure/impedance"
)

// leastGroups tries every way to put all but leave into groups of per.
func leastGroups(d [][]float64, per, leave int, rest []int) float64 {
	if len(rest) == 0 {
		return 0
	}
	least := math.Inf(1)
	if leave > 0 {
		least = leastGroups(d, per, leave-1, rest[1:])
	}
	var choose func(group []int, from int)
	choose = func(group []int, from int) {
		if len(group) == per {
			var others []int
			for _, v := range rest {
				if !slices.Contains(group, v) {
					others = append(others, v)
				}
			}
			least = min(least, inside(d, group)+leastGroups(d, per, leave, others))
			return
		}
		for i := from; i < len(rest); i++ {
			choose(append(slices.Clone(group), rest[i]), i+1)
		}
	}
	if len(rest) >= per {
		choose(rest[:1], 1)
	}
	return least
}

func table(n int, next func() float64) [][]float64 {
	d := make([][]float64, n)
	for i := range d {
		d[i] = make([]float64, n)
		for k := range i {
			d[i][k] = next()
			d[k][i] = d[i][k]
		}
	}
	return d
}

// whole fails where a matching does not hold each driver once, or where its
// figures are not those of its groups.
func (m Matching) whole(t interface{ Fatalf(string, ...any) }, d [][]float64) {
	seen := slices.Clone(m.left)
	sum := 0.0
	for _, g := range m.Groups {
		if len(g.members) != m.Per {
			t.Fatalf("group %v of %d", g.members, m.Per)
		}
		seen = append(seen, g.members...)
		sum += inside(d, g.members)
	}
	slices.Sort(seen)
	if !slices.Equal(seen, numbers(len(d))) || len(m.left) != len(d)%m.Per {
		t.Fatalf("%+v does not hold each of %d drivers once", m, len(d))
	}
	if math.Abs(sum-m.Total) > 1e-9*sum || m.AtLeast > m.Total {
		t.Fatalf("total %v, at least %v, of groups %v", m.Total, m.AtLeast, sum)
	}
}

func arranged(t rapid.TB, d [][]float64, per int) Matching {
	t.Helper()
	m, err := arrange(context.Background(), d, per)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestMatchingEqualsBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		per := rapid.SampledFrom([]int{2, 4}).Draw(t, "per")
		n := rapid.IntRange(per, 8).Draw(t, "drivers")
		most := rapid.SampledFrom([]int{1, 4, 1000}).Draw(t, "most")
		d := table(n, func() float64 { return float64(rapid.IntRange(0, most).Draw(t, "distance")) })
		m := arranged(t, d, per)
		m.whole(t, d)
		if want := leastGroups(d, per, n%per, numbers(n)); math.Abs(m.Total-want) > 1e-9 || !m.Optimal {
			t.Fatalf("total %v, optimal %v, least %v", m.Total, m.Optimal, want)
		}
	})
}

// The nearest two first is the wrong start: their neighbours are stranded.
func TestMatchingWhereGreedyFails(t *testing.T) {
	d := [][]float64{{0, 4, 9, 100}, {4, 0, 1, 9}, {9, 1, 0, 4}, {100, 9, 4, 0}}
	if m := arranged(t, d, 2); m.Total != 8 {
		t.Errorf("total %v, want 8; greedy has 101", m.Total)
	}
	// One driver too many: the one to leave is that which strands nobody.
	d = [][]float64{{0, 1, 3, 9, 9}, {1, 0, 2, 9, 9}, {3, 2, 0, 4, 9}, {9, 9, 4, 0, 1}, {9, 9, 9, 1, 0}}
	if m := arranged(t, d, 2); m.Total != 2 || !slices.Equal(m.left, []int{2}) {
		t.Errorf("total %v, left %v, want 2 and driver 2", m.Total, m.left)
	}
}

// points are drivers in a space of five dimensions, whose distances are a
// metric as those of curves are.
func points(n int, seed uint64) [][]float64 {
	r := rand.New(rand.NewPCG(seed, 4))
	at := make([][5]float64, n)
	for i := range at {
		for k := range at[i] {
			at[i][k] = r.NormFloat64()
		}
	}
	d := make([][]float64, n)
	for i := range d {
		d[i] = make([]float64, n)
		for k := range n {
			for j := range at[i] {
				d[i][k] += (at[i][j] - at[k][j]) * (at[i][j] - at[k][j])
			}
			d[i][k] = math.Sqrt(d[i][k])
		}
	}
	return d
}

func TestManyQuads(t *testing.T) {
	for _, n := range []int{21, 32, 43} {
		d := points(n, 1)
		m := arranged(t, d, 4)
		m.whole(t, d)
		for i, a := range m.Groups {
			for _, b := range m.Groups[:i] {
				apart := a.Percent + b.Percent
				for x := range 4 {
					for y := range 4 {
						p, q := slices.Clone(a.members), slices.Clone(b.members)
						p[x], q[y] = q[y], p[x]
						if inside(d, p)+inside(d, q) < apart-1e-9 {
							t.Fatalf("drivers %d and %d exchanged are better", p[x], q[y])
						}
						p[(x+1)%4], q[(y+1)%4] = q[(y+1)%4], p[(x+1)%4]
						if inside(d, p)+inside(d, q) < apart-1e-9 {
							t.Fatalf("pairs of %v and %v exchanged are better", a.members, b.members)
						}
					}
				}
			}
			for x, v := range a.members {
				for _, l := range m.left {
					p := slices.Clone(a.members)
					p[x] = l
					if inside(d, p) < a.Percent-1e-9 {
						t.Fatalf("driver %d left over instead of %d is better", v, l)
					}
				}
			}
		}
	}
}

// What is said of large numbers holds where small ones can be worked out: the
// bounds lie below the best, the improved quads not.
func TestBoundsOfQuads(t *testing.T) {
	found, tight := 0, 0.0
	for seed := range uint64(20) {
		n := 12 + int(seed%4)
		d := points(n, seed)
		best := arranged(t, d, 4)
		groups, left, err := pairsOfPairs(t.Context(), d)
		if err != nil {
			t.Fatal(err)
		}
		if groups, _, err = improve(t.Context(), d, groups, left); err != nil {
			t.Fatal(err)
		}
		got := total(d, groups)
		bound, err := leastQuads(t.Context(), d, n%4, got)
		if err != nil {
			t.Fatal(err)
		}
		if bound > best.Total*(1+1e-12) || got < best.Total*(1-1e-12) {
			t.Fatalf("seed %d: bound %v, best %v, found %v", seed, bound, best.Total, got)
		}
		if got <= best.Total*(1+1e-12) {
			found++
		}
		tight += bound / best.Total / 20
	}
	t.Logf("best found in %d of 20, bound %.3f of the best", found, tight)
	if found < 18 || tight < 0.8 {
		t.Errorf("best found in %d of 20, bound %.3f of the best", found, tight)
	}
}

// line is a curve of constant impedance z at n points.
func line(z complex128, n int) Side {
	s := Side{Label: fmt.Sprint(z)}
	for i := range n {
		s.Curve.Points = append(s.Curve.Points, impedance.Point{Hz: 10 * math.Pow(1000, float64(i)/float64(n-1)), Z: z})
	}
	return s
}

func TestDistance(t *testing.T) {
	half := line(8, 7)
	for i := range half.Curve.Points {
		if i > 3 {
			half.Curve.Points[i].Z *= 1.1
		}
	}
	for _, c := range []struct {
		name string
		a, b Side
		want float64
	}{
		{"one curve", line(8, 50), line(8, 50), 0},
		{"modulus", line(8, 50), line(8*1.02, 50), 100 * math.Log(1.02)},
		{"phase", line(8, 50), line(8*cmplx.Rect(1, 0.03), 50), 3},
		{"across the real axis", line(cmplx.Rect(8, 1.5), 50), line(cmplx.Rect(8, -1.5), 50), 300},
		// Five of the twelve half intervals of log frequency.
		{"half of the band", line(8, 7), half, 100 * math.Log(1.1) * math.Sqrt(5.0/12)},
	} {
		for _, swap := range []bool{false, true} {
			if swap {
				c.a, c.b = c.b, c.a
			}
			got, warnings, err := distance(c.a, c.b)
			if err != nil || len(warnings) > 0 || math.Abs(got.Percent-c.want) > 1e-9 {
				t.Errorf("%s: %v, %v, %v, want %v", c.name, got, warnings, err, c.want)
			}
		}
	}
	got, warnings, err := distance(line(8, 50), line(8*1.02, 31))
	if err != nil || math.Abs(got.Percent-100*math.Log(1.02)) > 1e-9 || len(warnings) != 1 || warnings[0].Code != "resampled" {
		t.Errorf("other grid: %v, %v, %v", got, warnings, err)
	}
	high := line(8, 5)
	for i := range high.Curve.Points {
		high.Curve.Points[i].Hz += 20000
	}
	if _, _, err := distance(line(8, 5), high); err == nil || !strings.Contains(err.Error(), "no frequency in common") {
		t.Errorf("no common band: %v", err)
	}
}

// Two measurements of one driver are as far apart as their noise says. Noise
// is relative to |Z| as measured, which the jig puts off by some per mille; the
// rms of 264 noise points scatters by 1/sqrt(4 * 264) or 3 %.
func TestDistanceOfNoise(t *testing.T) {
	got, _, err := distance(guitarDriver.measure(t, 0.01, 1, 1), guitarDriver.measure(t, 0.01, 2, 1))
	if err != nil || math.Abs(got.Noise/math.Sqrt2-1) > 0.01 || math.Abs(got.Percent/got.Noise-1) > 0.1 {
		t.Errorf("%+v, %v, want noise of 1.414 %%", got, err)
	}
}

func TestMatch(t *testing.T) {
	// Three sorts in a mixed order, and one driver that has no like.
	var sides []Side
	for _, z := range []complex128{8, 16, 8.1, 30, 4, 16.1, 4.1, 8.2, 8.3} {
		sides = append(sides, line(z, 20))
	}
	m, err := Match(t.Context(), sides, 2)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, g := range m.Groups {
		got = append(got, fmt.Sprint(g.members))
	}
	slices.Sort(got)
	if want := []string{"[0 2]", "[1 5]", "[4 6]", "[7 8]"}; !slices.Equal(got, want) || !slices.Equal(m.left, []int{3}) {
		t.Errorf("groups %v, left %v", got, m.left)
	}
	if len(m.Warnings) != 1 || !strings.Contains(m.Warnings[0].Text, "(30+0i)") {
		t.Errorf("the driver left over is not named: %v", m.Warnings)
	}
	if m, err = Match(t.Context(), sides, 4); err != nil || m.Groups[0].members[3] != 8 || !m.Optimal {
		t.Errorf("quads %+v, %v", m, err)
	}
	for _, c := range []struct {
		sides []Side
		per   int
		want  string
	}{
		{sides, 3, "3 drivers to a cabinet"},
		{sides[:3], 4, "3 drivers are too few"},
		{append([]Side{{Label: "no curve"}}, sides...), 2, "no curve"},
	} {
		if _, err := Match(t.Context(), c.sides, c.per); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v does not say %q", err, c.want)
		}
	}
}

func BenchmarkMatch(b *testing.B) {
	for _, per := range []int{2, 4} {
		for _, n := range []int{20, 40, 99, 100} {
			b.Run(fmt.Sprintf("per=%d/drivers=%d", per, n), func(b *testing.B) {
				r := rand.New(rand.NewPCG(1, uint64(n)))
				var sides []Side
				for i := range n {
					m := guitarDriver
					for _, x := range []*float64{&m.mass, &m.stiffness, &m.loss, &m.bl, &m.re, &m.le} {
						*x *= math.Exp(0.05 * r.NormFloat64())
					}
					s := line(1, 264)
					s.Label = fmt.Sprint(i)
					for k := range s.Curve.Points {
						s.Curve.Points[k].Z = m.z(s.Curve.Points[k].Hz)
					}
					sides = append(sides, s)
				}
				var m Matching
				var err error
				for b.Loop() {
					if m, err = Match(b.Context(), sides, per); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(m.Total/m.AtLeast, "total/bound")
			})
		}
	}
}

// distance returns how far the curves of two drivers are apart: 100 times the
// root of the mean square, over log frequency, of |ln(Za/Zb)|, the complex
// logarithm, which counts modulus (relative) and phase (in rad) alike. For
// curves that are close it is the rms of their relative difference in percent.
// As the length of a difference between two functions it is symmetric, and no
// detour is shorter.
//
// It covers the band that both have. A curve on other frequencies is
// interpolated, with a warning. Where the temperatures of both are known, both
// are brought to 20 C first.
func distance(a, b Side) (Gap, []impedance.Warning, error) {
	curves, warnings, err := onOneGrid([]Side{a, b})
	if err != nil {
		return Gap{}, nil, err
	}
	w := spans(curves[0].Hz())
	return newTrace(curves[0], w).gap(newTrace(curves[1], w), w), warnings, nil
}
