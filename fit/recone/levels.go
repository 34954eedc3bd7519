package recone

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// LeastBend is by how many percent |Z| must change with level, beyond doubt,
// before a driver counts as bent: less is of no use to anybody. Ours, no source.
const LeastBend = 2.0

// LevelChange is what a driver does at one level, against the quietest.
type LevelChange struct {
	Percent quantity.Value // of |Z|, the largest change either way; 2 U holds at all points of all levels at once
	Hz      float64        // where
	Sure    bool           // some change stands beyond 2 U
	Bends   bool           // some change stands beyond 2 U and is more than LeastBend

	// WarmOhm is the resistance that, added at every frequency, explains the
	// change to within LeastBend or doubt; 0 where none does, or nothing bends.
	WarmOhm float64
}

// MarshalJSON writes the change and its uncertainty side by side.
func (c LevelChange) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Percent float64 `json:"percent"`
		U       float64 `json:"u_percent"`
		Hz      float64 `json:"hz"`
		Sure    bool    `json:"significant"`
		Bends   bool    `json:"bends"`
		WarmOhm float64 `json:"warm_ohm"`
	}{c.Percent.Value, c.Percent.U, c.Hz, c.Sure, c.Bends, c.WarmOhm})
}

// Series is one driver at several levels, the quietest first.
type Series struct {
	LevelDB  []float64
	Records  []record.Record
	Sweeps   []measure.Summary // of Records
	Changes  []LevelChange     // of all but the first
	Warnings []impedance.Warning
}

// LevelSeries holds records of one driver in files, measured at the given levels,
// against the first, the quietest.
func LevelSeries(levelDB []float64, records []record.Record, files []string) (Series, error) {
	s := Series{LevelDB: levelDB, Records: records}
	var curves []impedance.Curve
	var about impedance.Named
	for i, r := range records {
		curves = append(curves, r.Curve)
		s.Sweeps = append(s.Sweeps, measure.Summarize(r, files[i]))
		about.Add(s.Name(i), r.Warnings)
	}
	s.Warnings = about.List()
	var err error
	s.Changes, err = Levels(curves)
	return s, err
}

// MarshalJSON writes the summary of each level with its change against the first.
// Uncertainties are standard ones (k = 1).
func (s Series) MarshalJSON() ([]byte, error) {
	type level struct {
		LevelDB float64 `json:"level_db"`
		measure.Summary
		Change *LevelChange `json:"change"` // null for the first
	}
	o := struct {
		Levels    []level            `json:"levels"`
		LinearTo  *float64           `json:"linear_to_db"` // null where the quietest two differ
		LeastBend float64            `json:"least_change_percent"`
		Warnings  impedance.Warnings `json:"warnings"`
	}{LeastBend: LeastBend, Warnings: s.Warnings}
	for i, sweep := range s.Sweeps {
		l := level{LevelDB: s.LevelDB[i], Summary: sweep}
		if i > 0 {
			l.Change = &s.Changes[i-1]
		}
		o.Levels = append(o.Levels, l)
	}
	if i := s.LinearTo(); i >= 0 {
		o.LinearTo = &s.LevelDB[i]
	}
	return json.Marshal(o)
}

// Name is how level i is called.
func (s Series) Name(i int) string { return quantity.Plain(s.LevelDB[i]) + " dB" }

// LinearTo returns the index of the loudest level up to which nothing bends, or
// -1 where even the second does.
func (s Series) LinearTo() int {
	switch i := slices.IndexFunc(s.Changes, func(c LevelChange) bool { return c.Bends }); i {
	case -1:
		return len(s.Changes)
	case 0:
		return -1
	default:
		return i
	}
}

// String is the change of |Z| and where it is.
func (c LevelChange) String() string { return Percent(c.Percent, true) + " at " + quantity.Hz(c.Hz) }

// Words says up to where the load is linear, and what happens above.
func (s Series) Words() string {
	last := s.LinearTo()
	if last == len(s.Changes) {
		most := slices.MaxFunc(s.Changes, func(a, b LevelChange) int {
			return cmp.Compare(math.Abs(a.Percent.Value), math.Abs(b.Percent.Value))
		})
		if !slices.ContainsFunc(s.Changes, func(c LevelChange) bool { return c.Sure }) {
			return fmt.Sprintf("Linear from %s to %s: no change of |Z| stands clear of doubt, the largest being %s.", s.Name(0), s.Name(last), most)
		}
		return fmt.Sprintf("Linear from %s to %s: |Z| changes by %s at most.", s.Name(0), s.Name(last), most)
	}
	text := fmt.Sprintf("Linear to %s.", s.Name(max(0, last)))
	if last < 0 {
		text = fmt.Sprintf("Not linear even between %s and %s; start quieter.", s.Name(0), s.Name(1))
	}
	next := max(0, last)
	c := s.Changes[next]
	text += fmt.Sprintf(" At %s |Z| changes by %s", s.Name(next+1), c)
	if c.WarmOhm > 0 {
		return text + fmt.Sprintf(", as if Re had risen by %s ohm: the coil warms; wait between sweeps, or play for less time.", quantity.Digits(c.WarmOhm, 2))
	}
	return text + ": suspension or force factor bend with the excursion."
}

// Levels holds the curves of one driver at several levels, the quietest first,
// against the first. Shared sources cancel as in Compare. The result has one
// entry for each curve but the first.
func Levels(curves []impedance.Curve) ([]LevelChange, error) {
	if len(curves) < 2 {
		return nil, errors.New("one level says nothing of what changes with level: measure at two or more")
	}
	var all []LevelChange
	for i, c := range curves[1:] {
		ratios, err := Ratios(curves[0], c)
		if err != nil {
			return nil, fmt.Errorf("level %d: %w", i+2, err)
		}
		// Every point of every level has its own chance to stand out (Sidak).
		n := float64(len(ratios) * (len(curves) - 1))
		k := math.Sqrt2 * math.Erfinv(math.Pow(1-FamilyRate, 1/n))
		l := judgeLevel(ratios, k, func(Ratio) float64 { return 0 })
		if l.Bends {
			l.WarmOhm = warmed(curves[0], ratios, k)
		}
		all = append(all, l)
	}
	return all, nil
}

// judgeLevel judges what of each ratio is left after the percent that explained
// takes off.
func judgeLevel(ratios []Ratio, k float64, explained func(Ratio) float64) (l LevelChange) {
	most, surest := -1.0, -1.0 // of all, and of those beyond doubt
	for _, r := range ratios {
		change := r.Percent.Value - 100 - explained(r)
		size, wide := math.Abs(change), k*r.Percent.U
		if sure := size > wide; sure {
			l.Sure = true
			l.Bends = l.Bends || size > LeastBend
			if size <= surest {
				continue
			}
			surest = size
		} else if l.Sure || size <= most {
			continue
		}
		most = size
		l.Percent, l.Hz = quantity.Value{Value: change, U: wide / 2}, r.Hz
	}
	return l
}

// warmed returns the resistance d >= 0 that best explains the ratios to first
// order,
//
//	|Zloud|/|Zquiet| - 1 = d Re(1/Zquiet),
//
// by weighted least squares, or 0 where what it leaves bends still. A warm coil
// does that; excursion moves the curve about the resonance alone.
func warmed(quiet impedance.Curve, ratios []Ratio, k float64) float64 {
	along := map[float64]float64{} // of 1/Z, by Hz
	for _, p := range quiet.Points {
		along[p.Hz] = real(1 / p.Z)
	}
	var xy, xx float64
	for _, r := range ratios {
		x, y, w := along[r.Hz], r.Percent.Value/100-1, 1/(r.Percent.U*r.Percent.U)
		xy += w * x * y
		xx += w * x * x
	}
	d := xy / xx
	left := judgeLevel(ratios, k, func(r Ratio) float64 { return 100 * d * along[r.Hz] })
	if !(d > 0) || left.Bends {
		return 0
	}
	return d
}
