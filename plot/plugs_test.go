package plot

import (
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/recorder"

	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
)

var plugFormulas = []string{"a", "a + b", "a || b", "(a + b) || c", "c || (a + b)", "(a || b) + (c || d)", "((a || b) + (c || d)) || (e + f)", "a || b || c || d || e || f", "a + ((b || c) + d || e) + f"}

func plugs(t *testing.T, formula string, jacks int) Plugs {
	t.Helper()
	tree, err := hookup.Parse(formula)
	if err != nil {
		t.Fatal(err)
	}
	set := box.Set{Tree: tree}
	if tree.Kind != hookup.Leaf {
		if set, err = box.Build(tree, true); err != nil {
			t.Fatal(err)
		}
		set = set.OnJacks(jacks)
	}
	return Plugs{Set: set, RatedOhm: eightOhm, Amplifier: "house amplifier of a long name that nobody can read", TapOhm: []float64{4, 8, 16}, UseOhm: 8, Jacks: jacks}
}

// Each cable runs from a jack to the thing that plugs into it, inside the picture,
// and crosses no other and no thing.
func TestCablesCanBeFollowed(t *testing.T) {
	for _, formula := range plugFormulas {
		for _, jacks := range []int{1, 2, 3} {
			for _, narrow := range []bool{false, true} {
				s := plugs(t, formula, jacks)
				s.Narrow = narrow
				root := s.things()
				width, height := s.place(root)
				var all []*thing
				var ways [][]vg.Point
				var walk func(k *thing)
				walk = func(k *thing) {
					all = append(all, k)
					if k.x < 0 || k.y < 0 || k.x+k.width > width || k.y+k.high > height {
						t.Errorf("%s: %s lies outside the picture", formula, k.name)
					}
					for i, kid := range k.kids {
						var c recorder.Canvas
						d := plugsPen{penOf(&c, mm(width), mm(height), 9), height}
						d.cables(&thing{x: k.x, y: k.y, width: k.width, high: k.high, first: k.first, jacks: k.jacks, kids: append(make([]*thing, 0), kidsUpTo(k, i)...)}, narrow)
						ways = append(ways, lastWay(c))
						end := ways[len(ways)-1][len(ways[len(ways)-1])-1]
						if math.Abs(float64(end.X-mm(kid.x))) > 0.01 || math.Abs(float64(end.Y-mm(height-kid.y-kid.high/2))) > 0.01 {
							t.Errorf("%s: a cable ends at %v, and %s is at %g, %g", formula, end, kid.name, kid.x, kid.y)
						}
						walk(kid)
					}
				}
				walk(root)
				for i, a := range ways {
					for _, b := range ways[:i] {
						if cross(a, b) {
							t.Errorf("%s on %d jacks, narrow %v: two cables cross", formula, jacks, narrow)
						}
					}
					for _, k := range all {
						for _, at := range a[1 : len(a)-1] {
							if x, y := float64(at.X/vg.Millimeter), height-float64(at.Y/vg.Millimeter); x > k.x+0.1 && x < k.x+k.width-0.1 && y > k.y+0.1 && y < k.y+k.high-0.1 {
								t.Errorf("%s on %d jacks, narrow %v: a cable runs through %s", formula, jacks, narrow, k.name)
							}
						}
					}
				}
				if leaves := s.Set.Tree.Leaves(); len(all) != 1+len(leaves)+len(s.Set.Built()) {
					t.Errorf("%s: %d things", formula, len(all))
				}
			}
		}
	}
}

// kidsUpTo are stand-ins for the first kids of k, of which the last alone has its
// cable drawn last.
func kidsUpTo(k *thing, last int) []*thing {
	kids := slices.Clone(k.kids[:last+1])
	for i, kid := range kids {
		kids[i] = &thing{x: kid.x, y: kid.y, width: kid.width, high: kid.high}
	}
	return kids
}

// lastWay is the last line that was drawn, in short straight pieces.
func lastWay(c recorder.Canvas) (pts []vg.Point) {
	for _, a := range c.Actions {
		stroke, is := a.(*recorder.Stroke)
		if !is {
			continue
		}
		pts = nil
		for _, p := range stroke.Path {
			if p.Type != vg.CurveComp {
				pts = append(pts, p.Pos)
				continue
			}
			from, via := pts[len(pts)-1], append(slices.Clone(p.Control), p.Pos)
			for i := 1; i <= 20; i++ {
				pts = append(pts, bezier(append([]vg.Point{from}, via...), float64(i)/20))
			}
		}
	}
	return pts
}

func bezier(pts []vg.Point, at float64) vg.Point {
	for len(pts) > 1 {
		var next []vg.Point
		for i := range pts[1:] {
			next = append(next, pts[i].Add(pts[i+1].Sub(pts[i]).Scale(vg.Length(at))))
		}
		pts = next
	}
	return pts[0]
}

// cross tells whether two lines of straight pieces do.
func cross(a, b []vg.Point) bool {
	side := func(p, q, r vg.Point) float64 {
		return float64((q.X-p.X)*(r.Y-p.Y) - (q.Y-p.Y)*(r.X-p.X))
	}
	for i := range a[1:] {
		for j := range b[1:] {
			p, q, r, s := a[i], a[i+1], b[j], b[j+1]
			if side(p, q, r)*side(p, q, s) < 0 && side(r, s, p)*side(r, s, q) < 0 {
				return true
			}
		}
	}
	return false
}

func TestPlugsSayWhatTheyShow(t *testing.T) {
	s := plugs(t, "(a + b) || c", 1)
	svg := written(t, s, SVG)
	for _, want := range []string{">BOX 1<", ">BOX 2<", ">series<", ">a<", ">8 ohm<", "BOX 2 jack 1 to a", "on its 8 ohm tap", ">16<"} {
		if !strings.Contains(svg, want) {
			t.Errorf("the picture has no %q", want)
		}
	}
	if strings.Contains(svg, "invented") {
		t.Error("it is not invented")
	}
	s.Invented = true
	if svg := written(t, s, SVG); !strings.Contains(svg, ">invented data<") {
		t.Error("it does not say that it is invented")
	}
	if svg := written(t, plugs(t, "a || b", 2), SVG); strings.Contains(svg, "BOX") {
		t.Error("two jacks of the amplifier need no box")
	}
	if _, err := (Plugs{}).OnPage(); err == nil {
		t.Error("no hookup is no error")
	}
}
