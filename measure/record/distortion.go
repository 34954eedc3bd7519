package record

import (
	"errors"
	"fmt"
	"math"

	"tapload/measure/impedance"
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
		return errors.New("distortion.frequency_hz is empty; it holds at least one frequency")
	}
	for i, hz := range d.Hz {
		if !(hz > 0) || !finite(hz) || i > 0 && hz <= d.Hz[i-1] {
			return fmt.Errorf("distortion.frequency_hz[%d]: %v Hz must be finite, above 0 and above the one before", i, hz)
		}
		if err := impedance.CheckHz(hz); err != nil {
			return fmt.Errorf("distortion.frequency_hz[%d]: %w", i, err)
		}
	}
	pair := func(key string, level []float64, keyFloor string, floor []float64) error {
		if len(level) > len(d.Hz) || len(level) != len(floor) {
			return fmt.Errorf("distortion.%s has %d values, %s %d and frequency_hz %d; the first two must be equally long and no longer than the third", key, len(level), keyFloor, len(floor), len(d.Hz))
		}
		for i := range level {
			if !finite(level[i]) || !finite(floor[i]) {
				return fmt.Errorf("distortion: %s %v and %s %v at %v Hz must be finite", key, level[i], keyFloor, floor[i], d.Hz[i])
			}
		}
		return nil
	}
	for i, o := range d.Orders {
		if o.Number < 2 || i > 0 && o.Number <= d.Orders[i-1].Number {
			return fmt.Errorf("distortion.orders[%d]: %d must be 2 or more and above the one before", i, o.Number)
		}
		if err := pair(fmt.Sprintf("level_db[%d]", i), o.Level, fmt.Sprintf("floor_db[%d]", i), o.Floor); err != nil {
			return err
		}
	}
	return pair("residual_db", d.Residual, "residual_floor_db", d.ResidualFloor)
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
