package plot

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"regexp"
	"strings"
	"testing"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/vg"
)

// operators draws on a page of 100 by 200 points and returns what stands in it.
func operators(t *testing.T, draw func(c *pdfCanvas)) string {
	t.Helper()
	c := newPDFPage(100, 200, "")
	c.doc.SetCompression(false)
	draw(c)
	var out bytes.Buffer
	if err := c.doc.Output(&out); err != nil {
		t.Fatal(err)
	}
	// The first stream is the page; fonts and images follow.
	_, page, _ := strings.Cut(out.String(), "stream\n")
	page, _, _ = strings.Cut(page, "endstream")
	return page + "\n" + strings.Join(regexp.MustCompile(`/ca [0-9.]+`).FindAllString(out.String(), -1), "\n")
}

func TestPDFCanvas(t *testing.T) {
	line := vg.Path{{Type: vg.MoveComp, Pos: vg.Point{X: 10, Y: 20}}, {Type: vg.LineComp, Pos: vg.Point{X: 30, Y: 60}}}
	for _, c := range []struct {
		name string
		draw func(c *pdfCanvas)
		want []string
		not  []string
	}{
		{"a line, from the lower left corner as in PDF", func(c *pdfCanvas) { c.Stroke(line) }, []string{"10.00 20.00 m", "30.00 60.00 l"}, nil},
		{"no width, no line", func(c *pdfCanvas) { c.SetLineWidth(0); c.Stroke(line) }, nil, []string{"10.00 20.00 m"}},
		{"translucent green stays green", func(c *pdfCanvas) {
			c.SetColor(color.NRGBA{G: 0xFF, A: 0x33})
			c.Fill(line)
		}, []string{"0.000 1.000 0.000 rg", "/ca 0.200"}, nil},
		{"the same colour, multiplied by its alpha", func(c *pdfCanvas) {
			c.SetColor(color.RGBA{G: 0x33, A: 0x33})
			c.Fill(line)
		}, []string{"0.000 1.000 0.000 rg", "/ca 0.200"}, nil},
		{"moved, turned, scaled", func(c *pdfCanvas) {
			c.Translate(vg.Point{X: 50, Y: 100})
			c.Rotate(math.Pi / 2) // (10, 20) -> (-20, 10)
			c.Scale(2, 2)
			c.Stroke(line)
		}, []string{"10.00 120.00 m", "2.00 w"}, nil},
		{"pop restores", func(c *pdfCanvas) {
			c.Push()
			c.Translate(vg.Point{X: 50, Y: 100})
			c.SetLineWidth(0)
			c.Pop()
			c.Stroke(line)
		}, []string{"10.00 20.00 m"}, nil},
		{"dashes", func(c *pdfCanvas) { c.SetLineDash([]vg.Length{3, 1}, 2); c.Stroke(line) }, []string{"[3.00 1.00] 2.00 d"}, nil},
		{"a quarter circle ends where it must", func(c *pdfCanvas) {
			c.Fill(vg.Path{{Type: vg.MoveComp, Pos: vg.Point{X: 20, Y: 10}}, {Type: vg.ArcComp, Pos: vg.Point{X: 10, Y: 10}, Radius: 10, Angle: math.Pi / 2}, {Type: vg.CloseComp}})
		}, []string{"20.00 10.00 l", "17.07107 17.07107 c", "10.00000 20.00000 c", "h"}, nil},
		{"curves", func(c *pdfCanvas) {
			p := append(vg.Path(nil), line...)
			p.CubeTo(vg.Point{X: 1, Y: 2}, vg.Point{X: 3, Y: 4}, vg.Point{X: 5, Y: 6})
			p.QuadTo(vg.Point{X: 7, Y: 8}, vg.Point{X: 9, Y: 10})
			c.Stroke(p)
		}, []string{"1.00000 2.00000 3.00000 4.00000 5.00000 6.00000 c", "7.00000 8.00000 9.00000 10.00000 v"}, nil},
		{"text turned", func(c *pdfCanvas) {
			newPen(c, 100, 200).upright(sans(xfont.WeightNormal, 10), color.Black, vg.Point{X: 50, Y: 100}, "")
		}, []string{"0.00000 1.00000 -1.00000 0.00000 153.50000 46.50000 cm", "BT 53.50 100.00 Td"}, nil},
		{"image", func(c *pdfCanvas) {
			c.DrawImage(vg.Rectangle{Min: vg.Point{X: 10, Y: 20}, Max: vg.Point{X: 30, Y: 60}}, image.NewGray(image.Rect(0, 0, 2, 2)))
		}, []string{"q 20.00000 0 0 40.00000 10.00000 20.00000 cm"}, nil},
	} {
		got := operators(t, c.draw)
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s: no %q in\n%s", c.name, want, got)
			}
		}
		for _, not := range c.not {
			if strings.Contains(got, not) {
				t.Errorf("%s: %q in\n%s", c.name, not, got)
			}
		}
	}
}
