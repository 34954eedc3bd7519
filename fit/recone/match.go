package recone

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/bits"
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

const (
	// mostExact is up to how many drivers quads are found by trying all of them.
	mostExact = 20
	// rounding is how far sums of the same distances in another order may differ,
	// and pairs that were found in whole numbers from the best ones in fractions.
	rounding = 1e-9
)

// arrange matches what has the distances d. Its error, and that of all below that
// have one, is that of ctx.
func arrange(ctx context.Context, d [][]float64, per int) (Matching, error) {
	n := len(d)
	m := Matching{Per: per, Groups: []Together{}}
	leave := n % per
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	var groups [][]int
	var err error
	switch {
	case per == 2:
		groups, m.left, err = pairs(ctx, d, leave)
		m.Optimal = true
	case n <= mostExact:
		groups, m.left, err = quads(ctx, d, all)
		m.Optimal = true
	default:
		if groups, m.left, err = pairsOfPairs(ctx, d); err == nil {
			groups, m.left, err = improve(ctx, d, groups, m.left)
		}
	}
	if err != nil {
		return m, err
	}
	for _, g := range groups {
		slices.Sort(g)
		t := Together{members: g, Percent: inside(d, g)}
		for i, a := range g {
			for _, b := range g[:i] {
				t.Widest = max(t.Widest, d[a][b])
			}
		}
		m.Groups = append(m.Groups, t)
		m.Total += t.Percent
	}
	slices.SortFunc(m.Groups, func(a, b Together) int {
		return cmp.Or(cmp.Compare(a.Percent, b.Percent), cmp.Compare(a.members[0], b.members[0]))
	})
	slices.Sort(m.left)
	m.AtLeast = m.Total
	if !m.Optimal {
		bound, err := leastQuads(ctx, d, leave, m.Total)
		if err != nil {
			return m, err
		}
		m.AtLeast = min(m.Total, bound)
		m.Optimal = m.Total-m.AtLeast <= rounding*m.Total
	}
	return m, nil
}

// inside is the sum of the distances within a group.
func inside(d [][]float64, group []int) (sum float64) {
	for i, a := range group {
		for _, b := range group[:i] {
			sum += d[a][b]
		}
	}
	return sum
}

func total(d [][]float64, groups [][]int) (sum float64) {
	for _, g := range groups {
		sum += inside(d, g)
	}
	return sum
}

// pairs returns the pairs of least total distance that leave out the given
// number, which must be even or odd with that of all. Each one left out is
// the mate of a stand-in that is near to everybody, but to no other stand-in.
func pairs(ctx context.Context, d [][]float64, leave int) (groups [][]int, left []int, err error) {
	n := len(d)
	most := 0.0
	for _, row := range d {
		most = max(most, slices.Max(row))
	}
	// Whole numbers keep the dual variables exact; what is rounded off is 2^-41 of
	// the largest distance.
	const fine = 1 << 40
	weight := make([][]int64, n+leave)
	for i := range weight {
		weight[i] = make([]int64, n+leave)
		for k := range weight[i] {
			switch {
			case i < n && k < n && most > 0:
				weight[i][k] = int64(math.Round(d[i][k] / most * fine))
			case i >= n && k >= n:
				weight[i][k] = fine * int64(n)
			}
		}
	}
	best, err := minimumPairs(ctx, weight)
	if err != nil {
		return nil, nil, err
	}
	for i, k := range best.mate[:n] {
		switch {
		case k >= n:
			left = append(left, i)
		case k > i:
			groups = append(groups, []int{i, k})
		}
	}
	return groups, left, nil
}

// quads returns the quads among who, 31 at most, of least total distance, by
// dynamic programming over the sets of who is placed already; the first who is
// not is always the next. Since groups come in fours, the size of such a set
// modulo 4 is how many of it are left over.
func quads(ctx context.Context, d [][]float64, who []int) (groups [][]int, left []int, err error) {
	n := len(who)
	leave := n % 4
	cost := make([]float64, 1<<n)
	for i := range cost {
		cost[i] = math.Inf(1)
	}
	cost[0] = 0
	from := make([]uint32, 1<<n)
	for set := range uint32(1<<n - 1) {
		const often = 1 << 12 // sets
		if set%often == 0 && ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		if math.IsInf(cost[set], 1) {
			continue
		}
		try := func(next uint32, c float64) {
			if c < cost[next] {
				cost[next], from[next] = c, set
			}
		}
		i := bits.TrailingZeros32(^set)
		if bits.OnesCount32(set)%4 < leave {
			try(set|1<<i, cost[set])
		}
		for j := i + 1; j < n; j++ {
			if set>>j&1 == 1 {
				continue
			}
			two := cost[set] + d[who[i]][who[j]]
			for k := j + 1; k < n; k++ {
				if set>>k&1 == 1 {
					continue
				}
				three := two + d[who[i]][who[k]] + d[who[j]][who[k]]
				for l := k + 1; l < n; l++ {
					if set>>l&1 == 0 {
						try(set|1<<i|1<<j|1<<k|1<<l, three+d[who[i]][who[l]]+d[who[j]][who[l]]+d[who[k]][who[l]])
					}
				}
			}
		}
	}
	for set := uint32(1<<n - 1); set != 0; set = from[set] {
		var g []int
		for rest := set &^ from[set]; rest != 0; rest &= rest - 1 {
			g = append(g, who[bits.TrailingZeros32(rest)])
		}
		if len(g) == 1 {
			left = append(left, g[0])
		} else {
			groups = append(groups, g)
		}
	}
	return groups, left, nil
}

// pairsOfPairs returns quads of the best pairs, paired by the sum of the four
// distances between them, and what is left over.
func pairsOfPairs(ctx context.Context, d [][]float64) (groups [][]int, left []int, err error) {
	two, left, err := pairs(ctx, d, len(d)%2)
	if err != nil {
		return nil, nil, err
	}
	between := make([][]float64, len(two))
	for i, a := range two {
		between[i] = make([]float64, len(two))
		for k, b := range two {
			if i != k {
				between[i][k] = d[a[0]][b[0]] + d[a[0]][b[1]] + d[a[1]][b[0]] + d[a[1]][b[1]]
			}
		}
	}
	four, alone, err := pairs(ctx, between, len(two)%2)
	if err != nil {
		return nil, nil, err
	}
	for _, p := range four {
		groups = append(groups, slices.Concat(two[p[0]], two[p[1]]))
	}
	for _, p := range alone {
		left = append(left, two[p]...)
	}
	return groups, left, nil
}

// improve divides the drivers of every two quads and those left over, then those
// of every three quads, in the best way there is, until that changes nothing.
func improve(ctx context.Context, d [][]float64, groups [][]int, left []int) ([][]int, []int, error) {
	again := func(which ...int) bool {
		var who []int
		if len(which) == 2 {
			who = slices.Clone(left)
		}
		before := 0.0
		for _, i := range which {
			who = append(who, groups[i]...)
			before += inside(d, groups[i])
		}
		better, rest, err := quads(ctx, d, who)
		if err != nil {
			return false // and the loops below end
		}
		if total(d, better) >= before-rounding*before {
			return false
		}
		for k, i := range which {
			groups[i] = better[k]
		}
		if len(which) == 2 {
			left = rest
		}
		return true
	}
	for changed := true; changed; {
		changed = false
		for i := range groups {
			if ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
			for k := range i {
				changed = again(i, k) || changed
			}
		}
		if changed {
			continue
		}
		for i := range groups {
			for k := range i {
				if ctx.Err() != nil {
					return nil, nil, ctx.Err()
				}
				for l := range k {
					changed = again(i, k, l) || changed
				}
			}
		}
	}
	return groups, left, ctx.Err()
}

// leastQuads returns a bound below the total of any quads, known being that of
// some. The six distances of a quad are those of its three divisions into pairs,
// so that all quads together cost at least three times the best pairs.
func leastQuads(ctx context.Context, d [][]float64, leave int, known float64) (float64, error) {
	two, _, err := pairs(ctx, d, leave)
	if err != nil {
		return 0, err
	}
	bound, err := threeEach(ctx, d, leave, known)
	return max(3*total(d, two), bound), err
}

// threeEach returns a bound below the total of any quads. In quads every driver
// has three partners. Of all choices of edges that give each driver three, but
// for those left over, the cheapest costs at least, for any numbers y,
//
//	sum of 3 y, less the largest of them for those left over, - sum over edges of max(0, y[u] + y[v] - d[u][v])
//
// by Lagrange's multipliers. The best y are sought by subgradients, with steps
// after B. T. Polyak (USSR Comp. Math. 9(3), 14-29, 1969; from memory) towards
// a known total.
func threeEach(ctx context.Context, d [][]float64, leave int, known float64) (best float64, err error) {
	n := len(d)
	y := make([]float64, n)
	for v, row := range d {
		y[v] = slices.Sorted(slices.Values(row))[3] / 2 // the third nearest; the first is itself
	}
	const rounds, patience = 2000, 20
	size, since := 1.0, 0
	g := make([]float64, n)
	order := make([]int, n)
	for range rounds {
		if ctx.Err() != nil {
			return 0, ctx.Err()
		}
		bound := 0.0
		for v := range n {
			order[v], g[v] = v, 3
			bound += 3 * y[v]
		}
		slices.SortFunc(order, func(a, b int) int { return cmp.Compare(y[b], y[a]) })
		for _, v := range order[:leave] {
			g[v] = 0
			bound -= 3 * y[v]
		}
		for u := range n {
			for v := range u {
				if over := y[u] + y[v] - d[u][v]; over > 0 {
					bound -= over
					g[u]--
					g[v]--
				}
			}
		}
		if since++; bound > best {
			best, since = bound, 0
		}
		if since > patience {
			size, since = size/2, 0
		}
		square := 0.0
		for _, x := range g {
			square += x * x
		}
		if square == 0 || known <= bound {
			break
		}
		for v, x := range g {
			y[v] += size * (known - bound) / square * x
		}
	}
	return best, nil
}
