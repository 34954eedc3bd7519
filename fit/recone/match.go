package recone

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// Gap is how far two curves are apart.
type Gap struct {
	Percent float64
	Noise   float64 // percent that noise alone gives, which is in Percent too
}

// Matching is which drivers belong together.
type Matching struct {
	Per      int                `json:"per"`
	Groups   []Together         `json:"groups"`           // closest first
	Left     []string           `json:"left"`             // drivers that the number leaves over
	Total    float64            `json:"total_percent"`    // sum over the groups
	AtLeast  float64            `json:"at_least_percent"` // no other choice has a lower Total than this
	Optimal  bool               `json:"optimal"`          // no other choice has a lower Total
	Noise    float64            `json:"noise_percent"`    // that noise alone puts between two drivers, rms
	Warnings impedance.Warnings `json:"warnings"`
	Invented bool               `json:"-"` // nobody measured one of them

	left []int // of the sides given, rising
}

// Together is one pair or quad.
type Together struct {
	Drivers []string `json:"drivers"`
	Percent float64  `json:"sum_percent"`    // sum of the distances between all two of them
	Widest  float64  `json:"widest_percent"` // the largest of these distances

	members []int // of the sides given, rising
}

// Words says what belongs together and how sure that is the best.
func (m Matching) Words() string {
	what, drivers := "pair", len(m.Left)+m.Per*len(m.Groups)
	if m.Per == 4 {
		what = "quad"
	}
	if len(m.Groups) != 1 {
		what += "s"
	}
	how := fmt.Sprintf("no other choice has a lower sum than these %s %%", quantity.Digits(m.Total, 3))
	if !m.Optimal {
		how = fmt.Sprintf("their sum is %s %%, and no choice has less than %s %%", quantity.Digits(m.Total, 3), quantity.Digits(m.AtLeast, 3))
	}
	return fmt.Sprintf("%d %s of %d drivers; %s.", len(m.Groups), what, drivers, how)
}

// Match returns the pairs (per 2) or quads (per 4) of drivers with the least
// total distance, where the distance of a quad is the sum of its six. Drivers
// that the number leaves over are chosen so that the rest matches best.
//
// Pairs are optimal whatever the number. Quads are so up to 20 drivers; more
// are put together from the best pairs of the best pairs and improved until no
// exchange of drivers helps, among three quads or among two and those left over.
// How far that may be from the best is then told by AtLeast. Where ctx ends, that is
// its error.
func Match(ctx context.Context, sides []Side, per int) (Matching, error) {
	if per != 2 && per != 4 {
		return Matching{}, fmt.Errorf("%d drivers to a cabinet cannot be matched: 2 or 4 can", per)
	}
	if len(sides) < per {
		return Matching{}, fmt.Errorf("%d drivers are too few: %d belong together", len(sides), per)
	}
	curves, warnings, err := onOneGrid(sides)
	if err != nil {
		return Matching{}, err
	}
	gaps, err := distances(ctx, curves)
	if err != nil {
		return Matching{}, err
	}
	d := make([][]float64, len(gaps))
	noise, pairs := 0.0, 0
	for i, row := range gaps {
		d[i] = make([]float64, len(row))
		for k, g := range row {
			d[i][k] = g.Percent
			if k < i {
				noise, pairs = noise+g.Noise*g.Noise, pairs+1
			}
		}
	}
	m, err := arrange(ctx, d, per)
	if err != nil {
		return Matching{}, err
	}
	m.Noise = math.Sqrt(noise / float64(pairs))
	m.Invented = slices.ContainsFunc(sides, Side.Invented)
	m.Warnings = slices.Concat(firstSaid(sides, nil), warnings)
	labels := func(of []int) []string {
		names := []string{}
		for _, i := range of {
			names = append(names, sides[i].Label)
		}
		return names
	}
	m.Left = labels(m.left)
	for i, g := range m.Groups {
		m.Groups[i].Drivers = labels(g.members)
	}
	if len(m.Left) > 0 {
		m.Warnings = append(m.Warnings, impedance.Warning{Code: "left-over",
			Text: fmt.Sprintf("%d drivers do not divide by %d; left over so that the rest matches best: %s", len(sides), per, strings.Join(m.Left, ", "))})
	}
	if !m.Optimal {
		m.Warnings = append(m.Warnings, impedance.Warning{Code: "not-proven-best",
			Text: fmt.Sprintf("these quads have a total of %.4g %%; a better choice, if there is one, has no less than %.4g %%", m.Total, m.AtLeast)})
	}
	return m, nil
}

// spans returns the part of log frequency that each point of a rising grid
// stands for in a mean (trapezoidal rule); they sum to 1.
func spans(hz []float64) []float64 {
	w := make([]float64, len(hz))
	if len(hz) == 1 {
		return []float64{1}
	}
	whole := math.Log(hz[len(hz)-1] / hz[0])
	for i := range hz[1:] {
		half := math.Log(hz[i+1]/hz[i]) / 2 / whole
		w[i] += half
		w[i+1] += half
	}
	return w
}

// trace is a curve as distances see it.
type trace struct {
	log   []complex128 // of Z
	noise float64      // variance of the logarithm, in the mean
}

// newTrace takes a curve and the spans of its frequencies.
func newTrace(c impedance.Curve, w []float64) (t trace) {
	for k, p := range c.Points {
		t.log = append(t.log, cmplx.Log(p.Z))
		t.noise += w[k] * (p.Noise.RR + p.Noise.II) / (real(p.Z)*real(p.Z) + imag(p.Z)*imag(p.Z))
	}
	return t
}

// gap is the distance of two traces of one grid.
func (t trace) gap(other trace, w []float64) Gap {
	var sum float64
	for j, a := range t.log {
		e := a - other.log[j]
		sum += w[j] * (real(e)*real(e) + imag(e)*imag(e))
	}
	return Gap{100 * math.Sqrt(sum), 100 * math.Sqrt(t.noise+other.noise)}
}

// distances returns the distance of every two curves of one grid. The error is that
// of ctx.
func distances(ctx context.Context, curves []impedance.Curve) ([][]Gap, error) {
	w := spans(curves[0].Hz())
	traces := make([]trace, len(curves))
	out := make([][]Gap, len(curves))
	for i, c := range curves {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		traces[i], out[i] = newTrace(c, w), make([]Gap, len(curves))
		for k := range i {
			out[i][k] = traces[i].gap(traces[k], w)
			out[k][i] = out[i][k]
		}
	}
	return out, nil
}
