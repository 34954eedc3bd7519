package plot

import (
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/recorder"
	"pgregory.net/rapid"

	"tapload/measure/impedance"
)

// Every line of text and every line drawn of a label is inside it, whatever it is
// called and says; its cutting crosses alone reach beyond it.
func TestNothingLeavesItsLabel(t *testing.T) {
	curve := impedance.Curve{}
	for hz := 10.; hz < 30000; hz *= 1.3 {
		curve.Points = append(curve.Points, impedance.Point{Hz: hz, Z: complex(6+hz/100, hz/50)})
	}
	letters := []rune("abc WWW mm iii. ÄöÜ -01_")
	rapid.Check(t, func(t *rapid.T) {
		word := func(most int) string {
			return string(rapid.SliceOfN(rapid.SampledFrom(letters), 1, most).Draw(t, "text"))
		}
		paper := rapid.SampledFrom([][2]float64{{210, 297}, {215.9, 279.4}}).Draw(t, "paper")
		s := LabelSheet{WidthMM: paper[0], HeightMM: paper[1]}
		columns, rows := LabelGrid(s.WidthMM, s.HeightMM)
		for range rapid.IntRange(1, columns*rows).Draw(t, "labels") {
			l := Label{Name: word(60), What: word(60), Foot: word(80), Invented: rapid.Bool().Draw(t, "invented")}
			for range rapid.IntRange(0, 8).Draw(t, "lines") {
				l.Lines = append(l.Lines, word(120))
			}
			if rapid.Bool().Draw(t, "never") {
				l.Never = word(90)
			}
			if rapid.Bool().Draw(t, "curve") {
				l.Curve = curve
			}
			s.Labels = append(s.Labels, l)
		}
		for i, l := range s.Labels {
			var c recorder.Canvas
			x, y := s.corner(i)
			l.draw(penOf(&c, mm(s.WidthMM), mm(s.HeightMM), vg.Points(lineSize)), x, y)
			edge := corners(x+2, y+2, x+LabelWideMM-2, y+LabelHighMM-2)
			if edge.Min.X < mm(6) || edge.Min.Y < mm(6) || edge.Max.X > mm(s.WidthMM-6) || edge.Max.Y > mm(s.HeightMM-6) {
				t.Fatalf("label %d is where printers leave white", i)
			}
			var texts []vg.Rectangle
			for _, a := range c.Actions {
				var r vg.Rectangle
				switch a := a.(type) {
				case *recorder.FillString:
					face := fonts().Lookup(a.Font, a.Size)
					r = vg.Rectangle{Min: a.Point, Max: a.Point.Add(vg.Point{X: face.Width(a.String), Y: a.Size * capHeight})}
					for k, other := range texts {
						if r.Min.X < other.Max.X-0.1 && other.Min.X < r.Max.X-0.1 && r.Min.Y < other.Max.Y-0.1 && other.Min.Y < r.Max.Y-0.1 {
							t.Fatalf("label %d: %q lies over line %d", i, a.String, k)
						}
					}
					texts = append(texts, r)
				case *recorder.Stroke:
					r = bounds(a.Path)
				case *recorder.Fill:
					r = bounds(a.Path)
				default:
					continue
				}
				if r.Min.X < edge.Min.X || r.Min.Y < edge.Min.Y || r.Max.X > edge.Max.X || r.Max.Y > edge.Max.Y {
					t.Fatalf("label %d: %T reaches from %v to %v, beyond %v", i, a, r.Min, r.Max, edge)
				}
			}
			if len(texts) == 0 && strings.TrimSpace(l.Name+l.What) != "" {
				t.Fatal("nothing is written")
			}
		}
	})
}

func bounds(p vg.Path) vg.Rectangle {
	r := vg.Rectangle{Min: p[0].Pos, Max: p[0].Pos}
	for _, c := range p {
		if c.Type == vg.CloseComp {
			continue
		}
		r.Min.X, r.Min.Y = min(r.Min.X, c.Pos.X), min(r.Min.Y, c.Pos.Y)
		r.Max.X, r.Max.Y = max(r.Max.X, c.Pos.X), max(r.Max.Y, c.Pos.Y)
	}
	return r
}

func TestLabelSheetErrors(t *testing.T) {
	for name, s := range map[string]LabelSheet{"none": {WidthMM: 210, HeightMM: 297}, "too many": {WidthMM: 210, HeightMM: 297, Labels: make([]Label, 11)}} {
		if _, err := s.OnPage(); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
