package recone

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

type oddSet struct {
	members []int
	z       int64
}

// odd are the blossoms of z > 0.
func (m *matcher) odd() (all []oddSet) {
	for _, b := range m.nodes[m.n:] {
		if b.kids != nil && b.z > 0 {
			all = append(all, oddSet{b.members, b.z})
		}
	}
	return all
}

// prove checks everything that the comment on minimumPairs promises, from which
// optimality follows by weak duality.
func prove(t interface {
	Helper()
	Fatalf(string, ...any)
}, weight [][]int64, p *matcher) (total int64) {
	t.Helper()
	n, sets := len(weight), p.odd()
	inside := func(s oddSet, v int) bool { return slices.Contains(s.members, v) }
	for u := range n {
		if p.mate[u] < 0 || p.mate[u] == u || p.mate[p.mate[u]] != u {
			t.Fatalf("mates %v are no perfect matching", p.mate)
		}
		for v := range u {
			left := p.y[u] + p.y[v]
			for _, s := range sets {
				if inside(s, u) && inside(s, v) {
					left -= s.z
				}
			}
			if left > 2*weight[u][v] {
				t.Fatalf("edge %d-%d: dual %d above twice the weight %d", u, v, left, weight[u][v])
			}
			if p.mate[u] == v {
				total += weight[u][v]
				if left != 2*weight[u][v] {
					t.Fatalf("pair %d-%d: dual %d is not twice the weight %d", u, v, left, weight[u][v])
				}
			}
		}
	}
	var dual int64
	for _, y := range p.y {
		dual += y
	}
	for _, s := range sets {
		pairs := 0
		for _, v := range s.members {
			if inside(s, p.mate[v]) {
				pairs++
			}
		}
		if s.z < 0 || len(s.members)%2 == 0 || pairs != len(s.members)-1 {
			t.Fatalf("set %v with z %d holds %d mates", s.members, s.z, pairs)
		}
		dual -= s.z * int64((len(s.members)-1)/2)
	}
	if dual != 2*total {
		t.Fatalf("dual %d, twice the weight %d", dual, 2*total)
	}
	return total
}

// leastPairs tries every perfect matching.
func leastPairs(weight [][]int64, rest []int) int64 {
	if len(rest) == 0 {
		return 0
	}
	least := int64(math.MaxInt64)
	for i := 1; i < len(rest); i++ {
		others := slices.Concat(rest[1:i], rest[i+1:])
		least = min(least, weight[rest[0]][rest[i]]+leastPairs(weight, others))
	}
	return least
}

func numbers(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func weights(n int, w func(u, v int) int64) [][]int64 {
	out := make([][]int64, n)
	for u := range out {
		out[u] = make([]int64, n)
		for v := range u {
			out[u][v] = w(u, v)
			out[v][u] = out[u][v]
		}
	}
	return out
}

func bestPairs(t rapid.TB, weight [][]int64) *matcher {
	t.Helper()
	m, err := minimumPairs(context.Background(), weight)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestPairsEqualBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := 2 * rapid.IntRange(1, 4).Draw(t, "half")
		// Few different weights make ties and blossoms, many make none.
		most := rapid.SampledFrom([]int64{1, 3, 10, 1000}).Draw(t, "most")
		weight := weights(n, func(u, v int) int64 { return rapid.Int64Range(0, most).Draw(t, "weight") })
		if got, want := prove(t, weight, bestPairs(t, weight)), leastPairs(weight, numbers(n)); got != want {
			t.Fatalf("weight %d, least %d", got, want)
		}
	})
}

// Greedy takes the pair of weight 1 and is left with one of weight 100.
func TestPairsWhereGreedyFails(t *testing.T) {
	weight := weights(4, func(u, v int) int64 {
		switch (edge{u, v}) {
		case edge{2, 1}:
			return 1
		case edge{3, 0}:
			return 100
		}
		return 2
	})
	if got := prove(t, weight, bestPairs(t, weight)); got != 4 {
		t.Errorf("weight %d, want 4", got)
	}
}

// Random graphs of up to 100 vertices: proven by their duals. Clusters of odd
// size, cheap inside and dear between, make blossoms within blossoms.
func TestDualsProveThePairs(t *testing.T) {
	blossoms, nested, opened := 0, 0, 0
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 1))
		n := []int{100, 60, 30}[seed%3]
		most := []int64{2, 100, 1 << 40}[seed/3%3]
		of := func(v, size int) int { return v / size }
		weight := weights(n, func(u, v int) int64 {
			w := r.Int64N(most + 1)
			if seed%2 == 0 {
				for _, size := range []int{3, 9, 27} {
					if of(u, size) != of(v, size) {
						w += 4 * most
					}
				}
			}
			return w
		})
		p := bestPairs(t, weight)
		prove(t, weight, p)
		blossoms += len(p.odd())
		for _, a := range p.odd() {
			for _, b := range p.odd() {
				if len(a.members) < len(b.members) && slices.Contains(b.members, a.members[0]) {
					nested++
				}
			}
		}
		m := newMatcher(weight)
		for range n / 2 {
			before := len(m.unused)
			m.phase()
			if len(m.unused) > before {
				opened++
			}
		}
	}
	if blossoms == 0 || nested == 0 || opened == 0 {
		t.Errorf("%d blossoms, %d nested, %d phases that opened more than they made: the graphs test too little", blossoms, nested, opened)
	}
}

func BenchmarkPairs(b *testing.B) {
	for _, n := range []int{50, 100, 200} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			r := rand.New(rand.NewPCG(1, 1))
			weight := weights(n, func(u, v int) int64 { return r.Int64N(1 << 40) })
			for b.Loop() {
				bestPairs(b, weight)
			}
		})
	}
}
