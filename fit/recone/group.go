package recone

import (
	"context"
	"fmt"
	"maps"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// fewest is how many drivers a reference group needs. Three have no spread
// that survives one that does not belong.
const fewest = 4

// Standing is where one driver falls in a reference group.
type Standing struct {
	Label     string             `json:"label"`   // of the one
	Verdict   verdict.Verdict    `json:"verdict"` // of the one, in all places
	Members   int                `json:"members"`
	Limit     float64            `json:"limit_spreads"` // |Z| of a Place beyond which a driver does not belong
	Places    []Place            `json:"places"`        // parameters, then bands of the curve
	Strangers []Stranger         `json:"strangers"`
	Warnings  impedance.Warnings `json:"warnings"`
	Invented  bool               `json:"-"` // nobody measured it, or a member
}

// Place is one quantity of the group and of the one that is held against it.
type Place struct {
	Name   string         `json:"name"` // as in Change, or "curve_1000hz" for the octave of |Z| around 1 kHz
	Unit   string         `json:"unit"`
	Median float64        `json:"median"`
	Spread float64        `json:"spread_percent"` // robust standard deviation of the members, percent of Median
	Value  quantity.Value `json:"value"`          // of the one
	// Percent is by how much the one differs from the median: its uncertainty and
	// the median's, but for what both share.
	Percent quantity.Value  `json:"off_percent"`
	Z       quantity.Value  `json:"off_spreads"` // the same in spreads
	Verdict verdict.Verdict `json:"verdict"`     // of Z within Limit
}

// Stranger is a member that does not belong to its group.
type Stranger struct {
	Member int      `json:"-"` // of the group given
	Label  string   `json:"label"`
	Name   string   `json:"name"`        // of the quantity in which it is farthest off
	Z      float64  `json:"off_spreads"` // there
	Also   []string `json:"also"`        // other quantities in which it is beyond the limit
}

// Words says the verdict, what speaks for it, and what to do.
func (s Standing) Words() string {
	var out []string
	for _, p := range s.Places {
		if p.Verdict != verdict.Pass {
			out = append(out, Symbol(p.Name))
		}
	}
	const mostNamed = 4
	what := strings.Join(out[:min(len(out), mostNamed)], ", ")
	if n := len(out) - mostNamed; n > 0 {
		what += fmt.Sprintf(" and %d more", n)
	}
	text := fmt.Sprintf("Pass: %s is like the other %d.", s.Label, s.Members)
	switch s.Verdict {
	case verdict.Fail:
		text = fmt.Sprintf("Fail: %s is not like the other %d: %s.", s.Label, s.Members, what)
	case verdict.Undecided:
		text = fmt.Sprintf("Undecided: %s may be like the other %d or not: %s. Measure again with a calibrated jig, or add drivers to the group.", s.Label, s.Members, what)
	}
	if n := len(s.Strangers); n > 0 {
		var names []string
		for _, one := range s.Strangers {
			names = append(names, one.Label)
		}
		verb, it := "does", "it"
		if n > 1 {
			verb, it = "do", "them"
		}
		text += fmt.Sprintf(" But %s %s not belong to the group: leave %s out and compare again.", quantity.List(names), verb, it)
	}
	return text
}

// sample is a quantity in logarithms.
type sample struct {
	name, unit string
	group      []float64
	one        float64
	floor      float64 // typical uncertainty of a member
	u          float64 // of one, but for what it shares with the group
}

// Group holds one driver against a reference group of four or more.
//
// All is done in logarithms. The middle is the median, the spread is Qn, which
// up to half of the members cannot upset. A driver does not belong where it is
// more than Limit spreads from the median in any quantity. Limit depends on
// the number of members: of as many from one normal distribution, 1 group in
// 200 has any beyond it, in one quantity. In one or more of all quantities it is
// 8 % of good groups of 4, 3 % of 16 (testdata/figures/recone-group.txt). A
// small group has a wide limit, since its spread is hardly known.
//
// Where all temperatures are known, Re is corrected to 20 C; curves of different
// frequencies are put on those of the first. All loads are fitted with the one of
// their models that suits all best, where one does. Where ctx ends, that is its
// error.
func Group(ctx context.Context, group []Side, one Side) (Standing, error) {
	if len(group) < fewest {
		return Standing{}, fmt.Errorf("%d drivers are no reference group: it takes %d or more to tell their spread", len(group), fewest)
	}
	sides := append(slices.Clone(group), one)
	for _, s := range sides {
		if err := s.check(); err != nil {
			return Standing{}, err
		}
	}
	curves, warnings, err := onOneGrid(sides)
	if err != nil {
		return Standing{}, err
	}
	st := Standing{Label: one.Label, Members: len(group), Limit: strangerLimit(len(group)), Strangers: []Stranger{}, Invented: one.Invented() || slices.ContainsFunc(group, Side.Invented)}
	st.Warnings = slices.Concat(firstSaid(group, &one), warnings)
	if slices.ContainsFunc(sides, func(s Side) bool { return s.Celsius == nil }) {
		for i := range sides {
			sides[i].Celsius = nil
		}
	}
	sides, same, err := oneModel(ctx, sides)
	if err != nil {
		return Standing{}, err
	}
	if !same {
		st.Warnings = append(st.Warnings, impedance.Warning{Code: "models-differ",
			Text: "the curves call for different models and none fits all: part of a difference may be the model's; look at the plots"})
	}

	off := map[int]*Stranger{}
	for _, q := range append(parameterSamples(sides), bandSamples(curves)...) {
		middle := median(q.group)
		spread := max(qn(q.group), q.floor)
		if spread == 0 {
			// Curves without noise that are all the same.
			spread = rounding
		}
		for i, x := range q.group {
			z := (x - middle) / spread
			if math.Abs(z) <= st.Limit {
				continue
			}
			switch s := off[i]; {
			case s == nil:
				off[i] = &Stranger{Member: i, Label: group[i].Label, Name: q.name, Z: z, Also: []string{}}
			case math.Abs(z) > math.Abs(s.Z):
				s.Also = append(s.Also, s.Name)
				s.Name, s.Z = q.name, z
			default:
				s.Also = append(s.Also, q.name)
			}
		}
		d := q.one - middle
		// The median of n from a normal distribution has sqrt(pi/2n) of its spread.
		u := math.Hypot(q.u, spread*math.Sqrt(math.Pi/2/float64(len(q.group))))
		p := Place{
			Name: q.name, Unit: q.unit, Median: math.Exp(middle), Spread: 100 * spread,
			Value:   quantity.Value{Value: math.Exp(q.one), U: math.Exp(q.one) * q.u},
			Percent: quantity.Value{Value: 100 * math.Expm1(d), U: 100 * math.Exp(d) * u},
			Z:       quantity.Value{Value: d / spread, U: u / spread},
		}
		p.Verdict = Limit{-st.Limit, st.Limit}.judge(p.Z.Value, p.Z.U)
		st.Verdict = worse(st.Verdict, p.Verdict)
		st.Places = append(st.Places, p)
	}
	for _, i := range slices.Sorted(maps.Keys(off)) {
		s := *off[i]
		st.Strangers = append(st.Strangers, s)
		st.Warnings = append(st.Warnings, impedance.Warning{Code: "does-not-belong",
			Text: fmt.Sprintf("%s does not belong to the group: its %s is %.1f spreads from the median, beyond %.1f; leave it out and compare again", s.Label, Symbol(s.Name), s.Z, st.Limit)})
	}
	return st, nil
}

// parameterSamples are the quantities of the fits; the last side is the one.
func parameterSamples(sides []Side) (out []sample) {
	n := len(sides) - 1
	ls := make([]logs, len(sides))
	hasLe := true
	for i, s := range sides {
		warm := 0.0
		if s.Celsius != nil {
			warm = *s.Celsius - reference
		}
		ls[i] = logsOf(s, warm)
		hasLe = hasLe && ls[i].hasLe
	}
	for i := range qRes {
		if i == qLe && !hasLe {
			continue
		}
		s := sample{name: quantityNames[i], unit: quantityUnits[i], one: ls[n].value[i]}
		var own []float64
		shared := map[string][]float64{}
		for k, l := range ls {
			if k < n {
				s.group = append(s.group, l.value[i])
				own = append(own, math.Sqrt(l.own.At(i, i)))
			}
			for id, d := range l.shared {
				if shared[id] == nil {
					shared[id] = make([]float64, n+1)
				}
				shared[id][k] = d[i]
			}
		}
		s.floor = median(own)
		s.u = apart(math.Sqrt(ls[n].own.At(i, i)), shared)
		out = append(out, s)
	}
	return out
}

// bandSamples are the means over log frequency of ln|Z| in the octaves around
// 1 kHz times powers of 2 that the grid covers whole; the last curve is the
// one.
func bandSamples(curves []impedance.Curve) (out []sample) {
	n := len(curves) - 1
	hz := curves[0].Hz()
	w := spans(hz)
	for octave := -7; octave <= 5; octave++ {
		middle := 1000 * math.Exp2(float64(octave))
		low, high := middle/math.Sqrt2, middle*math.Sqrt2
		from, to, whole := -1, 0, 0.0
		for i, f := range hz {
			if f >= low && f < high {
				if from < 0 {
					from = i
				}
				to = i + 1
				whole += w[i]
			}
		}
		const enough = 3 // points, below which a mean is no octave's
		if hz[0] > low || hz[len(hz)-1] < high || from < 0 || to-from < enough {
			continue
		}
		s := sample{name: fmt.Sprintf("curve_%.4ghz", middle), unit: "ohm"}
		var own []float64
		shared := map[string][]float64{}
		for k, c := range curves {
			mean, v := 0.0, 0.0
			for i, p := range c.Points[from:to] {
				part := w[from+i] / whole
				mean += part * math.Log(cmplx.Abs(p.Z))
				v += part * part * p.Noise.Along(p.Z) / real(p.Z*cmplx.Conj(p.Z))
			}
			for _, source := range c.Shared {
				if shared[source.ID] == nil {
					shared[source.ID] = make([]float64, n+1)
				}
				for i, p := range c.Points[from:to] {
					shared[source.ID][k] += w[from+i] / whole * real(source.DZ[from+i]/p.Z)
				}
			}
			if k == n {
				s.one, s.u = mean, math.Sqrt(v)
				continue
			}
			s.group = append(s.group, mean)
			own = append(own, math.Sqrt(v))
		}
		s.floor = median(own)
		s.u = apart(s.u, shared)
		out = append(out, s)
	}
	return out
}

// apart adds to the own uncertainty of the last of a list what shared sources
// do to its difference from the mean of the others.
func apart(own float64, shared map[string][]float64) float64 {
	v := own * own
	for _, id := range slices.Sorted(maps.Keys(shared)) {
		d := shared[id]
		n := len(d) - 1
		e := d[n]
		for _, x := range d[:n] {
			e -= x / float64(n)
		}
		v += e * e
	}
	return math.Sqrt(v)
}

// firstSaid are the warnings of the records of a group, each kind for the first
// that has it, and those of one that the group has not.
func firstSaid(group []Side, one *Side) (all impedance.Warnings) {
	said := func(w impedance.Warning) bool {
		return slices.ContainsFunc(all, func(have impedance.Warning) bool { return have.Code == w.Code })
	}
	for _, s := range group {
		for _, w := range s.said() {
			if !said(w) {
				all = append(all, impedance.Warning{Code: w.Code, Text: s.Label + ", for one: " + w.Text})
			}
		}
	}
	if one != nil {
		all = append(all, slices.DeleteFunc(slices.Clone(one.said()), said)...)
	}
	return all
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// qn is the robust standard deviation Qn of two or more values: about the first
// quartile of the distances between all two of them, with the factors that
// make its mean that of a normal distribution. It has 82 % of the efficiency of
// the standard deviation, against 37 % of the median deviation's. Source: P. J.
// Rousseeuw, C. Croux, J. Am. Stat. Assoc. 88, 1273-1283, 1993, and their report on
// small samples (from memory; TestSpreadIsUnbiased holds the factors to it).
func qn(x []float64) float64 {
	n := len(x)
	var d []float64
	for i, a := range x {
		for _, b := range x[:i] {
			d = append(d, math.Abs(a-b))
		}
	}
	slices.Sort(d)
	h := n/2 + 1
	small := []float64{2: 0.399, 0.994, 0.512, 0.844, 0.611, 0.857, 0.669, 0.872}
	factor := float64(n) / (float64(n) + 1.4)
	switch {
	case n < len(small):
		factor = small[n]
	case n%2 == 0:
		factor = float64(n) / (float64(n) + 3.8)
	}
	return 2.2219 * factor * d[h*(h-1)/2-1]
}

// strangerLimits are the spreads that the farthest of n from a normal
// distribution exceeds once in 200 times, by simulation (BenchmarkStrangers).
// Odd small numbers have a wider limit than the even ones beside them: Qn is
// less sure for them.
var strangerLimits = []struct {
	n       int
	spreads float64
}{{4, 15.2}, {5, 18.3}, {6, 8.3}, {7, 9.1}, {8, 6.4}, {9, 6.6}, {10, 5.5}, {11, 5.7}, {12, 5.1}, {15, 4.9}, {20, 4.5}, {30, 4.3}, {50, 4.3}, {100, 4.2}}

// strangerLimit interpolates the table over 1/n; beyond its end the last holds.
func strangerLimit(n int) float64 {
	for i, b := range strangerLimits {
		if n == b.n {
			return b.spreads
		}
		if n < b.n {
			a := strangerLimits[i-1]
			part := (1/float64(a.n) - 1/float64(n)) / (1/float64(a.n) - 1/float64(b.n))
			return a.spreads + part*(b.spreads-a.spreads)
		}
	}
	return strangerLimits[len(strangerLimits)-1].spreads
}
