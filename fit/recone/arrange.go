package recone

import (
	"cmp"
	"context"
	"math"
	"math/bits"
	"slices"
)

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
