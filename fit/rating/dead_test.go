package rating

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// unit is one driver of a simulated cabinet, SI.
type unit struct{ re, l, bl, mass, stiffness, loss float64 }

// boxed is drivers that one box of air couples, wired as w, the first of them
// with a fault.
type boxed struct {
	wiring Wiring
	units  []unit
	air    float64 // stiffness of the box's air to one cone, N/m; 0 for an open back
	fault  Fault
}

// solve solves a x = b by elimination with pivots; a and b are used up.
func solve(a [][]complex128, b []complex128) []complex128 {
	n := len(b)
	for i := range n {
		best := i
		for k := i; k < n; k++ {
			if cmplx.Abs(a[k][i]) > cmplx.Abs(a[best][i]) {
				best = k
			}
		}
		a[i], a[best], b[i], b[best] = a[best], a[i], b[best], b[i]
		for k := i + 1; k < n; k++ {
			f := a[k][i] / a[i][i]
			for c := i; c < n; c++ {
				a[k][c] -= f * a[i][c]
			}
			b[k] -= f * b[i]
		}
	}
	for i := n - 1; i >= 0; i-- {
		for c := i + 1; c < n; c++ {
			b[i] -= a[i][c] * b[c]
		}
		b[i] /= a[i][i]
	}
	return b
}

// impedance at hz by all equations at once: of each driver the voltage
// v = Zcoil i + Bl u and the force Bl i = Zm u + air sum(u)/s, of each node the sum
// of its currents, with 1 A into the cabinet.
func (c boxed) impedance(hz float64) complex128 {
	s := complex(0, 2*math.Pi*hz)
	n := len(c.units)
	w := c.wiring
	// Nodes: 0 is the far end, 1 the plug.
	nodes := 2
	from, to := make([]int, n), make([]int, n)
	inner := map[[2]int]int{}
	node := func(series, parallel int) int {
		switch series {
		case 0:
			return 1
		case w.Series:
			return 0
		}
		key := [2]int{series, parallel}
		if w.Grouped {
			key[1] = 0
		}
		if _, there := inner[key]; !there {
			inner[key] = nodes
			nodes++
		}
		return inner[key]
	}
	for i := range n {
		from[i], to[i] = node(i%w.Series, i/w.Series), node(i%w.Series+1, i/w.Series)
	}
	// Unknown: the voltage of each node but 0, then i and u of each driver.
	size := nodes - 1 + 2*n
	a := make([][]complex128, size)
	for k := range a {
		a[k] = make([]complex128, size)
	}
	b := make([]complex128, size)
	b[0] = 1
	volt := func(k int) int { return k - 1 }
	current := func(i int) int { return nodes - 1 + i }
	speed := func(i int) int { return nodes - 1 + n + i }
	for i, d := range c.units {
		row := current(i)
		dead := i == 0 && c.fault != Healthy
		add := func(row, column int, v complex128) {
			if column >= 0 {
				a[row][column] += v
			}
		}
		zc := complex(d.re, 0) + s*complex(d.l, 0)
		switch {
		case dead && c.fault == Open:
			a[row][row] = 1 // no current
		case dead:
			// A wire across its terminals carries what it must; the coil brakes.
			add(row, volt(from[i]), 1)
			add(row, volt(to[i]), -1)
		default:
			add(row, volt(from[i]), 1)
			add(row, volt(to[i]), -1)
			add(row, row, -zc)
			add(row, speed(i), complex(-d.bl, 0))
		}
		add2 := func(k int, v complex128) {
			if k > 0 {
				a[volt(k)][current(i)] += v
			}
		}
		add2(from[i], 1)
		add2(to[i], -1)
		zm := complex(d.loss, 0) + s*complex(d.mass, 0) + complex(d.stiffness, 0)/s
		row = speed(i)
		if dead && c.fault == Shorted {
			zm += complex(d.bl*d.bl, 0) / zc
		} else {
			a[row][current(i)] -= complex(d.bl, 0)
		}
		a[row][speed(i)] += zm
		for k := range n {
			a[row][speed(k)] += complex(c.air, 0) / s
		}
	}
	return solve(a, b)[volt(1)]
}

// cabinets that a workshop sees: four of 16 ohm and two of 8.
var workshop = []Wiring{
	{DriverOhm: 16, Series: 1, Parallel: 4}, {DriverOhm: 16, Series: 2, Parallel: 2}, {DriverOhm: 16, Series: 2, Parallel: 2, Grouped: true},
	{DriverOhm: 8, Series: 1, Parallel: 2}, {DriverOhm: 8, Series: 2, Parallel: 1},
}

// drawBoxed draws a cabinet whose drivers are off by a standard deviation of 10 %
// each in everything, half of them in a closed box, which leaves something to
// measure with the fault.
func drawBoxed(i uint64, dead bool) boxed {
	r := rand.New(rand.NewPCG(i, 0xdead))
	c := boxed{wiring: workshop[i%uint64(len(workshop))]}
	kind := unit{re: c.wiring.DriverOhm * (0.78 + 0.1*r.Float64()), mass: 0.02 + 0.03*r.Float64()}
	hz := 65 + 45*r.Float64()
	kind.stiffness = kind.mass * 4 * math.Pi * math.Pi * hz * hz
	kind.loss = math.Sqrt(kind.stiffness*kind.mass) / (4 + 6*r.Float64())
	kind.bl = math.Sqrt(math.Sqrt(kind.stiffness*kind.mass) * kind.re / (0.5 + 0.5*r.Float64()))
	kind.l = kind.re * (0.06 + 0.06*r.Float64()) / 1000
	const spread = 0.1
	for range c.wiring.Drivers() {
		d := kind
		for _, x := range []*float64{&d.re, &d.l, &d.bl, &d.mass, &d.stiffness, &d.loss} {
			*x *= math.Exp(spread * max(-2, min(2, r.NormFloat64())))
		}
		c.units = append(c.units, d)
	}
	if r.IntN(2) == 0 {
		c.air = kind.stiffness * (0.5 + r.Float64()) / float64(c.wiring.Drivers())
	}
	if dead {
		c.fault = Open
		switch w := c.wiring; {
		case w.Parallel == 1, w.Series > 1 && r.IntN(2) == 0:
			c.fault = Shorted
		}
	}
	return c
}

// explained fits what a sweep of c would give, and explains it.
func (c boxed) explained(t testing.TB, seed uint64, marked float64) []Explanation {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 1))
	var curve impedance.Curve
	for i := 0; ; i++ {
		hz := 15 * math.Exp2(float64(i)/48)
		if hz > 20e3 {
			break
		}
		const noise = 5e-4
		z := c.impedance(hz)
		u := cmplx.Abs(z) * noise / math.Sqrt2
		curve.Points = append(curve.Points, impedance.Point{Hz: hz, Z: z + complex(u*r.NormFloat64(), u*r.NormFloat64()), Noise: impedance.Cov{RR: u * u, II: u * u}})
	}
	load, err := fit.Curve(t.Context(), curve, fit.Options{})
	if err != nil {
		t.Fatalf("%+v: %v", c, err)
	}
	rated, err := Of(curve, load, Options{})
	if err != nil {
		t.Fatal(err)
	}
	list, err := Explain(load, rated.MinOhm, c.wiring.Drivers(), marked)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// countDead explains cabinets with one dead driver and healthy ones: how many of
// the first have their fault first, and how many of the others, marked and not, have
// any.
func countDead(t testing.TB, dead, healthy int) (right, alarms int, told []string) {
	for i := range uint64(dead) {
		c := drawBoxed(i, true)
		list := c.explained(t, i, c.wiring.Ohm())
		if e := LikelyDead(list, c.wiring.Ohm()); e != nil && e.Fault == c.fault {
			right++
		} else {
			told = append(told, fmt.Sprintf("%v %v, air %.0f: %+v", c.wiring, c.fault, c.air, list))
		}
	}
	for i := range uint64(healthy) {
		c := drawBoxed(1e6+i, false)
		marked := c.wiring.Ohm() * float64(i%2) // or not
		list := c.explained(t, i, marked)
		if LikelyDead(list, marked) != nil {
			alarms++
			told = append(told, fmt.Sprintf("%v whole, air %.0f: %+v", c.wiring, c.air, list))
		}
	}
	return right, alarms, told
}

// 30 and 15 cabinets, or 10 and 5 with -short.
func TestDeadDrivers(t *testing.T) {
	dead, healthy := 30, 15
	if testing.Short() {
		dead, healthy = 10, 5
	}
	right, alarms, told := countDead(t, dead, healthy)
	if right < dead-2 || alarms > 0 {
		t.Errorf("%d of %d dead drivers named, %d alarms in %d healthy cabinets:\n%s", right, dead, alarms, healthy, strings.Join(told, "\n"))
	}
}

// BenchmarkDeadDrivers is kept in testdata/figures/dead-drivers.txt.
func BenchmarkDeadDrivers(b *testing.B) {
	for b.Loop() {
		right, alarms, told := countDead(b, 200, 100)
		b.Log(strings.Join(told, "\n"))
		b.ReportMetric(float64(right), "right")
		b.ReportMetric(float64(alarms), "alarms")
	}
}

// N equal drivers in a box, one open: a second resonance at that of a driver in
// free air, with 1/(N-1) of the height of the box's.
func TestOpenCone(t *testing.T) {
	d := unit{re: 13, l: 1e-4, bl: 10, mass: 0.03, stiffness: 0.03 * 4 * math.Pi * math.Pi * 75 * 75, loss: 1}
	for _, n := range []int{2, 3, 4} {
		c := boxed{wiring: Wiring{DriverOhm: 16, Series: 1, Parallel: n}, air: d.stiffness / float64(n), fault: Open}
		for range n {
			c.units = append(c.units, d)
		}
		peak := func(around float64) float64 {
			most := 0.
			for hz := around - 4; hz < around+4; hz += 0.1 {
				most = max(most, real(c.impedance(hz)))
			}
			return most - d.re/float64(n-1)
		}
		own, box := peak(75), peak(75*math.Sqrt2)
		if got, want := own/box, 1/float64(n-1); math.Abs(got/want-1) > 0.1 {
			t.Errorf("%d drivers: the open one's resonance has %.3f of the box's height, want %.3f", n, got, want)
		}
		load := fit.Result{Resonances: []fit.Resonance{{Hz: quantity.Value{Value: 75}, Res: quantity.Value{Value: own}}, {Hz: quantity.Value{Value: 106}, Res: quantity.Value{Value: box}}}}
		if likelier, hz := cone(load, n); likelier <= 1 || hz != 75 {
			t.Errorf("%d drivers: %v, %v Hz", n, likelier, hz)
		}
	}
}
