package plot

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
)

func boxes(t testing.TB, formula string, metal bool) box.Set {
	t.Helper()
	tree, err := hookup.Parse(formula)
	if err != nil {
		t.Fatal(err)
	}
	s, err := box.Build(tree, metal)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func written(t testing.TB, d Drawable, f Format) string {
	t.Helper()
	var out bytes.Buffer
	if err := Write(&out, f, d); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func eightOhm(string) float64 { return 8 }

// The drawing says what the netlist says, and changes with it.
func TestBoxDrawingFollowsTheNetlist(t *testing.T) {
	for _, c := range []struct {
		formula string
		metal   bool
		wires   int
		want    []string
		not     []string
	}{
		{"a + b", true, 3, []string{">INPUT<", ">from amplifier<", ">jack 2<", ">a<", "wire 2 from sleeve 1 to tip 2", "jack 1 insulated from the chassis", "sleeve insulated from it"}, []string{"plastic"}},
		{"a + b", false, 3, []string{"plastic case"}, []string{"insulat"}},
		{"left || right || top", true, 6, []string{">left<", ">top<", "parallel"}, []string{"insulat"}},
		{`"&lt; 1" + b`, true, 3, []string{"&amp;lt; 1"}, nil},
	} {
		svg := written(t, BoxDrawing{Box: boxes(t, c.formula, c.metal).Boxes[0]}, SVG)
		for _, w := range c.want {
			if !strings.Contains(svg, w) {
				t.Errorf("%s: the drawing has no %q", c.formula, w)
			}
		}
		for _, w := range c.not {
			if strings.Contains(svg, w) {
				t.Errorf("%s: the drawing has %q", c.formula, w)
			}
		}
		for n := range c.wires + 1 {
			if has := strings.Contains(svg, fmt.Sprintf(">%d</text>", n+1)); has != (n < c.wires) {
				t.Errorf("%s: a tag of wire %d is %v", c.formula, n+1, has)
			}
		}
	}
}

func TestBoxDrawingRefuses(t *testing.T) {
	b := boxes(t, "a + b", true).Boxes[0]
	b.Links = append(b.Links, box.Link{From: box.Contact{Box: 1, Part: box.Tip}, To: box.Contact{Box: 1, Jack: 3}})
	var out bytes.Buffer
	if err := Write(&out, SVG, BoxDrawing{Box: b}); err == nil || !strings.Contains(err.Error(), "wire 4 goes to tip 3") || out.Len() > 0 {
		t.Errorf("%d bytes and %v", out.Len(), err)
	}
}

// The same drawing gives the same bytes, in every format, and a wire moved
// gives others.
func TestDrawingsRepeat(t *testing.T) {
	s := boxes(t, "(a + b) || c", true)
	other := boxes(t, "(a + b) || c", true).Boxes[1]
	other.Links[0], other.Links[1] = box.Link{From: other.Links[0].From, To: other.Links[1].To}, box.Link{From: other.Links[1].From, To: other.Links[0].To}
	for _, f := range []Format{PNG, SVG, PDF} {
		one := written(t, BoxDrawing{Box: s.Boxes[1]}, f)
		if one != written(t, BoxDrawing{Box: s.Boxes[1]}, f) || one == written(t, BoxDrawing{Box: other}, f) {
			t.Errorf("%s: a box drawing does not repeat, or not change", f)
		}
		whole := written(t, Schematic{Set: s, RatedOhm: eightOhm}, f)
		if whole != written(t, Schematic{Set: s, RatedOhm: eightOhm}, f) || whole == written(t, Schematic{Set: boxes(t, "(a || b) + c", true), RatedOhm: eightOhm}, f) {
			t.Errorf("%s: a schematic does not repeat, or not change", f)
		}
	}
}

func TestSchematicNamesAll(t *testing.T) {
	svg := written(t, Schematic{Set: boxes(t, "(a + b) || (c + d)", true), RatedOhm: func(load string) float64 {
		return map[string]float64{"a": 4, "b": 8, "c": 16, "d": 32}[load]
	}}, SVG)
	for _, w := range []string{">a<", ">d<", ">4 ohm<", ">32 ohm<", ">box 1, parallel<", ">box 3, series<", "box 2 has in series a, b"} {
		if !strings.Contains(svg, w) {
			t.Errorf("the schematic has no %q", w)
		}
	}
}

// Wires of one side whose runs lie over each other have levels of their own,
// whatever is soldered to what, and no end of two shares its place on a lug.
func TestWiringKeepsWiresApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		jacks := rapid.IntRange(2, 8).Draw(t, "jacks")
		b := box.Box{Number: 1, Jacks: make([]box.Jack, jacks)}
		contact := func(name string) box.Contact {
			return box.Contact{Box: 1, Jack: rapid.IntRange(0, jacks-1).Draw(t, name), Part: rapid.SampledFrom([]box.Part{box.Tip, box.Sleeve}).Draw(t, name+" part")}
		}
		for range rapid.IntRange(1, 10).Draw(t, "wires") {
			l := box.Link{From: contact("from"), To: contact("to")}
			if l.From != l.To {
				b.Links = append(b.Links, l)
			}
		}
		w := wiringOf(b)
		type place struct {
			at box.Contact
			n  int
		}
		taken := map[place]bool{}
		for i, r := range w.runs {
			for k, c := range r.ends {
				if p := (place{c, r.lugs[k]}); taken[p] {
					t.Fatalf("two wires end at %+v", p)
				} else {
					taken[p] = true
				}
			}
			side, from, to, ok := r.along()
			if ok && (r.level < 0 || r.level >= w.levels[side]) || !ok && r.level >= 0 {
				t.Fatalf("wire %d is on level %d of %v", i+1, r.level, w.levels)
			}
			for _, q := range w.runs[:i] {
				s, f, l, also := q.along()
				if ok && also && s == side && f < to && from < l && q.level == r.level {
					t.Fatalf("two wires run on level %d of one side", r.level)
				}
			}
		}
	})
}

// A row for every wire, within its columns; what does not fit is left out.
func TestBoxText(t *testing.T) {
	got := BoxText(boxes(t, "a + b", true).Boxes[0], 80)
	want := `         INPUT           jack 1          jack 2
         amplifier       a               b
         tip     slv     tip     slv     tip     slv
wire 1   o---------------o
wire 2                           o-------o
wire 3           o-------------------------------o
chassis  ========#===============INS=============#
         # sleeve on the chassis   INS sleeve insulated from it
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if got := BoxText(boxes(t, "a||b||c||d||e||f||g", true).Boxes[0], 80); got != "" {
		t.Errorf("8 jacks in 80 columns:\n%s", got)
	}
}

func TestSetText(t *testing.T) {
	got := SetText(boxes(t, "a || (b + c) || d", true), 80, func(load string) string { return load + "!" })
	want := `amplifier
+- box 1, parallel
   +- a  a!
   +- box 2, series
   |  +- b  b!
   |  +- c  c!
   +- d  d!
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
