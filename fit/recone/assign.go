package recone

import (
	"context"
	"math"
	"slices"
)

// minimumPairs returns the perfect matching of least weight of the complete
// graph on an even number of vertices, its weights whole numbers from 0 to
// 2^50, in a time of order n^3. Its dual variables prove it: for every edge
//
//	y[u] + y[v] - sum of z over the blossoms that hold u and v <= 2 weight(u, v)
//
// with equality for every pair, z >= 0, and each blossom S of z > 0 holding
// (|S| - 1)/2 pairs. Then sum y - sum z (|S| - 1)/2 is twice the weight of the
// matching, and no perfect matching can weigh less.
//
// The method is that of blossoms: alternating trees grow from every vertex
// that has no mate along edges whose inequality is tight. Two trees that meet
// make a way on which mates are exchanged; an edge within one tree closes an odd
// cycle, a blossom, which from then on is handled as one vertex. Where nothing
// is tight, the dual variables move until something is. Sources: J. Edmonds,
// Canadian Journal of Mathematics 17, 449-467, 1965; Z. Galil, ACM Computing
// Surveys 18(1), 23-38, 1986 (both from memory). The error is that of ctx.
func minimumPairs(ctx context.Context, weight [][]int64) (*matcher, error) {
	m := newMatcher(weight)
	for range m.n / 2 {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		m.phase()
	}
	return m, nil
}

type label uint8

const (
	free label = iota
	even       // an even number of edges from the root of its tree
	odd
)

const none = -1

type edge struct{ from, to int } // vertices

var noEdge = edge{none, none}

func (e edge) back() edge { return edge{e.to, e.from} }

// node is a vertex or a blossom.
type node struct {
	members []int // vertices
	base    int   // the one member whose mate is outside, or that has none
	// kids are the nodes around the cycle of a blossom, nil in a vertex. The first
	// holds the base; links[i] leads from kids[i] to the next; links 1, 3, ... join
	// mates.
	kids  []int
	links []edge
	z     int64

	label label
	entry edge // of an odd node: from its parent in the tree

	// near is the edge of least slack to an outermost node that is not odd, from
	// any other node that is even.
	near edge
	// least is for each vertex outside the edge of least slack from a member to
	// it. It stays the least while the node is whole, since the variables of all
	// members move together.
	least []edge
}

type matcher struct {
	n      int
	weight [][]int64
	mate   []int
	y      []int64
	top    []int // the outermost node of each vertex
	nodes  []node
	unused []int // numbers of blossoms
}

func newMatcher(weight [][]int64) *matcher {
	n := len(weight)
	m := &matcher{n: n, weight: weight, mate: make([]int, n), y: make([]int64, n), top: make([]int, n), nodes: make([]node, n+n/2)}
	for v := range n {
		m.mate[v], m.top[v] = none, v
		lowest := int64(math.MaxInt64)
		least := make([]edge, n)
		for u := range n {
			least[u] = edge{v, u}
			if u != v {
				lowest = min(lowest, weight[v][u])
			}
		}
		// All of one parity, so that the slack between two even nodes, which is
		// halved, is always even.
		m.y[v] = lowest &^ 1
		m.nodes[v] = node{members: []int{v}, base: v, least: least}
	}
	for b := len(m.nodes) - 1; b >= n; b-- {
		m.unused = append(m.unused, b)
	}
	return m
}

// slack of an edge between two outermost nodes.
func (m *matcher) slack(e edge) int64 {
	if e == noEdge {
		return math.MaxInt64
	}
	return 2*m.weight[e.from][e.to] - m.y[e.from] - m.y[e.to]
}

// outermost are the nodes that lie in no other.
func (m *matcher) outermost() []int {
	out := make([]int, 0, m.n)
	for v, t := range m.top {
		if m.nodes[t].members[0] == v {
			out = append(out, t)
		}
	}
	return out
}

// phase finds one more pair.
func (m *matcher) phase() {
	tops := m.outermost()
	for _, t := range tops {
		m.nodes[t].label, m.nodes[t].near = free, noEdge
		if m.mate[m.nodes[t].base] == none {
			m.nodes[t].label = even
		}
	}
	for _, t := range tops {
		if m.nodes[t].label == even {
			m.scan(t)
		}
	}
	for {
		which := none
		delta := int64(math.MaxInt64)
		for _, t := range m.outermost() {
			d := int64(math.MaxInt64)
			switch node := &m.nodes[t]; {
			case node.label == free:
				d = m.slack(node.near)
			case node.label == even && node.near != noEdge:
				d = m.slack(node.near) / 2
			case node.label == odd && node.kids != nil:
				d = node.z / 2
			}
			if d < delta {
				which, delta = t, d
			}
		}
		m.move(delta)
		switch node := &m.nodes[which]; node.label {
		case free:
			m.grow(node.near)
		case odd:
			m.open(which)
		default:
			if m.join(node.near) {
				return
			}
		}
	}
}

// move changes the dual variables so that what is tight within the trees stays
// so and the slack to what is outside shrinks by delta.
func (m *matcher) move(delta int64) {
	for v, t := range m.top {
		switch m.nodes[t].label {
		case even:
			m.y[v] += delta
		case odd:
			m.y[v] -= delta
		}
	}
	for _, t := range m.outermost() {
		switch node := &m.nodes[t]; {
		case node.kids != nil && node.label == even:
			node.z += 2 * delta
		case node.kids != nil && node.label == odd:
			node.z -= 2 * delta
		}
	}
}

// scan enters the edges of a node that has become even.
func (m *matcher) scan(s int) {
	m.nodes[s].near = noEdge
	for v, t := range m.top {
		other := &m.nodes[t]
		if t == s || other.label == odd {
			continue
		}
		e := m.nodes[s].least[v]
		d := m.slack(e)
		if d < m.slack(other.near) {
			other.near = e
		}
		if other.label == even && d < m.slack(m.nodes[s].near) {
			m.nodes[s].near = e.back()
		}
	}
}

// grow adds the free node at the end of the tight edge e to the tree, and the
// node of its mate.
func (m *matcher) grow(e edge) {
	t := m.top[e.to]
	m.nodes[t].label, m.nodes[t].entry = odd, e
	s := m.top[m.mate[m.nodes[t].base]]
	m.nodes[s].label = even
	m.scan(s)
}

// join works along the tight edge e between two even nodes: it makes a blossom
// where both are of one tree; where they are of two it exchanges mates along
// the way from root to root, and reports true.
func (m *matcher) join(e edge) bool {
	above := map[int]bool{}
	for s := m.top[e.from]; s != none; s = m.grandparent(s) {
		above[s] = true
	}
	for s := m.top[e.to]; s != none; s = m.grandparent(s) {
		if above[s] {
			m.close(s, e)
			return false
		}
	}
	m.augment(e)
	m.augment(e.back())
	return true
}

// grandparent returns the even node two edges nearer to the root of the tree,
// or none.
func (m *matcher) grandparent(s int) int {
	v := m.mate[m.nodes[s].base]
	if v == none {
		return none
	}
	return m.top[m.nodes[m.top[v]].entry.from]
}

// augment makes e.to the mate of e.from and exchanges mates from there to the
// root of e.from's tree.
func (m *matcher) augment(e edge) {
	for {
		s := m.top[e.from]
		v := m.mate[m.nodes[s].base]
		m.rebase(s, e.from)
		m.mate[e.from] = e.to
		if v == none {
			return
		}
		t := m.top[v]
		e = m.nodes[t].entry
		m.rebase(t, e.to)
		m.mate[e.to] = e.from
	}
}

// rebase makes v the base of node b, with all other members mates of each
// other.
func (m *matcher) rebase(b, v int) {
	node := &m.nodes[b]
	node.base = v
	if node.kids == nil {
		return
	}
	i := m.kidWith(b, v)
	m.rebase(node.kids[i], v)
	node.kids = slices.Concat(node.kids[i:], node.kids[:i])
	node.links = slices.Concat(node.links[i:], node.links[:i])
	for i := 1; i < len(node.kids); i += 2 {
		link := node.links[i]
		m.rebase(node.kids[i], link.from)
		m.rebase(node.kids[i+1], link.to)
		m.mate[link.from], m.mate[link.to] = link.to, link.from
	}
}

func (m *matcher) kidWith(b, v int) int {
	return slices.IndexFunc(m.nodes[b].kids, func(k int) bool { return slices.Contains(m.nodes[k].members, v) })
}

// close makes a blossom of the ways from both ends of e to the even node root,
// which is above both.
func (m *matcher) close(root int, e edge) {
	kids := []int{root}
	var links []edge
	for s := m.top[e.from]; s != root; s = m.grandparent(s) {
		base := m.nodes[s].base
		t := m.top[m.mate[base]]
		kids = append(kids, s, t)
		links = append(links, edge{m.mate[base], base}, m.nodes[t].entry)
	}
	slices.Reverse(kids[1:])
	slices.Reverse(links)
	links = append(links, e)
	for s := m.top[e.to]; s != root; s = m.grandparent(s) {
		base := m.nodes[s].base
		t := m.top[m.mate[base]]
		kids = append(kids, s, t)
		links = append(links, edge{base, m.mate[base]}, m.nodes[t].entry.back())
	}

	b := m.unused[len(m.unused)-1]
	m.unused = m.unused[:len(m.unused)-1]
	var members []int
	for _, k := range kids {
		members = append(members, m.nodes[k].members...)
	}
	least := slices.Repeat([]edge{noEdge}, m.n)
	for _, k := range kids {
		for v, e := range m.nodes[k].least {
			if m.slack(e) < m.slack(least[v]) {
				least[v] = e
			}
		}
	}
	for _, v := range members {
		m.top[v] = b
	}
	m.nodes[b] = node{members: members, base: m.nodes[root].base, kids: kids, links: links, label: even, least: least}
	m.scan(b)
}

// open takes apart an odd blossom of z = 0. Those of its kids that lie on the
// way of even length from its entry to its base stay in the tree.
func (m *matcher) open(b int) {
	blossom := m.nodes[b]
	m.nodes[b] = node{}
	m.unused = append(m.unused, b)
	for _, k := range blossom.kids {
		m.nodes[k].label, m.nodes[k].near = free, noEdge
		for _, v := range m.nodes[k].members {
			m.top[v] = k
		}
	}

	i := slices.Index(blossom.kids, m.top[blossom.entry.to])
	count := len(blossom.kids)
	// The mate of a kid of odd place is the next one, of even place the one before.
	step := func(i int) (next int, e edge) { return (i + 1) % count, blossom.links[i] }
	if i%2 == 0 {
		step = func(i int) (next int, e edge) { return i - 1, blossom.links[i-1].back() }
	}
	entry := blossom.entry
	var grown []int
	for {
		k := blossom.kids[i]
		m.nodes[k].label, m.nodes[k].entry = odd, entry
		if i == 0 {
			break
		}
		i, _ = step(i)
		m.nodes[blossom.kids[i]].label = even
		grown = append(grown, blossom.kids[i])
		i, entry = step(i)
	}
	for _, k := range blossom.kids {
		if m.nodes[k].label != free {
			continue
		}
		for v, t := range m.top {
			if e := m.nodes[k].least[v].back(); m.nodes[t].label == even && m.slack(e) < m.slack(m.nodes[k].near) {
				m.nodes[k].near = e
			}
		}
	}
	for _, s := range grown {
		m.scan(s)
	}
}
