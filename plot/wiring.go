package plot

import (
	"cmp"
	"slices"

	"tapload/fixtures/box"
)

// wiring is the way of each wire of a box between its jacks, which stand in a
// row, their tips up and their sleeves down.
//
// Wires between tips run above the jacks and wires between sleeves below, at
// levels that count away from the jacks; a wire from a sleeve to a tip changes
// sides in the gap beside the tip's jack. Of two runs that lie over each other
// the shorter is nearer to the jacks, so that wires cross only where they must.
type wiring struct {
	runs   []run
	levels [2]int // how many there are above and below
	gaps   map[int]int
}

// run is one wire. Its tips come before its sleeves, else from left to right.
type run struct {
	ends  [2]box.Contact
	level int    // of the part along the row; -1 where there is none
	gap   int    // the jack to the left of the gap that it goes through; -2 where it keeps to its side
	place int    // among those in its gap
	lugs  [2]int // place of each end among those at its lug, from left to right
}

func wiringOf(b box.Box) wiring {
	w := wiring{gaps: map[int]int{}}
	for _, l := range b.Links {
		r := run{ends: [2]box.Contact{l.From, l.To}, level: -1, gap: -2}
		slices.SortFunc(r.ends[:], func(x, y box.Contact) int {
			return cmp.Or(cmp.Compare(x.Part, y.Part), cmp.Compare(x.Jack, y.Jack))
		})
		if tip, sleeve := r.ends[0], r.ends[1]; tip.Part != sleeve.Part {
			r.gap = tip.Jack
			if sleeve.Jack < tip.Jack {
				r.gap = tip.Jack - 1
			}
			r.place = w.gaps[r.gap]
			w.gaps[r.gap]++
		}
		w.runs = append(w.runs, r)
	}
	w.spread()
	w.attach()
	return w
}

// along is what a run takes of its side of the row, in half jacks: jacks are
// even, gaps odd. A sleeve beside its gap needs none.
func (r run) along() (side, from, to int, ok bool) {
	if r.gap == -2 {
		return int(r.ends[0].Part), 2 * r.ends[0].Jack, 2 * r.ends[1].Jack, true
	}
	at, gap := 2*r.ends[1].Jack, 2*r.gap+1
	if at == gap-1 || at == gap+1 {
		return 0, 0, 0, false
	}
	return int(box.Sleeve), min(at, gap), max(at, gap), true
}

// spread gives every run its level.
func (w *wiring) spread() {
	var order []int
	for i, r := range w.runs {
		if _, _, _, ok := r.along(); ok {
			order = append(order, i)
		}
	}
	length := func(i int) int { _, from, to, _ := w.runs[i].along(); return to - from }
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(length(i), length(j)) })
	for n, i := range order {
		side, from, to, _ := w.runs[i].along()
		level := 0
		for _, j := range order[:n] {
			s, f, t, _ := w.runs[j].along()
			if s == side && f < to && from < t {
				level = max(level, w.runs[j].level+1)
			}
		}
		w.runs[i].level = level
		w.levels[side] = max(w.levels[side], level+1)
	}
}

// attach gives the ends at each lug their order: those that go left before
// those that go right, and of those that go one way the ones on higher levels
// nearer to the middle of the lug.
func (w *wiring) attach() {
	type end struct{ run, which int }
	at := map[box.Contact][]end{}
	for i, r := range w.runs {
		for k, c := range r.ends {
			at[c] = append(at[c], end{i, k})
		}
	}
	turn := func(e end) int {
		r := w.runs[e.run]
		to := 2 * r.ends[1-e.which].Jack
		if r.gap != -2 {
			to = 2*r.gap + 1
		}
		if to < 2*r.ends[e.which].Jack {
			return r.level - len(w.runs) - 1
		}
		return len(w.runs) + 1 - r.level
	}
	for _, ends := range at {
		slices.SortStableFunc(ends, func(x, y end) int { return cmp.Compare(turn(x), turn(y)) })
		for n, e := range ends {
			w.runs[e.run].lugs[e.which] = 2*n - (len(ends) - 1)
		}
	}
}
