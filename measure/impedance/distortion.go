package impedance

import (
	"fmt"
	"math"
)

// Distortion is what the current through a load holds beside its fundamental,
// over the frequency of the fundamental. Lists that are shorter than Hz end
// where the order, or what lies above all orders, leaves the measured band.
type Distortion struct {
	Hz     []float64 // of the fundamental, ascending
	Orders []Order   // ascending

	// Residual is the level of what lies above the last of the orders, of all
	// together, against the fundamental, in dB: hardly anything unless something
	// knocks or scrapes in every cycle. ResidualFloor is what noise makes of it.
	Residual      []float64
	ResidualFloor []float64
}

// Order is one harmonic of the current, against the fundamental.
type Order struct {
	Number int       // 2 for the second harmonic
	Level  []float64 // dB
	Floor  []float64 // what noise and the fundamental alone would give, dB
}

// Check returns an error that names what in d cannot be.
func (d Distortion) Check() error {
	if len(d.Hz) == 0 {
		return fmt.Errorf("%s.%s is empty; it holds at least one frequency", keyDistortion, keyHz)
	}
	for i, hz := range d.Hz {
		if !(hz > 0) || !finite(hz) || i > 0 && hz <= d.Hz[i-1] {
			return fmt.Errorf("%s.%s[%d]: %v Hz must be finite, above 0 and above the one before", keyDistortion, keyHz, i, hz)
		}
	}
	pair := func(keyLevel string, level []float64, keyFloor string, floor []float64) error {
		if len(level) > len(d.Hz) || len(level) != len(floor) {
			return fmt.Errorf("%s.%s has %d values, %s %d and %s %d; the first two must be equally long and no longer than the third", keyDistortion, keyLevel, len(level), keyFloor, len(floor), keyHz, len(d.Hz))
		}
		for i := range level {
			if !finite(level[i]) || !finite(floor[i]) {
				return fmt.Errorf("%s: %s %v and %s %v at %v Hz must be finite", keyDistortion, keyLevel, level[i], keyFloor, floor[i], d.Hz[i])
			}
		}
		return nil
	}
	for i, o := range d.Orders {
		if o.Number < 2 || i > 0 && o.Number <= d.Orders[i-1].Number {
			return fmt.Errorf("%s.%s[%d]: %d must be 2 or more and above the one before", keyDistortion, keyOrders, i, o.Number)
		}
		if err := pair(fmt.Sprintf("%s[%d]", keyLevel, i), o.Level, fmt.Sprintf("%s[%d]", keyFloor, i), o.Floor); err != nil {
			return err
		}
	}
	return pair(keyResidual, d.Residual, keyResidualFloor, d.ResidualFloor)
}

// encode writes d as a member of a record.
func (d Distortion) encode(e *encoder) {
	e.open(quote(keyDistortion) + ": {")
	e.array(keyOrders, len(d.Orders), func(i int) float64 { return float64(d.Orders[i].Number) })
	e.array(keyHz, len(d.Hz), func(i int) float64 { return d.Hz[i] })
	table := func(key string, row func(Order) []float64) {
		e.open(quote(key) + ": [")
		for _, o := range d.Orders {
			e.open("[")
			e.values(len(row(o)), func(i int) float64 { return row(o)[i] })
			e.close("]")
		}
		e.close("]")
	}
	table(keyLevel, func(o Order) []float64 { return o.Level })
	table(keyFloor, func(o Order) []float64 { return o.Floor })
	e.array(keyResidual, len(d.Residual), func(i int) float64 { return d.Residual[i] })
	e.array(keyResidualFloor, len(d.ResidualFloor), func(i int) float64 { return d.ResidualFloor[i] })
	e.close("}")
}

// distortion reads what encode writes.
func (s *scan) distortion(place string) (Distortion, error) {
	var d Distortion
	var numbers []float64
	var levels, floors [][]float64
	rows := func(to *[][]float64) func(string) error {
		return s.list(func(place string) error {
			*to = append(*to, nil)
			return s.numbers(&(*to)[len(*to)-1])(place)
		})
	}
	err := s.object(place, []field{
		{key: keyOrders, read: s.numbers(&numbers)},
		{key: keyHz, read: s.numbers(&d.Hz)},
		{key: keyLevel, read: rows(&levels)},
		{key: keyFloor, read: rows(&floors)},
		{key: keyResidual, read: s.numbers(&d.Residual)},
		{key: keyResidualFloor, read: s.numbers(&d.ResidualFloor)},
	})
	if err != nil {
		return Distortion{}, err
	}
	if len(levels) != len(numbers) || len(floors) != len(numbers) {
		return Distortion{}, fmt.Errorf("%s has %d values, %s %d rows and %s %d; they must be equally many", place+"."+keyOrders, len(numbers), keyLevel, len(levels), keyFloor, len(floors))
	}
	for i, n := range numbers {
		if n != float64(int(n)) {
			return Distortion{}, fmt.Errorf("%s.%s[%d]: %v must be a whole number", place, keyOrders, i, n)
		}
		d.Orders = append(d.Orders, Order{Number: int(n), Level: levels[i], Floor: floors[i]})
	}
	return d, nil
}

const (
	// scrapeOverFloor is how far, in dB, a residual must stand above its noise,
	// which scatters by about 1 dB.
	scrapeOverFloor = 6.0

	// clearOfFloor is the same of a single order, into whose place the others ring.
	clearOfFloor = 10.0

	// leastFall is by how much, in dB, a smooth bend falls at least from two
	// orders to the next two, as long as it is no more than bent.
	leastFall = 12.0
)

// Scrape returns where something knocks or scrapes in every cycle: the index in
// Hz of the residual that stands out most, or -1 where none does. It must stand
// out of its noise and above what a smooth bend would still have beyond the last
// orders, judged by how the four before fall, at two neighbours at least. The
// rule is ours, no source.
func (d Distortion) Scrape() int {
	best, most, run := -1, 0.0, 0
	for i, r := range d.Residual {
		over := r - max(d.ResidualFloor[i]+scrapeOverFloor, d.smooth(i))
		if over <= 0 {
			run = 0
			continue
		}
		if run++; run >= 2 && over > most {
			best, most = i, over
		}
	}
	return best
}

// smooth returns the level in dB of the orders after the last that continues
// the fall of the last four.
func (d Distortion) smooth(i int) float64 {
	loudest := func(os []Order) float64 {
		l := -math.MaxFloat64
		for _, o := range os {
			if i < len(o.Level) {
				l = max(l, o.Level[i])
			}
		}
		return l
	}
	n := len(d.Orders)
	if n < 4 {
		return -math.MaxFloat64
	}
	late, early := loudest(d.Orders[n-2:]), loudest(d.Orders[n-4:n-2])
	return late - max(leastFall, early-late)
}

// Loudest returns the index in Hz at which o is highest of all where it stands
// clear of its noise, or -1 where it does nowhere.
func (o Order) Loudest() int {
	best := -1
	for i, l := range o.Level {
		if o.Clear(i) && (best < 0 || l > o.Level[best]) {
			best = i
		}
	}
	return best
}

// Clear tells whether o stands clear of its noise at Hz[i]. The rule is ours, no
// source.
func (o Order) Clear(i int) bool { return o.Level[i] > o.Floor[i]+clearOfFloor }

// ResidualClear tells the same of what lies above the orders.
func (d Distortion) ResidualClear(i int) bool {
	return d.Residual[i] > d.ResidualFloor[i]+scrapeOverFloor
}
