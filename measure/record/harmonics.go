package record

import (
	"cmp"
	"slices"
)

// Harmonics are what a Distortion comes to: each order where it is loudest, and
// where something knocks or scrapes in every cycle.
type Harmonics struct {
	Orders  []Harmonic `json:"orders"`  // that stand clear of their noise, by number
	Scrapes *Level     `json:"scrapes"` // nil for nowhere
}

// Harmonic is an order of the current's harmonics where it is loudest.
type Harmonic struct {
	Order int `json:"order"`
	Level
}

// Level is a level against the fundamental of the given frequency.
type Level struct {
	Hz      float64 `json:"hz"`
	LevelDB float64 `json:"level_db"`
	FloorDB float64 `json:"floor_db"` // what noise makes of it
}

// Harmonics returns what d comes to.
func (d Distortion) Harmonics() *Harmonics {
	h := &Harmonics{Orders: []Harmonic{}}
	for _, o := range d.Orders {
		if i := o.Loudest(); i >= 0 {
			h.Orders = append(h.Orders, Harmonic{o.Number, Level{d.Hz[i], o.Level[i], o.Floor[i]}})
		}
	}
	if i := d.Scrape(); i >= 0 {
		h.Scrapes = &Level{d.Hz[i], d.Residual[i], d.ResidualFloor[i]}
	}
	return h
}

// Loudest returns the orders with the highest level first.
func (h Harmonics) Loudest() []Harmonic {
	return slices.SortedStableFunc(slices.Values(h.Orders), func(a, b Harmonic) int { return cmp.Compare(b.LevelDB, a.LevelDB) })
}

// Of returns an order, and whether it stands clear of its noise.
func (h Harmonics) Of(order int) (Harmonic, bool) {
	i := slices.IndexFunc(h.Orders, func(o Harmonic) bool { return o.Order == order })
	if i < 0 {
		return Harmonic{}, false
	}
	return h.Orders[i], true
}
