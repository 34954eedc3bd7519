package rating

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"tapload/fit"
	"tapload/measure/quantity"
)

// MostDrivers is the largest cabinet that is thought of.
const MostDrivers = 12

// Wiring is equal drivers in a cabinet: strings of Series drivers, Parallel of
// them side by side; or, where Grouped, groups of Parallel drivers, Series of
// them in a row. Healthy, both make the same load.
type Wiring struct {
	DriverOhm        float64 // rating of each
	Series, Parallel int
	Grouped          bool
}

// Drivers returns how many there are.
func (w Wiring) Drivers() int { return w.Series * w.Parallel }

// Ohm returns the rating of the whole, in ohm.
func (w Wiring) Ohm() float64 { return w.DriverOhm * float64(w.Series) / float64(w.Parallel) }

// String says w as the trade does: "four 16 ohm in series-parallel".
func (w Wiring) String() string {
	s := fmt.Sprintf("%s %s ohm", count(w.Drivers()), quantity.Ohms(w.DriverOhm))
	switch {
	case w.Drivers() == 1:
		return s
	case w.Parallel == 1:
		return s + " in series"
	case w.Series == 1:
		return s + " in parallel"
	}
	return s + " in series-parallel"
}

// MarshalText returns String.
func (w Wiring) MarshalText() ([]byte, error) { return []byte(w.String()), nil }

// Layout says how the drivers of a series-parallel wiring are joined, which
// decides what a dead one leaves; it is empty for any other.
func (w Wiring) Layout() string {
	switch {
	case w.Series == 1 || w.Parallel == 1:
		return ""
	case w.Grouped:
		return fmt.Sprintf("%s groups in series, each of %s in parallel", count(w.Series), count(w.Parallel))
	}
	return fmt.Sprintf("%s strings in parallel, each of %s in series", count(w.Parallel), count(w.Series))
}

var counts = [MostDrivers + 1]string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

func count(n int) string {
	if n < len(counts) {
		return counts[n]
	}
	return fmt.Sprint(n)
}

// driverOhms are the ratings drivers are made in, with how common each is in
// instrument cabinets against the others: common practice, no source.
var driverOhms = []struct{ ohm, weight float64 }{{8, 1}, {16, 1}, {4, 0.5}, {32, 0.1}}

// usual are the numbers of drivers thought of when nobody has counted them.
var usual = []int{1, 2, 4}

// wirings returns every series-parallel wiring of that many equal drivers, the
// most common drivers first.
func wirings(drivers int) []Wiring {
	var list []Wiring
	for _, d := range driverOhms {
		for series := 1; series <= drivers; series++ {
			if drivers%series == 0 {
				list = append(list, Wiring{DriverOhm: d.ohm, Series: series, Parallel: drivers / series})
			}
		}
	}
	return list
}

// Wirings returns the wirings of equal drivers that make a load rated at ohm,
// fewest drivers first and the most common of those: of that many drivers, or of one, two and four where
// drivers is 0. It is an error to ask for less than none or more than MostDrivers.
func Wirings(ohm float64, drivers int) ([]Wiring, error) {
	numbers, err := numbers(drivers)
	if err != nil {
		return nil, err
	}
	var list []Wiring
	for _, n := range numbers {
		for _, w := range wirings(n) {
			if same(w.Ohm(), ohm) {
				list = append(list, w)
			}
		}
	}
	return list, nil
}

func numbers(drivers int) ([]int, error) {
	switch {
	case drivers == 0:
		return usual, nil
	case drivers < 0 || drivers > MostDrivers:
		return nil, fmt.Errorf("%d drivers are outside 1 to %d; count those on one jack", drivers, MostDrivers)
	}
	return []int{drivers}, nil
}

// same allows for ratings that were written with two decimals.
func same(a, b float64) bool { return math.Abs(a/b-1) < 0.005 }

// Fault is what is wrong with one driver of a cabinet.
type Fault int

// The faults.
const (
	Healthy Fault = iota
	Open          // a driver whose coil, lead or joint is broken
	Shorted       // a driver whose coil or terminals are bridged
)

// String returns the word for f in files and tables.
func (f Fault) String() string { return [...]string{"none", "open", "short"}[f] }

// MarshalText returns String.
func (f Fault) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// With returns the equivalent rating that w leaves when one of its drivers has
// the fault: +Inf where nothing is left to carry current, 0 for a dead short.
func (w Wiring) With(f Fault) float64 {
	d, s, p := w.DriverOhm, float64(w.Series), float64(w.Parallel)
	switch {
	case f == Open && w.Grouped:
		return (s-1)*d/p + d/(p-1)
	case f == Open:
		return d * s / (p - 1)
	case f == Shorted && w.Grouped:
		return (s - 1) * d / p
	case f == Shorted:
		return 1 / (1/((s-1)*d) + (p-1)/(s*d))
	}
	return w.Ohm()
}

// carrying returns how many drivers carry current with the fault.
func (w Wiring) carrying(f Fault) int {
	switch {
	case f == Healthy:
		return w.Drivers()
	case f == Open && !w.Grouped:
		return w.Series * (w.Parallel - 1)
	case f == Shorted && w.Grouped:
		return (w.Series - 1) * w.Parallel
	}
	return w.Drivers() - 1
}

// What one ohm of rating reads: its DC resistance and its lowest |Z|, with how
// far drivers scatter. Common practice says 0.8 to 0.9 for the first (no
// source); the second lies a tenth above it, in the coil's losses.
const (
	usualDC    = 0.84
	usualMin   = 0.92
	scatterDC  = 0.07 // of the logarithm, from one kind of driver to another
	scatterOne = 0.07 // and from one driver to another of its kind
)

// deadWeight is how likely a cabinet on the bench has one dead driver, in one
// given way, against none: a guess, so that a healthy wiring that explains a
// reading as well comes first.
const deadWeight = 0.1

// elseWeight is how likely it is something else, such as unlike drivers or two
// dead ones: a guess too.
const elseWeight = 0.01

// Explanation is a cabinet that might give a reading.
type Explanation struct {
	Cause       string  `json:"cause"` // String
	Wiring      Wiring  `json:"-"`
	Fault       Fault   `json:"fault"`
	Ohm         float64 `json:"leaves_ohm"` // equivalent rating of what is left
	ReOhm       float64 `json:"re_ohm"`     // what a DC meter would most often read
	MinOhm      float64 `json:"z_min_ohm"`  // what the lowest |Z| would most often be
	Probability float64 `json:"odds"`       // with something else, those of all sum to 1
	Check       string  `json:"check"`      // how to find out
	ConeHz      float64 `json:"-"`          // where the cone of an open driver may swing, moved by the others' air; 0 where no resonance is that
}

// String says e in one line, without its probability.
func (e Explanation) String() string {
	s := e.Wiring.String()
	if e.Fault == Healthy {
		return s
	}
	if l := e.Wiring.Layout(); l != "" {
		s += " (" + l + ")"
	}
	s += ", one " + [...]string{Open: "open", Shorted: "shorted"}[e.Fault]
	if e.ConeHz > 0 {
		s += fmt.Sprintf(", whose cone may make the resonance at %.0f Hz", e.ConeHz)
	}
	return s
}

// clearlyDead is how many times the probability of a whole cabinet that of a dead
// driver must be to be called likely where nothing is marked: the number of drivers
// alone leaves many cabinets.
const clearlyDead = 2

// LikelyDead returns the first of a list that Explain made with that marked rating
// (0: not known) where it is a dead driver, and nil where that is not likely.
func LikelyDead(list []Explanation, marked float64) *Explanation {
	if len(list) == 0 || list[0].Fault == Healthy {
		return nil
	}
	dead, whole := 0., 0.
	for _, e := range list {
		if e.Fault == Healthy {
			whole += e.Probability
		} else {
			dead += e.Probability
		}
	}
	if marked == 0 && dead < clearlyDead*whole {
		return nil
	}
	return &list[0]
}

// AsWell returns the likeliest cabinet with a dead driver of a list that Explain
// made, where that would give the reading as well as the likeliest whole one, but
// for how rare a dead driver is, and whether its cone shows or not.
func AsWell(list []Explanation) (dead Explanation, ok bool) {
	whole := 0.
	for _, e := range list {
		if e.Fault == Healthy {
			whole = max(whole, e.Probability)
		} else if dead.Probability < e.Probability {
			dead, ok = e, true
		}
	}
	return dead, ok && dead.Probability >= deadWeight*coneMissing*whole
}

// What the cone of an open driver leaves. In a box that it shares with the
// others, their air moves it, and N equal drivers of which one is open have two
// resonances: the box's, and a lower one that is the driver's in free air with
// 1/(N-1) of the box's height (two masses on springs, by hand; TestOpenCone).
// Many cabinets have an open back or a chamber to each driver, where no such
// resonance is. By how much likelier or less likely either is with one driver
// open than with none: guesses.
const (
	coneFits    = 3.
	coneMissing = 0.6
	coneSpread  = 2.  // either way, of its height
	leastCone   = 0.1 // of the highest resonance's height: what healthy drivers that are not alike leave
)

// cone returns how much likelier the resonances of load are with one open driver
// of several in a box, and the frequency of the one that its cone may make.
func cone(load fit.Result, drivers int) (likelier, hz float64) {
	if drivers < 2 || len(load.Resonances) == 0 {
		return 1, 0
	}
	height := 0.
	for _, r := range load.Resonances {
		height = max(height, r.Res.Value)
	}
	want := 1 / float64(drivers-1)
	more := false
	for i, r := range load.Resonances[:len(load.Resonances)-1] {
		// The driver's own lies below the box's.
		upper := 0.
		for _, above := range load.Resonances[i+1:] {
			upper = max(upper, above.Res.Value)
		}
		of := r.Res.Value / upper
		more = more || of > leastCone
		if of > want/coneSpread && of < want*coneSpread {
			return coneFits, r.Hz.Value
		}
	}
	if more {
		return 1, 0
	}
	return coneMissing, 0
}

// Explain ranks what cabinets of equal drivers, whole or with one dead, would
// give the DC resistance and the resonances of load and the lowest |Z| min, best
// first; load may be the zero Result where nothing was fitted. A number of drivers and a marked rating
// (0: not known) narrow the field. What is less probable than one in a hundred is
// left out.
func Explain(load fit.Result, min quantity.Value, drivers int, marked float64) ([]Explanation, error) {
	numbers, err := numbers(drivers)
	if err != nil {
		return nil, err
	}
	if !(min.Value > 0) {
		return nil, fmt.Errorf("a lowest |Z| of %g ohm explains nothing; it must be above 0", min.Value)
	}
	var list []Explanation
	for _, n := range numbers {
		for _, w := range wirings(n) {
			if marked > 0 && !same(w.Ohm(), marked) {
				continue
			}
			for _, f := range []Fault{Healthy, Open, Shorted} {
				list = append(list, explanation(w, f, load, min))
				if f != Healthy && w.Series > 1 && w.Parallel > 1 {
					grouped := w
					grouped.Grouped = true
					list = append(list, explanation(grouped, f, load, min))
				}
			}
		}
	}
	total := elseWeight
	for _, e := range list {
		total += e.Probability
	}
	for i := range list {
		list[i].Probability /= total
		list[i].Cause = list[i].String()
	}
	list = slices.DeleteFunc(list, func(e Explanation) bool { return e.Probability < 0.01 })
	slices.SortStableFunc(list, func(a, b Explanation) int {
		return cmp.Or(cmp.Compare(b.Probability, a.Probability), cmp.Compare(a.Wiring.Drivers(), b.Wiring.Drivers()), cmp.Compare(a.Cause, b.Cause))
	})
	return list, nil
}

func explanation(w Wiring, f Fault, load fit.Result, min quantity.Value) Explanation {
	re, ohm := load.Re, w.With(f)
	e := Explanation{Wiring: w, Fault: f, Ohm: ohm, ReOhm: usualDC * ohm, MinOhm: usualMin * ohm, Check: check(w, f)}
	if !(ohm > 0) || math.IsInf(ohm, 0) {
		return e // an open or shorted load gives no curve
	}
	// The two readings of one load scatter together and count as one.
	off, n := math.Log(min.Value/e.MinOhm), 1.
	spread := min.U / min.Value
	if re.Value > 0 {
		off, n = off+math.Log(re.Value/e.ReOhm), 2
		spread += re.U / re.Value
	}
	off, spread = off/n, spread/n
	variance := scatterDC*scatterDC + scatterOne*scatterOne/float64(w.carrying(f)) + spread*spread
	for _, d := range driverOhms {
		if d.ohm == w.DriverOhm {
			e.Probability = d.weight
		}
	}
	if f != Healthy {
		e.Probability *= deadWeight
	}
	if f == Open {
		var likelier float64
		likelier, e.ConeHz = cone(load, w.Drivers())
		e.Probability *= likelier
	}
	chi := off * off / variance
	if e.Probability *= math.Exp(-chi / 2); chi >= 9 {
		e.Probability = 0
	}
	return e
}

func check(w Wiring, f Fault) string {
	switch {
	case f == Open:
		return "listen at each driver at low level for one that is silent, then take its leads off and read it with a DC meter: an open coil reads nothing"
	case f == Shorted:
		return "take the leads off each driver and read it with a DC meter: a shorted one reads near 0 ohm; if none does, look for a bridged terminal"
	case w.Drivers() == 1:
		return "read the value on the driver"
	}
	return "count the drivers, read the value on each, and follow the wires"
}
