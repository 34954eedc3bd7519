package portaudio

import (
	"cmp"
	"encoding/json"
	"slices"
)

// Cards are sound cards as List returns them.
type Cards []Info

// MarshalJSON writes what programs are told: what the sound system lists, in its
// order, and the cards that it makes.
func (c Cards) MarshalJSON() ([]byte, error) {
	type device struct {
		API     string  `json:"api"`
		Name    string  `json:"name"`
		Inputs  int     `json:"inputs"`
		Outputs int     `json:"outputs"`
		RateHz  float64 `json:"rate_hz"` // the device's default
		Default bool    `json:"default"`
		Card    string  `json:"card"` // that it belongs to
		For     string  `json:"for"`  // code of its Kind
	}
	type whole struct {
		Card    string   `json:"card"`
		For     string   `json:"for"`
		Inputs  *int     `json:"inputs"`  // null where nobody knows, 0 where it hears only itself
		Outputs *int     `json:"outputs"` // null where nobody knows
		RateHz  *float64 `json:"rate_hz"` // null where any is taken
		Default bool     `json:"default"`
		Records *string  `json:"records"` // the exact name for --card, null without an input
		Plays   *string  `json:"plays"`   // null without an output
	}
	out := struct {
		Cards  []device `json:"cards"`
		ByCard []whole  `json:"by_card"`
	}{Cards: []device{}, ByCard: []whole{}}
	places := map[int]device{}
	for _, i := range c {
		for _, w := range i.Ways {
			for _, d := range w.Devices {
				places[d.Place] = device{d.API, d.Name, d.Inputs, d.Outputs, d.DefaultRateHz, d.DefaultIn || d.DefaultOut, i.Name, w.Kind.String()}
			}
		}
		best := i.Best()
		one := whole{Card: i.Name, For: best.Kind.String(), Inputs: i.Inputs().known(), Outputs: i.Outputs().known(), Default: i.Default, Records: firstName(best.Records), Plays: firstName(best.Plays)}
		if hz := i.KnownRateHz(); hz > 0 {
			one.RateHz = &hz
		}
		out.ByCard = append(out.ByCard, one)
	}
	for place := range len(places) {
		out.Cards = append(out.Cards, places[place])
	}
	return json.Marshal(out)
}

func (c Channels) known() *int {
	switch {
	case c.Uncounted:
		return nil
	case c.Monitor:
		c.Count = 0
	}
	return &c.Count
}

func firstName(devices []Device) *string {
	if len(devices) == 0 {
		return nil
	}
	name := devices[0].String()
	return &name
}

// KnownRateHz returns the rate that the best way of the card proposes, 0 where a
// plug-in takes any.
func (i Info) KnownRateHz() float64 {
	if i.Inputs().Uncounted || i.Outputs().Uncounted {
		return 0
	}
	return i.RateHz()
}

// Measures reports whether i has what a jig needs: two inputs and an output.
func (i Info) Measures() bool {
	in := i.Inputs()
	return in.Count >= 2 && !in.Monitor && i.Outputs().Count >= 1
}

// BestFirst returns the cards with the best to measure with first: those that
// can, the best kind, the default.
func (c Cards) BestFirst() Cards {
	c = slices.Clone(c)
	slices.SortStableFunc(c, func(a, b Info) int {
		return cmp.Or(yesFirst(a.Measures(), b.Measures()), cmp.Compare(a.Best().Kind, b.Best().Kind), yesFirst(a.Default, b.Default))
	})
	return c
}

// ExactName returns what Options must be given for d: the name of its card where
// the sound system has given that of the device twice.
func (c Cards) ExactName(d Device) string {
	n, of := 0, ""
	for _, i := range c {
		for _, other := range i.Devices() {
			if other.Place == d.Place {
				of = i.Name
			}
			if other.String() == d.String() && (other.Inputs > 0) == (d.Inputs > 0) {
				n++
			}
		}
	}
	if n > 1 {
		return of
	}
	return d.String()
}
