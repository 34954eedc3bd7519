package recone

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// mechanics is an invented driver by its mechanical and electrical constants,
// SI; its curve is worked out from them here, not by package fit.
type mechanics struct {
	mass, stiffness, loss, bl, re float64
	le, n                         float64 // |Zcoil| at 1 kHz in ohm and the exponent of its power law
	l1, l2, r2                    float64 // of a ladder beside it
	creep                         float64 // of the suspension, a decade: what no model without it can follow
}

var guitarDriver = mechanics{mass: 0.030, stiffness: 10000, loss: 2.6, bl: 11, re: 6.6, le: 4.5, n: 0.68}

var bassDriver = mechanics{mass: 0.080, stiffness: 3000, loss: 3.5, bl: 14, re: 5.4, l1: 0.4e-3, l2: 0.9e-3, r2: 7}

// spring is K, or K/(1 - creep log10(s/w0)) of a suspension that creeps (Knudsen
// and Jensen 1993, from memory).
func (m mechanics) spring(s complex128) complex128 {
	w0 := math.Sqrt(m.stiffness / m.mass)
	return complex(m.stiffness, 0) / (1 - complex(m.creep, 0)*cmplx.Log10(s/complex(w0, 0)))
}

// z is Re + Zcoil + Bl^2/(Rms + s M + K/s).
func (m mechanics) z(hz float64) complex128 {
	s := complex(0, 2*math.Pi*hz)
	coil := complex(m.le, 0) * cmplx.Pow(s/complex(2*math.Pi*1000, 0), complex(m.n, 0))
	if m.l1 > 0 {
		coil += s*complex(m.l1, 0) + 1/(1/complex(m.r2, 0)+1/(s*complex(m.l2, 0)))
	}
	return complex(m.re, 0) + coil + complex(m.bl*m.bl, 0)/(complex(m.loss, 0)+s*complex(m.mass, 0)+m.spring(s)/s)
}

// measure is one measurement of m at 264 points from 10 Hz to 20 kHz, with
// noise relative to |Z| and a sense resistor and channels that a jig has for
// all its curves, drawn by the jig's number and off by a standard deviation of
// 0.1 % each. Jig 0 is without error.
func (m mechanics) measure(t testing.TB, noise float64, seed, jig uint64) Side {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 0xd7))
	j := rand.New(rand.NewPCG(jig, 0x719))
	const off = 1e-3
	sense, channel := complex(off*j.NormFloat64(), 0), complex(off*j.NormFloat64(), 0)
	if jig == 0 {
		sense, channel = 0, 0
	}
	var c impedance.Curve
	bySense := impedance.Source{ID: fmt.Sprintf("jig %d sense resistor", jig)}
	byChannel := impedance.Source{ID: fmt.Sprintf("jig %d channels", jig)}
	for i := range 264 {
		hz := 10 * math.Pow(2000, float64(i)/263)
		z := m.z(hz)
		// dZ/Z = dR/R + (1 + Z/R) dG/G with a sense resistor of 10 ohm.
		mismatch := z * (1 + z/10)
		v := z + z*sense + mismatch*channel
		u := cmplx.Abs(z) * noise / math.Sqrt2
		c.Points = append(c.Points, impedance.Point{Hz: hz, Z: v + complex(u*r.NormFloat64(), u*r.NormFloat64()), Noise: impedance.Cov{RR: u * u, II: u * u}})
		bySense.DZ = append(bySense.DZ, off*z)
		byChannel.DZ = append(byChannel.DZ, off*mismatch)
	}
	if jig > 0 {
		c.Shared = []impedance.Source{bySense, byChannel}
	}
	return fitted(t, fmt.Sprintf("driver %d", seed), c, fit.Options{})
}

func fitted(t testing.TB, label string, c impedance.Curve, o fit.Options) Side {
	t.Helper()
	load, err := fit.Curve(t.Context(), c, o)
	if err != nil {
		t.Fatal(err)
	}
	return Side{Label: label, Curve: c, Load: load}
}

func (s Side) at(celsius float64) Side {
	s.Celsius = &celsius
	return s
}

func compare(t testing.TB, before, after Side) Comparison {
	t.Helper()
	c, err := Compare(t.Context(), before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (c Comparison) change(name string) Change {
	i := slices.IndexFunc(c.Changes, func(ch Change) bool { return ch.Name == name })
	return c.Changes[i]
}

func (c Comparison) significant() (names []string) {
	for _, ch := range c.Changes {
		if ch.Significant {
			names = append(names, ch.Name)
		}
	}
	if c.Worst.Significant {
		names = append(names, "curve")
	}
	return names
}

func tell(c Comparison) string {
	var b strings.Builder
	fmt.Fprintln(&b, c.Verdict)
	for _, ch := range c.Changes {
		fmt.Fprintf(&b, "  %s %.3f(%.3f) %v %v\n", ch.Name, ch.Percent.Value, ch.Percent.U, ch.Significant, ch.Verdict)
	}
	for _, k := range c.Causes {
		fmt.Fprintf(&b, "  %.4f %s %.2f(%.2f): %s\n", k.Probability, k.Name, k.Amount.Value, k.Amount.U, k.Words)
	}
	fmt.Fprintf(&b, "  worst %+v\n  %v", c.Worst, c.Warnings)
	return b.String()
}

// One change each, and what it must be called. The temperature is known of
// both sides: without it a Re that is 2 % higher is a coil 5 K warmer.
var oneChange = []struct {
	name   string
	do     func(*mechanics)
	want   string
	amount float64 // percent
}{
	{"mass +3 %", func(m *mechanics) { m.mass *= 1.03 }, "heavier cone", 3},
	{"mass -3 %", func(m *mechanics) { m.mass *= 0.97 }, "lighter cone", -3},
	{"stiffness +5 %", func(m *mechanics) { m.stiffness *= 1.05 }, "stiffer surround", 5},
	{"stiffness -5 %", func(m *mechanics) { m.stiffness *= 0.95 }, "softer surround", -5},
	{"Re +2 %", func(m *mechanics) { m.re *= 1.02 }, "wrong coil", 2},
	{"force factor -5 %", func(m *mechanics) { m.bl *= 0.95 }, "weaker magnet", -5},
	{"losses +20 %", func(m *mechanics) { m.loss *= 1.2 }, "more friction", 20},
	{"inductance +10 %", func(m *mechanics) { m.le *= 1.1 }, "more coil inductance", 10},
	{"nothing", func(m *mechanics) {}, "nothing changed", 0},
}

// Each is measured with three seeds, or one with -short.
func TestOneChangeIsNamed(t *testing.T) {
	seeds := 3
	if testing.Short() {
		seeds = 1
	}
	for _, c := range oneChange {
		t.Run(c.name, func(t *testing.T) {
			changed := guitarDriver
			c.do(&changed)
			for _, noise := range []float64{0.0005, 0.001} {
				for seed := range uint64(seeds) {
					got := compare(t, guitarDriver.measure(t, noise, 2*seed, 1).at(21), changed.measure(t, noise, 2*seed+1, 1+seed%2).at(21))
					best := got.Causes[0]
					if best.Name != c.want || best.Probability < 0.6 {
						t.Errorf("noise %v, seed %d: %s", noise, seed, tell(got))
					}
					if math.Abs(best.Amount.Value-c.amount) > 4*best.Amount.U {
						t.Errorf("amount %.2f, u %.2f, want %.2f", best.Amount.Value, best.Amount.U, c.amount)
					}
					if c.amount != 0 && len(got.significant()) == 0 {
						t.Errorf("nothing is significant: %s", tell(got))
					}
				}
			}
		})
	}
}

// A coil that is 30 K warmer.
func TestWarmCoil(t *testing.T) {
	warm := guitarDriver
	warm.re *= (1 + quantity.CopperPerKelvin*32) / (1 + quantity.CopperPerKelvin*2)
	cold := guitarDriver.measure(t, 0.001, 1, 1)
	hot := warm.measure(t, 0.001, 2, 1)

	t.Run("temperatures given", func(t *testing.T) {
		got := compare(t, cold.at(22), hot.at(52))
		if got.Verdict != verdict.Pass || len(got.significant()) > 0 || got.Causes[0].Name != "warm coil" || got.Causes[0].Probability < 0.5 {
			t.Error(tell(got))
		}
		if !strings.Contains(got.Causes[0].Words, "30 K") {
			t.Error(got.Causes[0].Words)
		}
	})
	t.Run("the other way round", func(t *testing.T) {
		got := compare(t, hot.at(52), cold.at(22))
		if got.Verdict != verdict.Pass || got.Causes[0].Name != "warm coil before" {
			t.Error(tell(got))
		}
		// Re of both at 20 C, that of the hot coil 32 K below what was measured.
		re := got.change("re")
		for _, v := range []quantity.Value{re.Before, re.After} {
			if want := guitarDriver.re / (1 + quantity.CopperPerKelvin*2); math.Abs(v.Value-want) > 3*v.U || v.U > 0.005*want {
				t.Errorf("Re at 20 C is %v, want %.4g ohm", v, want)
			}
		}
	})
	t.Run("not given", func(t *testing.T) {
		got := compare(t, cold, hot)
		if !got.change("re").Significant || got.change("re").Verdict != verdict.Fail {
			t.Error(tell(got))
		}
		best := got.Causes[0]
		if best.Name != "warm coil" || best.Probability < 0.5 || math.Abs(best.Amount.Value-11.70) > 0.5 || !strings.Contains(best.Words, "30 K") {
			t.Error(tell(got))
		}
		if got.change("fs").Significant || got.change("q_ms").Significant {
			t.Errorf("a warm coil moves Re alone: %s", tell(got))
		}
	})
	t.Run("of one side", func(t *testing.T) {
		got := compare(t, cold.at(22), hot)
		if len(got.Warnings) != 1 || got.Warnings[0].Code != "temperature-of-one" || got.Causes[0].Name != "warm coil" {
			t.Error(tell(got))
		}
	})
}

// same compares a driver with itself and returns what is called significant.
// One jig or two, two sizes of noise and two drivers take turns.
func same(t testing.TB, i uint64) []string {
	noise := []float64{0.0005, 0.001}[i/2%2]
	driver := []mechanics{guitarDriver, bassDriver}[i/4%2]
	got := compare(t, driver.measure(t, noise, 2*i+1000, 2*i+2), driver.measure(t, noise, 2*i+1001, 2*i+2+i%2))
	return got.significant()
}

func TestSameDriverTwice(t *testing.T) {
	// Of 40 pairs at a true rate of 5 %, 7 or more would be found significant
	// in less than 0.4 % of all series (binomial), of 12 with -short, 4 or more.
	pairs, most := 40, 6
	if testing.Short() {
		pairs, most = 12, 3
	}
	count := 0
	for i := range pairs {
		if len(same(t, uint64(i))) > 0 {
			count++
		}
	}
	if count > most {
		t.Errorf("%d of %d pairs of one driver differ significantly; the stated rate is %g", count, pairs, FamilyRate)
	}
}

// BenchmarkSameDriverTwice is kept in testdata/figures/recone.txt.
func BenchmarkSameDriverTwice(b *testing.B) {
	const pairs = 2000
	for b.Loop() {
		count, by := 0, map[string]int{}
		for i := range uint64(pairs) {
			names := same(b, i)
			if len(names) > 0 {
				count++
			}
			for _, name := range names {
				by[name]++
			}
		}
		b.ReportMetric(100*float64(count)/pairs, "%significant")
		b.Log(by)
	}
}

// The uncertainty of each change is the scatter that it has.
func BenchmarkChangeCoverage(b *testing.B) {
	const pairs = 1000
	for b.Loop() {
		inside, all, names := map[string]int{}, 0, []string{}
		for i := range uint64(pairs) {
			got := compare(b, guitarDriver.measure(b, 0.001, 2*i+9000, 2*i+2), guitarDriver.measure(b, 0.001, 2*i+9001, 2*i+2+i%2))
			all++
			for _, ch := range got.Changes {
				if !slices.Contains(names, ch.Name) {
					names = append(names, ch.Name)
				}
				if math.Abs(ch.Percent.Value) < 1.959964*ch.Percent.U {
					inside[ch.Name]++
				}
			}
		}
		for _, name := range names {
			b.ReportMetric(100*float64(inside[name])/float64(all), "%"+name)
		}
	}
}

// A curve is what it is.
func TestCurveWithItself(t *testing.T) {
	silent := guitarDriver.measure(t, 0, 1, 1)
	for i := range silent.Curve.Points {
		silent.Curve.Points[i].Noise = impedance.Cov{}
	}
	for _, s := range []Side{guitarDriver.measure(t, 0.001, 1, 1), silent} {
		got := compare(t, s, s)
		if got.Verdict != verdict.Pass || len(got.significant()) > 0 || got.Causes[0].Name != "nothing changed" || !(got.Causes[0].Probability > 0.5) {
			t.Error(tell(got))
		}
	}
}

// One sense resistor behind both curves says nothing of a change; two that
// are each 0.1 % uncertain do, and move every resistance by that much.
func TestSharedSourcesCancel(t *testing.T) {
	const noise, off = 1e-5, 1e-3
	with := func(seed uint64, id string) Side {
		c := guitarDriver.measure(t, noise, seed, 0).Curve
		s := impedance.Source{ID: id}
		for _, p := range c.Points {
			s.DZ = append(s.DZ, off*p.Z)
		}
		c.Shared = []impedance.Source{s}
		return fitted(t, id, c, fit.Options{})
	}
	before := with(1, "one")
	one, two := compare(t, before, with(2, "one")), compare(t, before, with(3, "two"))
	for _, name := range []string{"re", "z_min", "z_max", "le_1khz"} {
		// 0.003 % is what noise of 0.001 % leaves of Le, the worst known.
		if u := one.change(name).Percent.U; u > 0.003 {
			t.Errorf("%s, one jig: u is %.5f %%", name, u)
		}
		if u, want := two.change(name).Percent.U, 100*off*math.Sqrt2; math.Abs(u/want-1) > 1e-3 {
			t.Errorf("%s, two jigs: u is %.5f %%, want %.5f %%", name, u, want)
		}
		if ch := one.change(name); math.Abs(ch.Before.U/(off*ch.Before.Value)-1) > 1e-3 {
			t.Errorf("%s itself has u %v at %v", name, ch.Before.U, ch.Before.Value)
		}
	}
	for _, name := range []string{"fs", "q_ms", "q_es", "q_ts"} {
		if u := two.change(name).Percent.U; u > 0.003 {
			t.Errorf("%s does not depend on a scale: u is %.5f %%", name, u)
		}
	}
	if one.Worst.Percent.U > 0.005 || two.Worst.Percent.U < 20*one.Worst.Percent.U {
		t.Errorf("curves: one jig %+v, two %+v", one.Worst, two.Worst)
	}
}

// The curves of a driver whose Re is 2 % higher differ by 0.02 Re/|Z|, most
// where |Z| is least.
func TestWorstDeviation(t *testing.T) {
	other := guitarDriver
	other.re *= 1.02
	before, after := guitarDriver.measure(t, 1e-4, 1, 0), other.measure(t, 1e-4, 2, 0)
	got := compare(t, before, after)
	var want float64
	for _, p := range before.Curve.Points {
		want = max(want, 100*0.02*guitarDriver.re/cmplx.Abs(guitarDriver.z(p.Hz)))
	}
	if w := got.Worst; math.Abs(w.Percent.Value-want) > 2*w.Percent.U || !w.Significant || w.Verdict != verdict.Pass {
		t.Errorf("%+v, want %v %%", w, want)
	}
	// Two curves, half of each variance along Z, and a complex deviate that is
	// beyond k with the probability exp(-k^2/2) at one of the points.
	fs, n := before.Load.Resonances[0].Hz.Value, 0
	for _, p := range before.Curve.Points {
		if p.Hz < fs/2 || p.Hz > 2*fs {
			n++
		}
	}
	k := math.Sqrt(-2 * math.Log(1-math.Pow(0.95, 1/float64(n))))
	if u := 100 * 1e-4 * k / 2; math.Abs(got.Worst.Percent.U/u-1) > 0.02 {
		t.Errorf("u of the worst deviation is %v %%, want %v %%", got.Worst.Percent.U, u)
	}
	for _, c := range []struct {
		high float64
		want verdict.Verdict
	}{{want - 0.2, verdict.Fail}, {want, verdict.Undecided}, {want + 0.2, verdict.Pass}} {
		got, err := Compare(t.Context(), before, after, Options{Limits: Limits{"curve": {0, c.high}}})
		if err != nil {
			t.Fatal(err)
		}
		if got.Verdict != c.want {
			t.Errorf("limit of %v %%: %v, want %v", c.high, got.Verdict, c.want)
		}
	}
}

// A resonance may move within its limits without the curves failing for it; a
// dip elsewhere may not, though every other quantity is what it was.
func TestCurvesBesideTheResonance(t *testing.T) {
	before, softer := guitarDriver.measure(t, 1e-4, 1, 0), guitarDriver
	softer.stiffness *= 0.91 * 0.91
	softer.loss *= 0.91 // Qms stays
	softer.bl *= math.Sqrt(0.91)
	if got := compare(t, before, softer.measure(t, 1e-4, 2, 0)); got.Verdict != verdict.Pass {
		t.Errorf("fs 9 %% lower: %v", tell(got))
	}
	after := guitarDriver.measure(t, 1e-4, 2, 0)
	rattle := fit.Result{Resonances: []fit.Resonance{{Hz: quantity.Value{Value: 900}, Qms: quantity.Value{Value: 12}, Res: quantity.Value{Value: 5}}}}
	for i := range after.Curve.Points {
		p := &after.Curve.Points[i]
		p.Z += rattle.Impedance(p.Hz)
	}
	got := compare(t, before, fitted(t, "rattling", after.Curve, fit.Options{}))
	if w := got.Worst; got.Verdict != verdict.Fail || w.Verdict != verdict.Fail || math.Abs(w.Hz-900) > 20 {
		t.Error(tell(got))
	}

	narrow := func(seed uint64) Side {
		c := guitarDriver.measure(t, 1e-4, seed, 0).Curve
		return fitted(t, "narrow", c.Within(50, 180), fit.Options{Models: []fit.Model{{Coil: fit.NoCoil, Resonances: 1}}})
	}
	got = compare(t, narrow(1), narrow(2))
	if len(got.Warnings) != 1 || got.Warnings[0].Code != "curves-not-judged" || got.Worst.Verdict != verdict.Pass || got.Worst.Hz != 0 {
		t.Error(tell(got))
	}
}

// A curve with other frequencies is compared in the band of both, and says so.
func TestOtherFrequencies(t *testing.T) {
	before, after := guitarDriver.measure(t, 1e-4, 1, 0), guitarDriver.measure(t, 1e-4, 2, 0)
	after.Curve.Points = after.Curve.Points[10:]
	before.Curve.Points = slices.DeleteFunc(slices.Clone(before.Curve.Points), func(p impedance.Point) bool { return p.Hz > 9000 })
	got := compare(t, fitted(t, "a", before.Curve, fit.Options{}), fitted(t, "b", after.Curve, fit.Options{}))
	if len(got.Warnings) != 1 || got.Warnings[0].Code != "resampled" || got.Worst.Significant || got.Worst.Percent.Value > 0.1 {
		t.Error(tell(got))
	}
	after.Curve.Points = slices.DeleteFunc(slices.Clone(after.Curve.Points), func(p impedance.Point) bool { return p.Hz < 9100 })
	if _, err := Compare(t.Context(), before, after, Options{}); err == nil || !strings.Contains(err.Error(), "no frequency in common") {
		t.Errorf("error %v", err)
	}
}

// A coil that one fit models in one way and the other in another is compared
// in one way.
func TestOneModelForBoth(t *testing.T) {
	before, after := guitarDriver.measure(t, 0.001, 1, 0), guitarDriver.measure(t, 0.001, 2, 0)
	alone := func(s Side, m fit.Model) Side {
		return fitted(t, s.Label, s.Curve, fit.Options{Models: []fit.Model{m}})
	}
	got := compare(t, before, alone(after, fit.Model{Coil: fit.Ladder, Resonances: 1}))
	if len(got.significant()) > 0 || len(got.Warnings) > 0 {
		t.Error(tell(got))
	}

}

// A resonance that one curve has and the other has not is no part of what they
// have in common.
func TestResonanceOfOne(t *testing.T) {
	before, after := guitarDriver.measure(t, 0.001, 1, 0), guitarDriver.measure(t, 0.001, 2, 0)
	rattle := fit.Result{Resonances: []fit.Resonance{{Hz: quantity.Value{Value: 900}, Qms: quantity.Value{Value: 12}, Res: quantity.Value{Value: 2}}}}
	for i := range after.Curve.Points {
		p := &after.Curve.Points[i]
		p.Z += rattle.Impedance(p.Hz)
	}
	got := compare(t, before, fitted(t, "rattling", after.Curve, fit.Options{}))
	if names := got.significant(); !slices.Equal(names, []string{"curve"}) || got.Causes[0].Name != "loose part" || len(got.Warnings) > 0 {
		t.Error(tell(got))
	}
}

// A pinned Re is as uncertain as the meter that read it.
func TestPinnedRe(t *testing.T) {
	pinned := func(seed uint64, ohm float64) Side {
		return fitted(t, "pinned", guitarDriver.measure(t, 0.001, seed, 0).Curve, fit.Options{PinnedRe: ohm})
	}
	got := compare(t, pinned(1, 6.60), pinned(2, 6.63)).change("re")
	if got.Significant || math.Abs(got.Percent.U/(0.5*math.Sqrt2)-1) > 0.01 {
		t.Errorf("%+v", got)
	}
}

func TestSidesThatCannotBeCompared(t *testing.T) {
	good := guitarDriver.measure(t, 0.001, 1, 0)
	if _, err := Compare(t.Context(), good, Side{Label: "cone 2", Load: fit.Result{Status: fit.NoResonance}}, Options{}); err == nil || !strings.Contains(err.Error(), "cone 2 has no fitted load (no resonance)") {
		t.Errorf("error %v", err)
	}
	for _, celsius := range []float64{-300, 1000, math.NaN()} {
		if _, err := Compare(t.Context(), good.at(celsius), good, Options{}); err == nil || !strings.Contains(err.Error(), "temperature of driver 1") {
			t.Errorf("%v C: error %v", celsius, err)
		}
	}
}

// A change beyond doubt and above 1 % cannot be that nothing changed, though none
// of the causes explains it.
func TestSomethingElse(t *testing.T) {
	// A bump that no part of a driver makes.
	before, after := guitarDriver.measure(t, 0.001, 1, 0), guitarDriver.measure(t, 0.001, 2, 0)
	for i := range after.Curve.Points {
		p := &after.Curve.Points[i]
		p.Z *= complex(1+0.03*math.Exp(-math.Pow(4*math.Log2(p.Hz/6000), 2)), 0)
	}
	got := compare(t, before, fitted(t, "after", after.Curve, fit.Options{}))
	if !got.Worst.Significant || got.Worst.Percent.Value < 2 || slices.ContainsFunc(got.Causes, func(c Cause) bool { return c.Name == "nothing changed" }) {
		t.Error(tell(got))
	}
	if got := compare(t, before, guitarDriver.measure(t, 0.001, 3, 0)); got.Causes[0].Name != "nothing changed" {
		t.Error(tell(got))
	}
}

// What passed its limits has no cause beyond them.
func TestCausesWithinTheLimits(t *testing.T) {
	list := []Cause{
		{Name: "heavier cone", Probability: 0.6, moves: [6]float64{0, -0.06, 0.06, 0, 0.12, 0}},
		{Name: "warm coil", Probability: 0.2, moves: [6]float64{0.06}},
		{Name: "nothing changed", Probability: 0.2},
	}
	limits := DefaultLimits()
	for _, c := range []struct {
		judged []string
		want   string
	}{
		{[]string{"re", "fs", "q_ms"}, "heavier cone 0.75, nothing changed 0.25"},
		{[]string{"re", "fs", "q_ms", "mms"}, "nothing changed 1.00"},
		{nil, "heavier cone 0.60, warm coil 0.20, nothing changed 0.20"},
	} {
		var passed []Change
		for _, name := range c.judged {
			passed = append(passed, Change{Name: name, Limit: limits[name]})
		}
		var got []string
		for _, k := range within(slices.Clone(list), passed) {
			got = append(got, fmt.Sprintf("%s %.2f", k.Name, k.Probability))
		}
		if got := strings.Join(got, ", "); got != c.want {
			t.Errorf("%v: %s, want %s", c.judged, got, c.want)
		}
	}
}

// Holm by its definition: the k-th smallest of n against rate/(n + 1 - k).
func TestHolm(t *testing.T) {
	for _, c := range []struct {
		p    []float64
		want []bool
	}{
		{[]float64{0.04}, []bool{true}},
		{[]float64{0.03, 0.02}, []bool{true, true}},
		{[]float64{0.03, 0.026}, []bool{false, false}},
		{[]float64{0.9, 0.001, 0.03, 0.016}, []bool{false, true, false, true}},
	} {
		if got := holm(c.p, 0.05); !slices.Equal(got, c.want) {
			t.Errorf("%v: %v, want %v", c.p, got, c.want)
		}
	}
}

func TestLimitVerdicts(t *testing.T) {
	limit := Limit{-5, 5}
	for _, c := range []struct {
		value, u float64
		want     verdict.Verdict
	}{
		{0, 1, verdict.Pass}, {3, 1, verdict.Pass}, {3.1, 1, verdict.Undecided}, {6.9, 1, verdict.Undecided}, {7.1, 1, verdict.Fail},
		{-3.1, 1, verdict.Undecided}, {-7.1, 1, verdict.Fail}, {0, 10, verdict.Undecided},
	} {
		if got := limit.judge(c.value, c.u); got != c.want {
			t.Errorf("%v, u %v: %v, want %v", c.value, c.u, got, c.want)
		}
	}
	if (Limit{}).judge(1000, 1) != verdict.Pass {
		t.Error("a zero limit is none")
	}
	for _, c := range []struct{ a, b, want verdict.Verdict }{{verdict.Pass, verdict.Pass, verdict.Pass}, {verdict.Pass, verdict.Undecided, verdict.Undecided}, {verdict.Undecided, verdict.Fail, verdict.Fail}, {verdict.Fail, verdict.Pass, verdict.Fail}} {
		if got := worse(c.a, c.b); got != c.want {
			t.Errorf("%v and %v: %v", c.a, c.b, got)
		}
	}
}

func TestComparisonVerdict(t *testing.T) {
	heavy := guitarDriver
	heavy.mass *= 1.05
	before, after := guitarDriver.measure(t, 0.001, 1, 1), heavy.measure(t, 0.001, 2, 1)
	for _, c := range []struct {
		fs   Limit
		want verdict.Verdict
	}{
		// fs falls by 1 - 1/sqrt(1.05) = 2.410 %.
		{Limit{-3, 3}, verdict.Pass}, {Limit{-2, 2}, verdict.Fail}, {Limit{-2.41, 2.41}, verdict.Undecided},
	} {
		got, err := Compare(t.Context(), before, after, Options{Limits: Limits{"fs": c.fs}})
		if err != nil {
			t.Fatal(err)
		}
		if got.Verdict != c.want || got.change("fs").Verdict != c.want {
			t.Errorf("limit %v: %s", c.fs, tell(got))
		}
	}
}

// BenchmarkCauses is kept in testdata/figures/recone.txt: how often one change
// is named, of 200 pairs each at two sizes of noise.
func BenchmarkCauses(b *testing.B) {
	const pairs = 200
	for _, c := range oneChange {
		b.Run(strings.ReplaceAll(c.name, " ", "_"), func(b *testing.B) {
			changed := guitarDriver
			c.do(&changed)
			for b.Loop() {
				right, found, least := 0, 0, 1.0
				for i := range uint64(pairs) {
					noise := []float64{0.0005, 0.001}[i%2]
					got := compare(b, guitarDriver.measure(b, noise, 2*i+5000, 2*i+2).at(21), changed.measure(b, noise, 2*i+5001, 2*i+2+i/2%2).at(21))
					if got.Causes[0].Name == c.want {
						right++
						least = min(least, got.Causes[0].Probability)
					}
					if len(got.significant()) > 0 {
						found++
					}
				}
				b.ReportMetric(100*float64(right)/pairs, "%named")
				b.ReportMetric(100*float64(found)/pairs, "%significant")
				b.ReportMetric(least, "least-odds")
			}
		})
	}
}

// The normal distribution leaves 5 % beyond 1.960 and 1 % beyond 2.576 either way (its
// table), and what has not changed is no less likely than anything.
func TestTwoSided(t *testing.T) {
	for _, tc := range []struct{ x, u, want float64 }{{1.959964, 1, 0.05}, {-2.575829 * 0.3, 0.3, 0.01}, {0, 0, 1}} {
		if got := twoSided(tc.x, tc.u); math.Abs(got-tc.want) > 1e-6 {
			t.Errorf("%g of %g has the chance %g, want %g", tc.x, tc.u, got, tc.want)
		}
	}
}

// Two drivers that have nothing in common were bent into each other by brute
// force, and the one that was not bent got the numbers of wherever that ended.
func TestAnotherDriverIsAsItsOwnFit(t *testing.T) {
	other := mechanics{mass: 0.012, stiffness: 14000, loss: 0.9, bl: 5, re: 3.3, l1: 0.05e-3, l2: 0.2e-3, r2: 2}
	for _, p := range [][2]mechanics{{guitarDriver, other}, {other, bassDriver}, {bassDriver, guitarDriver}} {
		before, after := p[0].measure(t, 1e-4, 1, 1), p[1].measure(t, 1e-4, 2, 1)
		c := compare(t, before, after)
		if !slices.ContainsFunc(c.Warnings, func(w impedance.Warning) bool { return w.Code == "not-alike" }) {
			t.Errorf("nobody asks whether both are one driver: %s", tell(c))
		}
		for i, m := range p {
			fs := math.Sqrt(m.stiffness/m.mass) / (2 * math.Pi)
			for name, want := range map[string]float64{"re": m.re, "fs": fs, "q_ms": 2 * math.Pi * fs * m.mass / m.loss} {
				is := [2]quantity.Value{c.change(name).Before, c.change(name).After}[i]
				if math.Abs(is.Value-want) > 4*is.U {
					t.Errorf("%s of side %d is %.5g(%.2g), not %.5g", name, i, is.Value, is.U, want)
				}
			}
		}
		if got := c.Causes[0].Name; got != "several changes at once" {
			t.Errorf("%s explains it: %s", got, tell(c))
		}
	}
}

// Friction of a suspension that creeps is not that of a dashpot, so that Qms goes
// with mass and stiffness by less than their square root.
func TestCauseOnASuspensionThatCreeps(t *testing.T) {
	for _, tt := range []struct {
		mass, stiffness float64
		want            string
	}{
		{1.25, 1, "heavier cone"},
		{0.85, 1, "lighter cone"},
		{1, 1.3, "stiffer surround"},
		{1, 0.7, "softer surround"},
	} {
		for seed, m := range []mechanics{guitarDriver, bassDriver} {
			m.creep = 0.12
			before := m.measure(t, 1e-4, uint64(seed), 1)
			m.mass *= tt.mass
			m.stiffness *= tt.stiffness
			c := compare(t, before, m.measure(t, 1e-4, uint64(seed+10), 1))
			amount := 100 * (tt.mass*tt.stiffness - 1)
			if got := c.Causes[0]; got.Name != tt.want || got.Probability < 0.9 || math.Abs(got.Amount.Value/amount-1) > 0.1 {
				t.Errorf("mass times %g, stiffness times %g: %s", tt.mass, tt.stiffness, tell(c))
			}
		}
	}
}

// A port ties the two resonances of a cabinet together, which the laws of a driver
// by itself do not know: a stiffer suspension there was a lighter cone or a loose
// part beyond doubt.
func TestCauseInAVentedBox(t *testing.T) {
	cabinet := func(m mechanics, seed uint64) Side {
		r := rand.New(rand.NewPCG(seed, 0xb0))
		const air, tuned = 9000, 2 * math.Pi * 48 // stiffness of the air, N/m, and of port and air together, rad/s
		var c impedance.Curve
		for i := range 264 {
			hz := 10 * math.Pow(2000, float64(i)/263)
			s := complex(0, 2*math.Pi*hz)
			port := s*(air/(tuned*tuned)) + air/tuned/40
			leak := complex(air/tuned*12, 0)
			box := 1 / (s/air + 1/port + 1/leak)
			bl2 := complex(m.bl*m.bl, 0)
			bare := bl2 / (complex(m.loss, 0) + s*complex(m.mass, 0) + m.spring(s)/s)
			z := m.z(hz) - bare + 1/(1/bare+box/bl2)
			u := cmplx.Abs(z) * 1e-4 / math.Sqrt2
			c.Points = append(c.Points, impedance.Point{Hz: hz, Z: z + complex(u*r.NormFloat64(), u*r.NormFloat64()), Noise: impedance.Circular(2 * u * u)})
		}
		return fitted(t, fmt.Sprintf("cabinet %d", seed), c, fit.Options{})
	}
	for _, tt := range []struct {
		mass, stiffness, loss, bl float64
		want                      string
	}{
		{1.2, 1, 1, 1, "moving parts"},
		{1, 0.7, 1, 1, "moving parts"},
		{1, 1.4, 1, 1, "moving parts"},
		{1, 1, 2, 1, "moving parts"},
		{1, 1, 1, 0.85, "weaker magnet"},
		{1, 1, 1, 1, "nothing changed"},
	} {
		m := mechanics{mass: 0.030, stiffness: 6000, loss: 1.6, bl: 11, re: 6.6, le: 4.5, n: 0.68}
		before := cabinet(m, 1)
		m.mass *= tt.mass
		m.stiffness *= tt.stiffness
		m.loss *= tt.loss
		m.bl *= tt.bl
		c := compare(t, before, cabinet(m, 2))
		if got := c.Causes[0]; got.Name != tt.want || got.Probability < 0.5 {
			t.Errorf("%+v: %s", tt, tell(c))
		}
	}
}
