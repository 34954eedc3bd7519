package recone

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"tapload/measure/impedance"
	"tapload/measure/verdict"
)

func normals(r *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

// farthest is how many spreads the farthest of x is from the median.
func farthest(x []float64) float64 {
	m, s, z := median(x), qn(x), 0.0
	for _, v := range x {
		z = max(z, math.Abs(v-m)/s)
	}
	return z
}

// Over many samples the mean is the standard deviation, which is 1.
func TestSpreadIsUnbiased(t *testing.T) {
	for _, n := range []int{2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 20} {
		const samples = 20000
		r := rand.New(rand.NewPCG(2, uint64(n)))
		sum, square := 0.0, 0.0
		for range samples {
			q := qn(normals(r, n))
			sum += q
			square += q * q
		}
		mean := sum / samples
		u := math.Sqrt((square/samples - mean*mean) / samples)
		// The factors have three digits; those of 10 and more are asymptotic.
		if math.Abs(mean-1) > 0.01+3*u {
			t.Errorf("n = %d: mean %.4f(%.4f), want 1", n, mean, u)
		}
	}
}

func TestStrangerLimit(t *testing.T) {
	for _, n := range []int{4, 5, 8, 13, 17, 25} {
		const groups = 20000
		r := rand.New(rand.NewPCG(3, uint64(n)))
		beyond := 0
		for range groups {
			if farthest(normals(r, n)) > strangerLimit(n) {
				beyond++
			}
		}
		// 100 are expected, with a scatter of 10; between the entries of the table
		// odd and even numbers differ.
		if beyond < 60 || beyond > 160 {
			t.Errorf("n = %d: %d of %d groups beyond %.2f, want 100", n, beyond, groups, strangerLimit(n))
		}
	}
}

// batch is n drivers of one make, each constant off by 2 % (k = 1).
func batch(t testing.TB, n int, seed uint64) (group []Side) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 5))
	for i := range n {
		m := guitarDriver
		for _, x := range []*float64{&m.mass, &m.stiffness, &m.loss, &m.bl, &m.re, &m.le} {
			*x *= math.Exp(0.02 * r.NormFloat64())
		}
		group = append(group, m.measure(t, 0.001, 1000*seed+uint64(i), 1))
	}
	return group
}

func TestGroup(t *testing.T) {
	group := batch(t, 10, 1)
	st, err := Group(t.Context(), group, guitarDriver.measure(t, 0.001, 77, 1))
	if err != nil {
		t.Fatal(err)
	}
	if st.Verdict != verdict.Pass || len(st.Strangers) != 0 || st.Members != 10 {
		t.Errorf("a driver from the middle of the group: %+v", st)
	}
	for _, p := range st.Places {
		if p.Name == "re" && (math.Abs(p.Spread-2) > 1.2 || math.Abs(p.Median/guitarDriver.re-1) > 0.03) {
			t.Errorf("re: %+v, want a spread of about 2 %%", p)
		}
	}
	if i := slices.IndexFunc(st.Places, func(p Place) bool { return p.Name == "curve_1000hz" }); i < 0 {
		t.Errorf("no octave around 1 kHz")
	}

	heavy := guitarDriver
	heavy.mass *= 1.5
	other := heavy.measure(t, 0.001, 78, 1)
	other.Label = "heavy one"
	if st, err = Group(t.Context(), group, other); err != nil || st.Verdict != verdict.Fail {
		t.Errorf("a heavy cone: %v, %v", st.Verdict, err)
	}
	group[3] = other
	if st, err = Group(t.Context(), group, guitarDriver.measure(t, 0.001, 77, 1)); err != nil {
		t.Fatal(err)
	}
	if len(st.Strangers) != 1 || st.Strangers[0].Member != 3 || st.Verdict != verdict.Pass {
		t.Errorf("strangers %+v, verdict %v", st.Strangers, st.Verdict)
	}
	if !slices.ContainsFunc(st.Warnings, func(w impedance.Warning) bool { return strings.Contains(w.Text, "heavy one does not belong") }) {
		t.Errorf("not named: %v", st.Warnings)
	}
	if _, err := Group(t.Context(), group[:3], other); err == nil || !strings.Contains(err.Error(), "3 drivers") {
		t.Errorf("three drivers: %v", err)
	}
}

// One measurement many times over has no spread but that of its noise.
func TestGroupOfOneDriver(t *testing.T) {
	var group []Side
	for seed := range uint64(8) {
		group = append(group, guitarDriver.measure(t, 0.001, seed, 1))
	}
	st, err := Group(t.Context(), group, guitarDriver.measure(t, 0.001, 9, 1))
	if err != nil || st.Verdict == verdict.Fail || len(st.Strangers) > 0 {
		t.Errorf("%+v, %v", st, err)
	}
	same := slices.Repeat(group[:1], 5)
	if st, err = Group(t.Context(), same, group[0]); err != nil || st.Verdict != verdict.Pass {
		t.Errorf("copies: %+v, %v", st, err)
	}
}

// BenchmarkGoodGroups counts false alarms in all quantities together.
func BenchmarkGoodGroups(b *testing.B) {
	for _, n := range []int{4, 8, 16} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				const groups = 150
				alarms, failed := 0, 0
				for seed := range uint64(groups) {
					drivers := batch(b, n+1, 100+seed)
					st, err := Group(b.Context(), drivers[:n], drivers[n])
					if err != nil {
						b.Fatal(err)
					}
					if len(st.Strangers) > 0 {
						alarms++
					}
					if st.Verdict == verdict.Fail {
						failed++
					}
				}
				b.ReportMetric(100*float64(alarms)/groups, "%groups-with-strangers")
				b.ReportMetric(100*float64(failed)/groups, "%good-drivers-failed")
			}
		})
	}
}

// BenchmarkStrangers makes the limits: what 1 in 200 groups exceeds, and how
// often a fresh driver does.
func BenchmarkStrangers(b *testing.B) {
	for _, n := range []int{4, 5, 6, 7, 8, 9, 10, 11, 12, 15, 20, 30, 50, 100} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			r := rand.New(rand.NewPCG(1, uint64(n)))
			groups := min(400_000, 10_000_000/n/n*20)
			for b.Loop() {
				z := make([]float64, groups)
				fresh := make([]float64, groups)
				for i := range z {
					x := normals(r, n)
					z[i] = farthest(x)
					fresh[i] = math.Abs(r.NormFloat64()-median(x)) / qn(x)
				}
				slices.Sort(z)
				limit := z[groups*995/1000]
				beyond := 0
				for _, f := range fresh {
					if f > limit {
						beyond++
					}
				}
				b.ReportMetric(limit, "limit")
				b.ReportMetric(100*float64(beyond)/float64(groups), "%fresh-beyond")
			}
		})
	}
}
